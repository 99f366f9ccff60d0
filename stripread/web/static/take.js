// Taking a reading: photograph, preview and result. The timer is in timer.js.
"use strict";
{
  const PREVIEW_PX = 1280, PREVIEW_QUALITY = 0.85;
  const AHEAD_MS = 8000; // the original waits this long for the preview's result, as both share a weak connection
  const form = document.getElementById("taking");
  const words = JSON.parse(document.getElementById("words").textContent);
  const csrf = document.querySelector("meta[name=csrf]"), answers = document.getElementById("answers");
  const replacing = document.getElementById("replacing");
  const {point, batch, tube} = form.dataset;
  let replaced = null; // the key and label of the photograph that the next one replaces, and its reading if it has one

  // Local time of the phone with its UTC offset: cameras write local time.
  const local = (time) => {
    const zone = -new Date(time).getTimezoneOffset(), two = (n) => String(Math.floor(Math.abs(n))).padStart(2, "0");
    return new Date(time + zone * 60000).toISOString().slice(0, 19) + (zone < 0 ? "-" : "+") + two(zone / 60) + ":" + two(zone % 60);
  };

  // --- the photograph ---
  const smaller = async (file) => {
    const picture = await createImageBitmap(file, {imageOrientation: "from-image"});
    const scale = Math.min(1, PREVIEW_PX / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(picture.width * scale);
    canvas.height = Math.round(picture.height * scale);
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
    return new Promise((done) => canvas.toBlob(done, "image/jpeg", PREVIEW_QUALITY));
  };
  const element = (tag, text, more = {}) => Object.assign(document.createElement(tag), {textContent: text, ...more});
  const button = (text, what) => {
    const made = element("button", text, {className: "btn", type: "button"});
    made.onclick = what;
    return made;
  };
  // A box for one photograph's answer: its label, the answer, and what can be done next.
  const place = ({key, label, ...of}) => {
    const box = document.createElement("section"), answer = document.createElement("div");
    box.id = `answer-${key}`;
    box.className = "panel";
    answer.className = "answer";
    answer.setAttribute("aria-live", "polite");
    const next = element("p", "", {className: "bar"});
    if (of.point === point && of.batch === batch)
      next.append(button(words["replace"], () => replace({key, label, reading: box.dataset.reading ?? ""})));
    box.append(element("h2", label), answer, next);
    answers.prepend(box);
    return box;
  };
  const replace = (which) => {
    replaced = which;
    replacing.hidden = !which;
    if (!which) return;
    replacing.replaceChildren(words["replacing"].replace("{label}", which.label), " ", button(words["cancel"], () => replace(null)));
    document.getElementById("shoot").scrollIntoView({block: "center"});
  };
  const note = (box, text, tone = "s") => {
    box.querySelector(".answer").replaceChildren(element("p", text, {className: tone}));
  };
  const preview = async (file, box) => {
    note(box, words["looking"]);
    try {
      const small = await smaller(file);
      const answer = await fetch(`/take/preview?${new URLSearchParams({batch, tube})}`, {
        method: "POST", body: small,
        headers: {"x-csrf-token": csrf.content, accept: "application/json", "content-type": "image/jpeg"},
      });
      const text = await answer.text();
      if (box.dataset.final || !box.isConnected) return;
      if (answer.ok) box.querySelector(".answer").innerHTML = text; // a fragment of our own server, escaped there
      else note(box, words["preview-failed"]);
    } catch { if (!box.dataset.final) note(box, words["offline"]); }
  };
  const taken = async (input) => {
    const [file] = input.files;
    if (!file) return;
    const fields = {point, batch, tube, name: file.name}, dipped = window.dip.take(), earlier = replaced;
    if (dipped) fields.dipped = local(dipped);
    if (earlier?.reading) fields.replaces = earlier.reading;
    const label = `${form.dataset.label}, ${new Date().toLocaleTimeString([], {hour: "2-digit", minute: "2-digit"})}`;
    const key = await outbox.add(file, label, fields, earlier?.key ?? ""); // safe on this device before anything else
    input.value = ""; // the same file may be chosen again
    replace(null);
    if (earlier) await outbox.seen(earlier.key);
    if (earlier) document.getElementById(`answer-${earlier.key}`)?.remove();
    const box = place({key, label, point, batch});
    box.scrollIntoView({block: "nearest"});
    await Promise.race([preview(file, box), new Promise((done) => setTimeout(done, AHEAD_MS))]);
    await outbox.flush();
  };
  for (const input of form.querySelectorAll("input[type=file]")) input.onchange = () => taken(input);

  // --- what comes back ---
  const join = () => {
    const link = document.getElementById("together");
    const readings = new Set([...answers.querySelectorAll("[data-reading]")].map((e) => e.dataset.reading));
    link.hidden = readings.size < 2;
    link.href = `/together?${new URLSearchParams([...readings].map((r) => ["reading", r]))}`;
  };
  const seen = (key, box) => async () => {
    await outbox.seen(key);
    box.remove();
    join();
  };
  const final = (result) => {
    const {key, html} = result, box = document.getElementById(`answer-${key}`) ?? place(result), first = !box.dataset.final;
    box.dataset.final = "yes";
    box.querySelector(".answer").innerHTML = html; // likewise
    const {reading} = box.querySelector(".answer").firstElementChild?.dataset ?? {};
    if (reading) box.dataset.reading = reading;
    if (replaced?.key === key) replaced.reading = reading ?? "";
    if (first) box.querySelector(".bar").append(button(words["seen"], seen(key, box)));
    join();
  };
  addEventListener("outbox-sent", ({detail}) => final(detail));
  addEventListener("outbox-refused", ({detail}) => {
    // The list of what waits has the reason, and what can be done.
    document.getElementById(`answer-${detail.key}`)?.remove();
    document.getElementById("outbox").scrollIntoView({block: "nearest"});
  });
  // Results that arrived while no such page was open.
  outbox.mine().then((entries) => { for (const entry of entries) if (entry.html) final(entry); });
}
