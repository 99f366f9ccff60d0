// Taking a reading, the later steps: tube, sample, dip and timer, photograph, answer.
"use strict";
{
  const PREVIEW_PX = 1280, PREVIEW_QUALITY = 0.85;
  const AHEAD_MS = 8000; // the original waits this long for the preview's result, as both share a weak connection
  const {screens, screen, put, go, say, mark, fill, element, byId, load} = take;
  const {messages} = outbox;
  const which = () => JSON.stringify([take.state.point ?? "", take.state.batch, take.state.tube]);

  // --- tube ---
  const wrong = (tube) => tube.wrong.map((id) => messages[`tube-${id}`] ?? id).join(" ");
  const tubeRow = (tube) => {
    const row = element("li", ""), button = element("button", "", {className: "row", type: "button"}), text = element("span", "");
    const tone = tube.wrong.length ? "out" : tube.soon ? "un" : "ok";
    const date = tube.last && new Date(tube.last).toLocaleDateString([], {dateStyle: "medium"});
    const why = wrong(tube) || fill(messages[tube.last ? tube.soon ? "tube-soon" : "tube-until" : "tube-fine"], {date});
    text.append(element("b", tube.id), " ", element("small", tube.id === tube.batch ? "" : fill(messages["tube-batch"], tube)), element("br", ""));
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
    byId("tubes").replaceChildren(...(take.tubes.length ? take.tubes.map(tubeRow) : [element("li", messages[take.known ? "no-chart" : "no-data"])]));
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
  const timing = () => {
    const {after_s: after = 30, before_s: before = 90} = take.tube ?? {}, move = drawWindow(after, before);
    let shown = "";
    byId("before").hidden = byId("dipped").hidden = true;
    byId("after").hidden = false;
    const framed = window.isSecureContext && navigator.mediaDevices?.getUserMedia, shutter = byId(framed ? "camera" : "pick");
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
      window.dip.start(which());
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
    } catch { say(messages["camera-denied"]); }
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
    } catch { if (!box.dataset.final) note(box, messages["offline"]); }
  };
  const taken = async (file) => {
    const {point, batch, tube, replaced} = take.state, dipped = window.dip.take(which());
    const fields = {point: point ?? "", batch, tube: tube ?? "", name: file.name};
    if (dipped) fields.dipped = local(dipped);
    if (replaced?.reading) fields.replaces = replaced.reading;
    const label = `${take.state.label}, ${new Date().toLocaleTimeString([], {hour: "2-digit", minute: "2-digit"})}`;
    const key = await outbox.add(file, label, fields, replaced?.key ?? ""); // safe on this device before anything else
    if (replaced) await outbox.seen(replaced.key);
    put({replaced: null, last: {key, dipped}, keys: [...(take.state.keys ?? []).filter((k) => k !== replaced?.key), key]});
    go("answer");
    const box = place({key, label});
    await Promise.race([preview(file, box), new Promise((done) => { setTimeout(done, AHEAD_MS); })]);
    await outbox.flush();
  };

  // --- answer ---
  // A box for one photograph's answer: the latest first and open, earlier ones folded.
  const place = ({key, label, at = Date.now()}) => {
    const known = byId(`answer-${key}`);
    if (known) return known;
    const box = element("details", "", {id: `answer-${key}`, className: "fold"}), line = element("summary", ""), answer = element("div", "", {className: "answer"});
    box.dataset.at = at;
    answer.setAttribute("aria-live", "polite");
    line.append(element("h2", label, {className: "s"}), element("span", "", {className: "s"}));
    box.append(line, answer);
    box.ontoggle = () => { line.lastChild.textContent = box.open ? "" : box.dataset.gist ?? ""; };
    const boxes = [...byId("answers")?.children ?? []], later = boxes.find((other) => other.dataset.at <= at);
    if (later) later.before(box); else byId("answers")?.append(box);
    boxes.push(box);
    for (const each of boxes) each.open = !each.previousElementSibling;
    return box;
  };
  const note = (box, text, tone = "s") => show(box, element("p", text, {className: tone}));
  // Show an answer, its summary where it is folded, and as the main button what is to be done next.
  const show = (box, shown) => {
    box.querySelector(".answer").replaceChildren(shown);
    box.dataset.gist = shown.dataset.summary ?? shown.textContent;
    box.ontoggle();
    if (box.previousElementSibling || !byId("replace")) return;
    const again = "again" in shown.dataset;
    byId("replace").className = again ? "btn go" : "btn lo";
    byId("done").className = again ? "btn lo" : "btn go";
  };
  // A fragment of a page of our own server, escaped there.
  const fragment = (html) => new DOMParser().parseFromString(html, "text/html").body.firstElementChild;
  const join = () => {
    const link = byId("together"), readings = new Set([...byId("answers").querySelectorAll("[data-reading]")].map((e) => e.dataset.reading));
    link.hidden = readings.size < 2;
    link.href = `/together?${new URLSearchParams([...readings].map((r) => ["reading", r]))}`;
  };
  const final = ({key, label, at, html}) => {
    if (screen.dataset.step !== "answer") return;
    const box = place({key, label, at}), shown = fragment(html), {reading = ""} = shown.dataset;
    box.dataset.final = "yes";
    box.dataset.own = reading;
    show(box, shown);
    if (take.state.replaced?.key === key) put({replaced: {...take.state.replaced, reading}});
    for (const form of box.querySelectorAll("form.own")) form.onsubmit = own;
    join();
  };
  // Note, withdraw, restore: small forms of the answer, sent by script so that the answer stays.
  const own = async (event) => {
    event.preventDefault();
    const form = event.target, fields = new URLSearchParams(new FormData(form));
    const send = (address, body) => fetch(address, {method: "POST", body, headers: {"x-csrf-token": document.querySelector("meta[name=csrf]").content, accept: "application/json"}});
    let text = messages["own-failed"];
    try {
      const answer = await send(form.getAttribute("action"), fields);
      text = answer.ok ? messages[form.dataset.undo ? "withdrawn" : "noted"] : (await answer.json()).title;
      if (answer.ok && form.dataset.undo) return void toast(text, async () => { await send(form.dataset.undo, new URLSearchParams()); toast(messages["restored"]); });
    } catch { /* no connection */ }
    toast(text);
  };
  const toast = (text, undo) => {
    document.querySelector(".toast")?.remove();
    const made = element("div", text, {className: "toast"});
    made.setAttribute("role", "status");
    if (undo) made.append(element("button", messages["undo"], {className: "btn", type: "button", onclick: undo}));
    document.body.append(made);
    if (!undo) setTimeout(() => made.remove(), 6000);
  };
  const answers = async () => {
    const entries = (await outbox.mine()).filter((e) => e.html || (take.state.keys ?? []).includes(e.key));
    for (const entry of entries) if (entry.html) final(entry); else if (!byId(`answer-${entry.key}`)) note(place(entry), entry.refused || messages["waits-here"]);
    byId("replace").onclick = () => {
      const box = byId("answers").firstElementChild, key = box?.id.slice(7) ?? "", {last} = take.state;
      if (last?.key === key && last.dipped) window.dip.resume(which(), last.dipped); // the same strip, if it is not too late
      put({replaced: {key, reading: box?.dataset.own ?? ""}});
      go("dip");
    };
    byId("second").onclick = () => go("dip");
    byId("done").onclick = async (event) => {
      event.preventDefault();
      for (const box of byId("answers").children) if (box.dataset.final) await outbox.seen(box.id.slice(7));
      const next = new URL(take.state.next || "/", location.origin);
      take.clear();
      location.href = next.origin === location.origin ? next.href : "/"; // an address of this server only
    };
  };
  // The session has expired: after signing in the photographs are sent.
  addEventListener("outbox-changed", async () => {
    if (!outbox.signIn || screen.dataset.step !== "answer") return;
    for (const {key, html, refused} of await outbox.mine()) {
      const box = html || refused ? null : byId(`answer-${key}`);
      if (!box) continue;
      const text = element("p", `${messages["signed-out"]} `, {className: "note un"});
      text.append(element("a", messages["sign-in-to-send"], {href: `/sign-in?next=${encodeURIComponent("/take#answer")}`}));
      show(box, text);
    }
  });
  addEventListener("outbox-sent", ({detail}) => final(detail));
  addEventListener("outbox-progress", ({detail: {key, sent, of}}) => {
    const box = byId(`answer-${key}`);
    if (box && !box.dataset.final && sent < of && !box.querySelector(".v")) note(box, fill(messages["sent-part"], {n: Math.floor(100 * sent / of)}));
  });
  addEventListener("outbox-refused", ({detail}) => {
    const box = byId(`answer-${detail.key}`);
    if (box) note(box, `${detail.why} ${messages["see-queue"]}`, "note out");
  });

  Object.assign(screens, {tube: tubes, sample: sampling, dip: dipping, answer: answers});
}
