// Taking a reading: the dip timer, the photograph, its small preview sent ahead, and what comes back.
"use strict";
{
  const PREVIEW_PX = 1280, PREVIEW_QUALITY = 0.85;
  const AHEAD_MS = 8000; // the original waits so long for the preview's answer, as both share a weak signal
  const form = document.getElementById("taking");
  const words = JSON.parse(document.getElementById("words").textContent);
  const csrf = document.querySelector("meta[name=csrf]").content;
  const clock = document.getElementById("clock"), said = document.getElementById("said");
  const start = document.getElementById("start"), answers = document.getElementById("answers");
  const {after, before, point, batch, tube} = form.dataset;
  let dipped = null, ticking = 0, sound = null, awake = null;

  // --- the dip timer ---
  const beep = (times) => {
    if (navigator.vibrate) navigator.vibrate(Array(times * 2 - 1).fill(250));
    if (!sound) return;
    for (let i = 0; i < times; i += 1) {
      const tone = sound.createOscillator(), loud = sound.createGain(), at = sound.currentTime + i * 0.4;
      tone.frequency.value = 880;
      loud.gain.setValueAtTime(0.3, at);
      loud.gain.setValueAtTime(0, at + 0.25);
      tone.connect(loud).connect(sound.destination);
      tone.start(at);
      tone.stop(at + 0.3);
    }
  };
  const stages = [
    [Number(after), "wait", 3],
    [Number(before), "now", 1],
    [Infinity, "late", 0],
  ];
  let stage = -1;
  const tick = () => {
    const seconds = (Date.now() - dipped) / 1000;
    const now = stages.findIndex(([end]) => seconds < end);
    if (now !== stage) {
      if (stage >= 0) beep(stages[stage][2] || 1);
      stage = now;
      said.textContent = words[`dip-${stages[now][1]}`];
      form.dataset.stage = stages[now][1];
    }
    const left = stages[now][0] - seconds;
    clock.textContent = Number.isFinite(left) ? `${Math.ceil(left)} s` : "";
  };
  const stop = () => { clearInterval(ticking); ticking = 0; clock.textContent = ""; awake?.release(); awake = null; };
  start.onclick = async () => {
    stop();
    dipped = Date.now();
    stage = -1;
    sound ??= window.AudioContext ? new AudioContext() : null;
    sound?.resume();
    start.textContent = words["dip-again"];
    ticking = setInterval(tick, 250);
    tick();
    try { awake = await navigator.wakeLock?.request("screen"); } catch { /* not on this device */ }
  };

  // As the phone's clock has it, with its distance from UTC: cameras write local time.
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
  const place = (key) => {
    const box = document.createElement("section");
    box.id = `answer-${key}`;
    box.className = "sheet";
    box.setAttribute("aria-live", "polite");
    answers.prepend(box);
    return box;
  };
  const note = (box, text, tone = "soft") => {
    box.replaceChildren(Object.assign(document.createElement("p"), {textContent: text, className: tone}));
  };
  const preview = async (file, box) => {
    note(box, words["looking"]);
    try {
      const small = await smaller(file);
      const answer = await fetch(`/take/preview?${new URLSearchParams({batch, tube})}`, {
        method: "POST", body: small,
        headers: {"x-csrf-token": csrf, accept: "application/json", "content-type": "image/jpeg"},
      });
      const text = await answer.text();
      if (box.dataset.final) return;
      if (answer.ok) box.innerHTML = text; // a fragment of our own server, escaped there
      else note(box, words["preview-failed"]);
    } catch { if (!box.dataset.final) note(box, words["offline"]); }
  };
  const taken = async (input) => {
    const [file] = input.files;
    if (!file) return;
    stop();
    const fields = {point, batch, tube, name: file.name};
    if (dipped) fields.dipped = local(dipped);
    dipped = null;
    said.textContent = words["dip-ready"];
    form.dataset.stage = "";
    const label = `${form.dataset.label}, ${new Date().toLocaleTimeString([], {hour: "2-digit", minute: "2-digit"})}`;
    const key = await window.outbox.add(file, label, fields); // safe on this device before anything else
    const box = place(key);
    box.scrollIntoView({block: "nearest"});
    await Promise.race([preview(file, box), new Promise((done) => setTimeout(done, AHEAD_MS))]);
    input.value = "";
    await window.outbox.flush();
  };
  for (const input of form.querySelectorAll("input[type=file]")) input.onchange = () => taken(input);

  // --- what comes back ---
  const readings = [];
  const final = (box, html) => {
    box.dataset.final = "yes";
    box.innerHTML = html; // likewise
    const {reading} = box.firstElementChild?.dataset ?? {};
    if (reading && !readings.includes(reading)) readings.push(reading);
    join();
  };
  const join = () => {
    const link = document.getElementById("together");
    link.hidden = readings.length < 2;
    link.href = `/together?${new URLSearchParams(readings.map((r) => ["reading", r]))}`;
  };
  addEventListener("outbox-sent", ({detail}) => {
    // Without a box it was photographed before a reload; its answer is as welcome here.
    final(document.getElementById(`answer-${detail.key}`) ?? place(detail.key), detail.html);
  });
  addEventListener("outbox-refused", ({detail}) => {
    const box = document.getElementById(`answer-${detail.key}`);
    if (box) { box.dataset.final = "yes"; note(box, detail.why, "note bad"); }
  });
}
