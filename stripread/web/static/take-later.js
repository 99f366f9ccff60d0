// Taking a reading, the later steps: tube, sample, dip and timer, photograph.
"use strict";
{
  const PREVIEW_PX = 1280, PREVIEW_QUALITY = 0.85;
  const AHEAD_MS = 8000; // the original waits this long for the preview's result, as both share a weak connection
  const {screens, screen, put, go, say, mark, fill, element, byId, load, which} = take, {place, note, show, fragment} = take.answer;
  const {messages} = outbox;

  // --- sampling point ---
  // A strip dipped before the page was closed, or in another tab: its timer goes on.
  const running = () => byId("running").replaceChildren(...window.dip.all().flatMap(({which: of, at, label}) => {
    const [point, batch, tube] = JSON.parse(of), before = take.tubes.find((t) => t.batch === batch)?.before_s ?? 90, {place: kind = ""} = take.points.find((p) => p.id === point) ?? {};
    if (Date.now() - at > 1000 * before) return [];
    const row = element("div", "", {className: "bar note un"}), on = element("button", messages["dip-running-on"], {className: "btn end", type: "button"});
    on.onclick = () => {
      put({point, batch, tube, label, place: kind, keys: [], last: null, replaced: null});
      go("dip");
    };
    row.append(element("b", fill(messages["dip-running"], {label})), on);
    return [row];
  }));

  // --- tube ---
  const LAST = `tube ${outbox.account}`;
  const remembered = (id) => { try { return id ? localStorage.setItem(LAST, id) : localStorage.getItem(LAST); } catch { return null; /* forbidden */ } };
  const wrong = (tube) => tube.wrong.map((id) => messages[`tube-${id}`] ?? id).join(" ");
  const tubeRow = (tube) => {
    const row = element("li", ""), button = element("button", "", {className: "row", type: "button"}), text = element("span", "");
    const tone = tube.wrong.length ? "out" : tube.soon ? "un" : "ok";
    const date = tube.last && written(new Date(tube.last), written.day);
    const why = wrong(tube) || fill(messages[tube.last ? tube.soon ? "tube-soon" : "tube-until" : "tube-fine"], {date});
    text.append(element("b", tube.id), " ", element("small", [tube.id === tube.batch ? "" : fill(messages["tube-batch"], tube), tube.id === remembered() ? messages["tube-last"] : ""].filter(Boolean).join(" · ")), element("br", ""));
    const verdict = element("span", "", {className: `v ${tone}`});
    verdict.append(byId(`mark-${tone}`).content.cloneNode(true), element("span", why));
    text.append(verdict);
    button.append(text);
    button.onclick = () => pick(tube);
    row.append(button);
    return row;
  };
  const pick = (tube) => judge(tube, {batch: tube.batch, tube: tube.id === tube.batch ? "" : tube.id});
  // Judged before the strip is dipped: a reading on this tube would be flagged.
  const judge = (tube, chosen) => {
    const on = () => {
      put(chosen);
      remembered(tube.id);
      go("sample");
    };
    if (!tube.wrong.length) return void on();
    const note = byId("judged");
    note.replaceChildren(element("b", `${tube.id}: ${wrong(tube)}`), " ", element("small", messages["tube-other"]));
    note.hidden = byId("tube-on").hidden = false;
    byId("scan").hidden = true;
    byId("tube-on").onclick = on;
    scrollTo(0, 0);
  };

  const tubes = () => {
    const last = remembered(), first = (tube) => Number(tube.id === last && !tube.wrong.length);
    const found = [...take.tubes].sort((a, b) => first(b) - first(a)); // the tube in use is at hand, also for the next point
    byId("tubes").replaceChildren(...(found.length ? found.map(tubeRow) : [element("li", messages[take.known ? "no-chart" : "no-data"])]));
    take.scanning();
    if (!take.state.scanned || !take.tube) return;
    put({scanned: false}); // of a label: chosen already
    // Of a tube that the phone does not know yet, only the chart of its batch is judged.
    const {tube, state} = take, known = !state.tube || tube.id === state.tube;
    judge(known ? tube : {...tube, id: state.tube, wrong: tube.wrong.filter((id) => id.startsWith("chart-"))}, {});
  };

  // --- sample ---
  const sampling = () => {
    for (const step of messages[`sampling-${(take.state.place || "mains").replaceAll(" ", "-")}`].split("|")) byId("sampling").append(element("li", step));
    byId("hot").hidden = take.state.place !== "at the machine";
    byId("cold").hidden = !byId("hot").hidden;
  };

  // --- dip ---
  const local = (time) => { // with the UTC offset: cameras write local time
    const zone = -new Date(time).getTimezoneOffset(), two = (n) => String(Math.floor(Math.abs(n))).padStart(2, "0");
    return new Date(time + zone * 60000).toISOString().slice(0, 19) + (zone < 0 ? "-" : "+") + two(zone / 60) + ":" + two(zone % 60);
  };
  const drawWindow = (after, before) => {
    const svg = byId("window"), end = window.dip.scale(before), at = (s) => `${100 * s / end}%`;
    const set = (node, values) => { for (const [name, value] of Object.entries(values)) node.setAttribute(name, value); };
    set(svg.querySelector(".b"), {x: at(after), width: at(before - after)});
    svg.querySelectorAll(".l").forEach((line, i) => set(line, {x1: at([after, before][i]), x2: at([after, before][i])}));
    svg.querySelectorAll("text").forEach((text, i) => {
      set(text, {x: at([after, before][i])});
      text.textContent = `${[after, before][i]} s`;
    });
    set(svg, {"aria-label": fill(messages["window"], {after, before})});
    return (seconds) => {
      set(svg.querySelector(".w"), {x2: at(Math.min(seconds, end))});
      set(svg.querySelector(".p"), {cx: at(Math.min(seconds, end))});
    };
  };
  let denied = false;
  const timing = () => {
    const {after_s: after = 30, before_s: before = 90} = take.tube ?? {}, move = drawWindow(after, before);
    let shown = "";
    byId("before").hidden = byId("dipped").hidden = true;
    byId("after").hidden = false;
    const framed = !denied && window.isSecureContext && navigator.mediaDevices?.getUserMedia, shutter = byId(framed ? "camera" : "pick");
    byId("camera").hidden = !framed;
    mark(4);
    window.dip.run(which(), after, before, (seconds, stage, left) => {
      byId("clock").textContent = Math.floor(seconds);
      if (byId("time-left")) byId("time-left").textContent = fill(messages[`camera-${stage}`], {n: left});
      byId("left").textContent = stage === "late" ? messages["dip-late-how"] : fill(messages[`left-${stage}`], {n: left});
      move(seconds);
      if (stage === shown) return;
      shown = stage;
      const tone = {wait: "un", now: "ok", late: "out"}[stage], line = element("h1", "", {className: `v big ${tone}`});
      line.append(byId(`mark-${tone}`).content.cloneNode(true), element("span", messages[`dip-${stage}`]));
      byId("message").replaceChildren(line);
      byId("window").setAttribute("class", `wb ${tone}`);
      // Too late: the next thing to do is another dip.
      const late = stage === "late";
      byId(late ? "shoot" : "counting").append(byId("again"));
      byId("again").className = late ? "btn go" : "btn lo end";
      byId("pick").className = "btn lo";
      byId("pick").hidden = late && Boolean(framed);
      shutter.className = late ? "btn lo" : "btn go";
    });
  };
  const dipping = () => {
    const start = () => {
      window.dip.start(which(), take.state.label);
      timing();
    };
    byId("dipped").onclick = byId("again").onclick = start;
    byId("camera").onclick = frame;
    screen.querySelector("[type=file]").onchange = ({target}) => {
      const [file] = target.files;
      if (file) taken(file);
    };
    if (take.state.replaced) say(messages["replacing"]);
    if (window.dip.since(which()) !== null) timing();
  };
  // Framing help: loaded on demand; where the camera is denied the file input remains.
  const frame = async () => {
    try {
      await load("framing");
      const file = await window.framing(messages);
      if (file) taken(file);
    } catch {
      say(messages["camera-denied"]);
      denied = true;
      timing(); // the camera app is then the main button
    }
  };

  // --- photograph ---
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
  const preview = async (file, box) => {
    note(box, messages["looking"]);
    try {
      const small = await smaller(file);
      const answer = await fetch(`/take/preview?${new URLSearchParams({batch: take.state.batch, tube: take.state.tube ?? ""})}`, {
        method: "POST", body: small, signal: AbortSignal.timeout(60_000),
        headers: {"x-csrf-token": document.querySelector("meta[name=csrf]").content, accept: "application/json", "content-type": "image/jpeg"},
      });
      const text = await answer.text();
      if (box.dataset.final || !box.isConnected) return;
      if (answer.ok) show(box, fragment(text)); else note(box, messages["preview-failed"]);
    } catch { if (!box.dataset.final) note(box, messages[outbox.store.fleeting().length ? "offline-memory" : "offline"]); }
  };
  const taken = async (file) => {
    const {point, batch, tube, replaced} = take.state, dipped = window.dip.take(which());
    const fields = {point: point ?? "", batch, tube: tube ?? "", name: file.name};
    if (dipped) fields.dipped = local(dipped);
    if (replaced?.reading) fields.replaces = replaced.reading;
    const label = `${take.state.label}, ${written(new Date(), written.clock)}`;
    const key = await outbox.add(file, label, fields, replaced?.key ?? ""); // safe on this device before anything else
    if (replaced) await outbox.seen(replaced.key);
    put({replaced: null, last: {key, dipped}, keys: [...(take.state.keys ?? []).filter((k) => k !== replaced?.key), key]});
    go("answer");
    const box = place({key, label});
    await Promise.race([preview(file, box), new Promise((done) => { setTimeout(done, AHEAD_MS); })]);
    await outbox.flush();
  };

  Object.assign(screens, {tube: tubes, sample: sampling, dip: dipping});
  take.running = running;
  if (byId("running")) running();
}
