// The queue's own page: each photograph with a thumbnail, progress, export and delete.
"use strict";
{
  const place = document.getElementById("queue-page"), {store, messages} = outbox, sent = new Map(), thumbs = new Map();
  const {element, fill, button, list, exported} = outbox.view;
  const one = {maximumFractionDigits: 1, minimumFractionDigits: 1};
  const size = (bytes) => bytes < 1e9 ? `${(bytes / 1e6).toLocaleString([], one)} MB` : `${(bytes / 1e9).toLocaleString([], one)} GB`;

  const remove = async (entry) => {
    if (!confirm(fill(messages["delete-sure"], entry))) return;
    await store.remove(entry.key);
    await outbox.show();
  };
  // Send again without the fields that the server rejected.
  const resend = (entry, ...without) => async () => {
    const fields = Object.fromEntries(Object.entries(entry.fields).filter(([name]) => !without.includes(name)));
    await store.put({...entry, fields, refused: "", field: "", why: "", tries: 0});
    await outbox.flush();
  };
  // Without what the server rejected, where that can be left out; where the server names nothing, the technician chooses.
  // The same dipping time would be rejected again.
  const sends = (entry) => {
    const given = ["dipped", "replaces", "tube", "point"].filter((name) => entry.fields[name]), rejected = given.filter((name) => name === entry.field);
    return [
      ...(rejected.includes("dipped") ? [] : [button(messages["send-again"], entry.label, resend(entry))]),
      ...(rejected.length || entry.field ? rejected : given).map((name) => button(messages[`without-${name}`], entry.label, resend(entry, name))),
    ];
  };
  const thumb = ({key, bytes}) => {
    if (!thumbs.has(key)) thumbs.set(key, URL.createObjectURL(new Blob([bytes], {type: "image/jpeg"})));
    return element("img", "", {src: thumbs.get(key), alt: "", width: 56, height: 56});
  };

  const photograph = (entry) => {
    const row = element("li", ""), box = element("div", "", {className: "row pic"}), text = element("span", "");
    const arrived = sent.get(entry.key) ?? 0, of = entry.bytes.byteLength, why = entry.refused || entry.why;
    text.append(element("b", entry.label), element("br", ""), element("small", entry.refused ? size(of)
      : fill(messages[arrived ? "row-sent" : "row-waits"], {sent: size(arrived), of: size(of)})));
    if (why) text.append(element("br", ""), element("span", why, {className: "s out"}));
    if (!entry.refused) text.append(element("progress", "", {max: of, value: arrived, ariaLabel: fill(messages["sent-part"], {n: Math.floor(100 * arrived / of)})}));
    const bar = element("span", "", {className: "bar"});
    bar.append(...(entry.refused ? sends(entry) : []), exported(entry),
      button(messages["delete"], entry.label, () => remove(entry), "bad"));
    box.append(thumb(entry), text, bar);
    row.append(box);
    return row;
  };

  const actions = (waits) => {
    if (outbox.signIn) {
      const next = encodeURIComponent(location.pathname + location.search), note = element("p", "", {className: "note un"});
      note.append(element("b", messages["sign-in-again"]), " ", element("small", messages["sign-in-why"]));
      return [note, element("a", messages["sign-in"], {href: `/sign-in?next=${next}`, className: "btn go"})];
    }
    if (!waits.length) return [];
    const text = element("p", outbox.sending ? messages["sending"] : messages["no-signal"]), now = element("p", "");
    now.append(element("button", messages["send-now"], {className: "btn", type: "button", onclick: outbox.flush}));
    return outbox.sending ? [text] : [text, now];
  };

  outbox.page = (photographs, waits) => {
    place.replaceChildren(...actions(waits), ...(photographs.length ? [list(photographs, photograph)] : [element("p", messages["queue-empty"])]));
  };
  addEventListener("outbox-progress", ({detail: {key, sent: n}}) => {
    sent.set(key, n);
    outbox.show();
  });

  // Room on this phone, and whether the browser may delete the queue by itself.
  const room = async () => {
    const {usage = 0, quota = 0} = await navigator.storage?.estimate?.() ?? {}, persisted = await navigator.storage?.persisted?.();
    document.getElementById("space").textContent = quota ? fill(messages["space"], {used: size(usage), of: size(quota)}) : messages["space-unknown"];
    document.getElementById("persist").hidden = persisted !== false;
  };
  room().catch(() => {});
  document.getElementById("instead").hidden = !new URLSearchParams(location.search).has("offline");
  outbox.show();
}
