// The queue on every page: its state in the header, and new results.
"use strict";
{
  const here = document.getElementById("outbox");
  const {messages, store} = outbox, state = document.getElementById("queue-state");
  const element = (tag, text, more = {}) => Object.assign(document.createElement(tag), {textContent: text, ...more});
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
  const button = (text, label, what, tone = "") => {
    const made = element("button", text, {className: `btn lo ${tone}`, type: "button", onclick: what});
    made.append(element("span", ` ${label}`, {className: "vh"}));
    return made;
  };

  // A button that saves a photograph as a file.
  const exported = (entry) => button(messages["export"], entry.label, () => {
    const address = URL.createObjectURL(new Blob([entry.bytes], {type: "application/octet-stream"}));
    element("a", "", {href: address, download: entry.fields.name || "photograph.jpg"}).click();
    setTimeout(() => URL.revokeObjectURL(address), 60_000);
  });

  const result = (entry) => {
    const row = element("li", ""), box = element("div", "", {className: "row result"}), text = element("span", "");
    const {summary = ""} = new DOMParser().parseFromString(entry.html, "text/html").body.firstElementChild?.dataset ?? {};
    text.append(element("b", entry.label), element("br", ""), element("span", summary));
    const bar = element("span", "", {className: "bar"});
    if (entry.reading) bar.append(element("a", messages["whole"], {href: `/readings/${entry.reading}`, className: "btn lo"}));
    bar.append(button(messages["seen"], entry.label, () => outbox.seen(entry.key)));
    box.append(text, bar);
    row.append(box);
    return row;
  };

  const list = (entries, of) => {
    const made = element("ul", "", {className: "rows"});
    made.append(...entries.map(of));
    return made;
  };

  const indicate = (n, refused) => {
    const name = refused ? "queue-refused" : outbox.signIn && n ? "queue-sign-in" : !n ? navigator.onLine ? "queue-sent" : "queue-no-connection" : navigator.onLine ? "queue-waits" : "queue-offline";
    state.textContent = fill(messages[name], {n: refused || n});
    state.classList.toggle("wait", n + refused > 0);
  };

  const show = async () => {
    const all = await store.all(), mine = all.filter((e) => e.account === outbox.account);
    const photographs = mine.filter((e) => e.bytes), waits = photographs.filter((e) => !e.refused), results = mine.filter((e) => e.html);
    const foreign = all.filter((e) => e.bytes && e.account !== outbox.account).length;
    indicate(waits.length, photographs.length - waits.length);
    const fleeting = store.fleeting().length ? [element("p", messages["not-kept"], {className: "note out"}), ...store.fleeting().map(exported)] : [];
    // The page for taking photographs shows their results itself.
    const news = results.length && !document.querySelector(".step") ? [element("h2", messages["results"]), list(results, result)] : [];
    here.replaceChildren(...news, ...fleeting, ...(foreign ? [element("p", fill(messages["foreign"], {n: foreign}), {className: "s"})] : []));
    here.hidden = !here.children.length;
    outbox.page?.(photographs, waits);
  };

  for (const name of ["sent", "refused", "changed"]) addEventListener(`outbox-${name}`, show);
  for (const name of ["online", "offline"]) addEventListener(name, show);
  Object.assign(outbox, {show, view: {element, fill, button, list, exported}});
}
