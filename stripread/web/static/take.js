// Taking a reading, one step a screen, from what the phone has stored: steps and sampling point. The later steps are in
// take-later.js, which is loaded while the first is on the screen.
"use strict";
{
  const STEPS = ["point", "tube", "sample", "dip", "answer"], CLOCK_OFF_MS = 120_000;
  const CAN_SCAN = Boolean(window.BarcodeDetector && window.isSecureContext);
  const main = document.getElementById("content"), {account, messages} = outbox;
  const byId = (id) => document.getElementById(id);
  const element = (tag, text, more = {}) => Object.assign(document.createElement(tag), {textContent: text, ...more});
  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
  const screen = element("div", "", {className: "step"});
  main.append(screen);
  const stored = (what) => { try { return what(sessionStorage); } catch { return null; /* forbidden */ } };
  let state = JSON.parse(stored((s) => s.getItem("take")) ?? "{}"), data = {points: [], tubes: []}, loaded = false;
  const put = (more) => {
    state = {...state, ...more};
    stored((s) => s.setItem("take", JSON.stringify(state)));
  };
  const say = (text) => {
    byId("problem").textContent = text;
    byId("problem").hidden = !text;
  };

  // A script that is needed later: once, from the phone's storage where there is no connection.
  const loading = {};
  const load = (name) => loading[name] ??= new Promise((done, fail) => {
    document.head.append(Object.assign(document.createElement("script"), {src: main.dataset[name], onload: done, onerror: fail}));
  }).catch((error) => {
    delete loading[name];
    throw error;
  });

  const later = async () => {
    const answer = await fetch("/take/steps", {headers: {accept: "text/html"}});
    if (!answer.ok) throw new Error(answer.statusText);
    const steps = await answer.text();
    await load("later");
    await outbox.prepare();
    // Last: a step is drawn once, with all that it needs. One drawn again would lose a tap.
    document.body.insertAdjacentHTML("beforeend", steps); // templates of our own server
  };

  // --- one screen a step ---
  const go = (step) => {
    if (location.hash !== `#${step}`) history.pushState(null, "", `#${step}`);
    show();
  };
  const show = () => {
    let step = location.hash.slice(1);
    if (!STEPS.includes(step)) step = "point";
    if (step !== "point" && state.label === undefined) step = "point";
    else if (["sample", "dip"].includes(step) && !state.batch) step = "tube";
    window.dip?.stop();
    say("");
    screen.dataset.step = step;
    if (!byId(`step-${step}`)) return void screen.replaceChildren(); // until the later steps are loaded
    screen.replaceChildren(byId(`step-${step}`).content.cloneNode(true));
    mark(STEPS.indexOf(step));
    byId("about").hidden = ["point", "answer"].includes(step);
    byId("progress").hidden = step === "answer";
    byId("about").textContent = [state.label, state.tube || state.batch].filter(Boolean).join(" · ");
    for (const button of screen.querySelectorAll("[data-go]")) button.onclick = () => go(button.dataset.go);
    screens[step]?.();
    screen.querySelector("h1")?.focus({preventScroll: true});
    scrollTo(0, 0);
  };
  const mark = (now) => {
    const squares = [...document.querySelectorAll(".steps li")];
    squares.forEach((li, i) => {
      li.className = i < now ? "did" : "";
      if (i === now) li.setAttribute("aria-current", "step"); else li.removeAttribute("aria-current");
    });
    byId("place").textContent = fill(messages["step-of"], {n: now + 1, name: squares[now].innerText.trim()});
  };

  // --- sampling point ---
  const glyph = (colours) => {
    const made = byId("glyph").content.cloneNode(true);
    made.querySelectorAll("rect:not([class])").forEach((pad, i) => {
      if (colours[i]) pad.setAttribute("fill", colours[i]); else pad.setAttribute("class", "no");
    });
    return made;
  };
  const dueText = (due) => {
    const days = Math.round((new Date(due) - new Date(new Date().toDateString())) / 864e5);
    return days < 0 ? fill(messages["due-late"], {n: -days}) : days === 0 ? messages["due-today"] : fill(messages["due-in"], {n: days});
  };
  const pointRow = (point, chosen = () => choose(point)) => {
    const row = element("li", ""), button = element("button", "", {className: "row", type: "button"}), text = element("span", "");
    text.append(element("b", point.site), element("br", ""), point.name, element("br", ""),
      element("small", dueText(point.due), {className: new Date(point.due) < new Date(new Date().toDateString()) ? "un" : ""}));
    button.append(text);
    if (point.colours.length) button.append(glyph(point.colours));
    button.onclick = chosen;
    row.append(button);
    return row;
  };
  // A point begins a sample; its photographs are those of `keys`.
  const choose = (point, step = "tube") => {
    put({point: point?.id ?? "", place: point?.place ?? "", label: point ? `${point.site}, ${point.name}` : messages["trial"], keys: [], last: null, replaced: null});
    go(step);
  };
  const list = () => {
    const typed = byId("search").value.trim().toLowerCase();
    const found = data.points.filter((p) => `${p.site} ${p.name} ${p.id}`.toLowerCase().includes(typed));
    byId("points").replaceChildren(...found.slice(0, 40).map((p) => pointRow(p)));
    byId("stored").textContent = !data.at ? messages[loaded ? "no-data" : "loading"] : fill(messages[found.length ? "points-stored" : "none-found"],
      {n: data.points.length, typed, time: written(new Date(data.at), {...written.day, ...written.clock})});
  };

  // --- start ---
  const label = (text) => { // of a point, a tube or a batch; another server's is not ours
    let url = null;
    try { url = new URL(text); } catch { /* an ID, typed or printed */ }
    if (url && byId("search")) {
      byId("search").value = "";
      list();
    }
    if (url && url.origin !== location.origin) return void say(fill(messages["foreign-label"], {host: url.host}));
    const id = url ? url.searchParams.get("id") ?? "" : text, point = data.points.find((p) => p.id === id), tube = data.tubes.find((t) => t.id === id || t.batch === id);
    if (point) return void choose(point);
    if (!tube) return void say(fill(messages["unknown-label"], {id}));
    put({batch: tube.batch, tube: tube.id === tube.batch ? "" : tube.id, scanned: true});
    if (screen.dataset.step === "tube") screens.tube(); else say(fill(messages["tube-set"], {id: tube.id}));
  };
  const scan = async () => {
    try {
      await load("framing");
      const text = await window.framing.label(messages);
      if (text) label(text);
    } catch { say(messages["camera-denied"]); }
  };
  // Without a scanner in the browser the phone's camera app opens what a label names.
  const scanning = () => {
    byId("scan").hidden = !CAN_SCAN;
    byId("scan").onclick = scan;
    byId("scan-how").hidden = CAN_SCAN;
  };
  const screens = {
    point: () => {
      byId("search").oninput = list;
      byId("search").onkeydown = ({key, target}) => { if (key === "Enter" && target.value.trim()) label(target.value.trim()); };
      byId("nowhere").onclick = () => choose(null);
      scanning();
      list();
      window.take.running?.();
    },
  };
  // What the later steps need of this one.
  window.take = {
    messages, screens, screen, put, go, say, mark, fill, element, byId, choose, load, show, scanning, pointRow,
    get state() { return state; },
    get points() { return data.points; },
    get tubes() { return data.tubes; },
    get known() { return Boolean(data.at); },
    get tube() { return data.tubes.find((t) => t.batch === state.batch && (!state.tube || t.id === state.tube)) ?? data.tubes.find((t) => t.batch === state.batch); },
    clear: () => stored((s) => s.removeItem("take")),
  };
  const asked = new URLSearchParams(location.search);
  // What a label's address names; true where it has shown a step.
  const fromAddress = () => {
    if (!["point", "batch", "tube"].some((name) => asked.has(name))) return false;
    // Offline the label of a tube names the tube alone.
    const tube = data.tubes.find((t) => asked.has("batch") ? t.batch === asked.get("batch") : [t.id, t.batch].includes(asked.get("tube")));
    const point = data.points.find((p) => p.id === asked.get("point"));
    put({next: asked.get("next") ?? ""});
    const id = asked.has("batch") ? asked.get("tube") ?? "" : tube?.id === tube?.batch ? "" : tube?.id;
    if (asked.has("batch") || asked.has("tube")) put(tube ? {batch: tube.batch, tube: id, scanned: true} : {batch: "", tube: ""});
    history.replaceState(null, "", "/take");
    if (point || asked.get("point") === "-") {
      choose(point ?? null);
      return true;
    }
    const unknown = asked.get("point") || (tube ? "" : asked.get("tube") ?? asked.get("batch"));
    if (!unknown && !tube) return false;
    show();
    say(unknown ? fill(messages["unknown-label"], {id: unknown}) : fill(messages["tube-set"], {id: tube.id}));
    return true;
  };
  const refresh = async () => {
    try {
      const answer = await fetch("/take/data", {headers: {accept: "application/json"}});
      if (!answer.ok) return;
      const off = Date.now() - new Date(answer.headers.get("date"));
      byId("clock-off").hidden = Math.abs(off) < CLOCK_OFF_MS;
      byId("clock-off").textContent = fill(messages["clock-off"], {n: Math.round(Math.abs(off) / 60000)});
      data = await answer.json();
    } catch { /* offline: what is stored */ }
  };
  // What the service worker has stored for this account, or null.
  const savedData = async () => {
    try {
      const saved = await (await (await caches.open("pages")).match("/take/data"))?.json();
      return saved?.account === account ? saved : null;
    } catch { return null; /* no storage, or no secure connection */ }
  };
  // New data, without losing what is typed or chosen.
  const redraw = () => {
    if (screen.dataset.step === "point") list();
    if (screen.dataset.step === "tube" && byId("judged")?.hidden) screens.tube();
    if (byId("onward")) window.take.onward();
  };
  const start = async () => {
    later().then(() => { if (screen.dataset.step && !screen.firstChild) show(); }, () => say(messages["no-data"]));
    byId("insecure").hidden = window.isSecureContext;
    data = await savedData() ?? data;
    addEventListener("hashchange", show);
    const first = !data.at;
    if (first) {
      show();
      await refresh();
      loaded = true;
      redraw();
    }
    const shown = fromAddress();
    if (first) return;
    if (!shown) show();
    await refresh();
    redraw();
  };
  start();
}
