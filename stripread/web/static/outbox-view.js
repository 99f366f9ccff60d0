// View of queued photographs and new results on every page; entries can be sent, exported and deleted.
"use strict";
{
  const page = document.getElementById("outbox");
  const {words, store} = outbox, queueState = document.getElementById("queue-state");
  const element = (tag, text, more = {}) => Object.assign(document.createElement(tag), {textContent: text, ...more});
  const fill = (text, label) => text.replace("{label}", label);

  const button = (text, what) => {
    const made = element("button", text, {className: "btn lo", type: "button"});
    made.onclick = what;
    return made;
  };

  const save = (entry) => {
    const address = URL.createObjectURL(new Blob([entry.bytes], {type: "application/octet-stream"}));
    element("a", "", {href: address, download: entry.fields.name || "photograph.jpg"}).click();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
  };

  const remove = async (entry) => {
    if (!confirm(fill(words["delete-sure"], entry.label))) return;
    await store.remove(entry.key);
    await show();
  };

  // Send again without the fields that the server rejected.
  const resend = (entry, ...without) => async () => {
    const fields = Object.fromEntries(Object.entries(entry.fields).filter(([name]) => !without.includes(name)));
    await store.put({...entry, fields, refused: "", why: "", tries: 0});
    await outbox.flush();
  };

  const sends = (entry) => [
    button(words["send-again"], resend(entry)),
    ...(entry.fields.dipped ? [button(words["without-dip"], resend(entry, "dipped"))] : []),
    ...(entry.fields.replaces ? [button(words["without-replacing"], resend(entry, "replaces"))] : []),
  ];

  const photograph = (entry) => {
    const row = document.createElement("li"), label = element("span", entry.label);
    const why = entry.refused || entry.why;
    if (why) label.append(document.createElement("br"), element("span", why, {className: "s out"}));
    row.append(label, ...(entry.refused ? sends(entry) : []),
      button(words["export"], () => save(entry)), button(words["delete"], () => remove(entry)));
    return row;
  };

  const result = (entry) => {
    const row = document.createElement("li"), label = element("span", entry.label);
    const {summary = ""} = new DOMParser().parseFromString(entry.html, "text/html").body.firstElementChild?.dataset ?? {};
    label.append(document.createElement("br"), element("span", summary, {className: "s"}));
    row.append(label);
    if (entry.reading) row.append(element("a", words["whole"], {href: `/readings/${entry.reading}`, className: "btn lo"}));
    row.append(button(words["seen"], () => outbox.seen(entry.key)));
    return row;
  };

  const list = (entries, of) => {
    const made = element("ul", "", {className: "rows"});
    made.append(...entries.map(of));
    return made;
  };

  const state = (waits) => {
    if (outbox.signIn) {
      const next = encodeURIComponent(location.pathname + location.search);
      return [element("p", words["sign-in-again"], {className: "s"}),
        element("a", words["sign-in"], {href: `/sign-in?next=${next}`, className: "btn"})];
    }
    if (!waits.length) return [];
    const parts = [element("p", outbox.sending ? words["sending"] : words["no-signal"], {className: "s"})];
    if (!outbox.sending) parts.push(button(words["send-now"], outbox.flush));
    return parts;
  };

  const indicate = (n) => {
    const text = !n ? "queue-sent" : navigator.onLine ? "queue-waits" : "queue-offline";
    queueState.textContent = words[text].replace("{n}", n);
    queueState.classList.toggle("wait", n > 0);
  };

  const show = async () => {
    const all = await store.all(), mine = all.filter((e) => e.account === outbox.account);
    const photographs = mine.filter((e) => e.bytes), waits = photographs.filter((e) => !e.refused);
    // The page for taking photographs shows their results itself.
    const results = document.getElementById("answers") ? [] : mine.filter((e) => e.html);
    const foreign = all.filter((e) => e.bytes && e.account !== outbox.account).length;
    const parts = [];
    if (results.length) parts.push(element("h2", words["results"]), list(results, result));
    if (photographs.length) parts.push(element("h2", words["waits"]), list(photographs, photograph));
    if (store.fleeting()) parts.push(element("p", words["not-kept"], {className: "note un"}));
    parts.push(...state(waits));
    if (foreign) parts.push(element("p", words["foreign"].replace("{n}", foreign), {className: "s"}));
    indicate(waits.length);
    page.hidden = !parts.length;
    page.replaceChildren(...parts);
  };

  for (const name of ["sent", "refused", "changed"]) addEventListener(`outbox-${name}`, show);
  outbox.show = show;
}
