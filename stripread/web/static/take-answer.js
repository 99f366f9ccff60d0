// Taking a reading, the last step: the answers to the photographs of a sample.
"use strict";
{
  const {screens, screen, put, go, fill, element, byId} = take, {messages} = outbox;
  take.which = () => JSON.stringify([take.state.point ?? "", take.state.batch, take.state.tube]);

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
    const link = byId("together"), readings = new Set([...byId("answers").querySelectorAll("[data-measured]")].map((e) => e.dataset.reading));
    link.hidden = readings.size < 2;
    link.href = `/together?${new URLSearchParams([...readings].map((r) => ["reading", r]))}`;
  };
  const ours = (key) => (take.state.keys ?? []).includes(key); // of this sample: other tabs have theirs
  const final = ({key, label, at, html, withdrawn}) => {
    if (screen.dataset.step !== "answer" || !ours(key)) return;
    const box = place({key, label, at}), shown = fragment(html), {reading = ""} = shown.dataset;
    box.dataset.final = "yes";
    box.dataset.own = reading;
    show(box, shown);
    if (take.state.replaced?.key === key) put({replaced: {...take.state.replaced, reading}});
    for (const form of box.querySelectorAll("form.own")) form.onsubmit = own;
    if (withdrawn) showWithdrawn(box);
    join();
  };
  // Note, withdraw, restore: small forms of the answer, sent by script so that the answer stays.
  const own = async (event) => {
    event.preventDefault();
    const form = event.target, box = form.closest("[id^=answer-]");
    if (!await send(form.getAttribute("action"), new URLSearchParams(new FormData(form)), form.dataset.undo ? "" : "noted")) return;
    if (form.dataset.undo) await setWithdrawn(box, true);
  };
  // Send one of them; true, with a note of it, where it was done.
  const send = async (address, body, done) => {
    try {
      const answer = await fetch(address, {method: "POST", body, headers: {"x-csrf-token": document.querySelector("meta[name=csrf]").content, accept: "application/json"}});
      if (!answer.ok) toast((await answer.json()).title); else if (done) toast(messages[done]);
      return answer.ok;
    } catch { toast(messages["own-failed"]); }
    return false;
  };
  const setWithdrawn = async (box, withdrawn) => {
    const entry = (await outbox.mine()).find((e) => e.key === box.id.slice(7));
    if (entry) await outbox.store.put({...entry, withdrawn});
    if (withdrawn) return void showWithdrawn(box);
    box.querySelector(".withdrawn").remove();
    box.querySelector("form.own").closest("details").hidden = false;
  };
  // Over the verdict, with Undo, until the answer is dismissed.
  const showWithdrawn = (box) => {
    const line = element("div", "", {className: "bar note out withdrawn"}), undo = element("button", messages["undo"], {className: "btn end", type: "button"});
    const {undo: address} = box.querySelector("[data-undo]").dataset;
    undo.onclick = async () => { if (await send(address, new URLSearchParams(), "restored")) await setWithdrawn(box, false); };
    line.setAttribute("role", "status");
    line.append(element("b", messages["withdrawn"]), undo);
    box.querySelector(".answer > div").prepend(line);
    box.querySelector("form.own").closest("details").hidden = true;
    line.scrollIntoView({block: "center"});
  };
  const toast = (text) => {
    document.querySelector(".toast")?.remove();
    const made = element("div", text, {className: "toast"});
    made.setAttribute("role", "status");
    document.body.append(made);
    setTimeout(() => made.remove(), 6000);
  };
  // The other points of the site: the same tube, so the next step is their sample.
  const onward = () => {
    const here = take.points.find((p) => p.id === take.state.point), next = take.state.next || !here ? [] : take.points.filter((p) => p.site_id === here.site_id && p !== here);
    byId("onward").hidden = !next.length;
    byId("next").replaceChildren(...next.map((p) => take.pointRow(p, async () => {
      await dismiss();
      take.choose(p, "sample");
    })));
  };
  const dismiss = async () => { for (const box of byId("answers").children) if (box.dataset.final) await outbox.seen(box.id.slice(7)); };
  const answers = async () => {
    onward();
    const entries = (await outbox.mine()).filter(({key}) => ours(key));
    for (const entry of entries) if (entry.html) final(entry); else if (!byId(`answer-${entry.key}`)) note(place(entry), entry.refused || messages["waits-here"]);
    byId("replace").onclick = () => {
      const box = byId("answers").firstElementChild, key = box?.id.slice(7) ?? "", {last} = take.state;
      if (last?.key === key && last.dipped) window.dip.resume(take.which(), last.dipped, take.state.label); // the same strip, if it is not too late
      put({replaced: {key, reading: box?.dataset.own ?? ""}});
      go("dip");
    };
    byId("second").onclick = () => go("dip");
    byId("done").onclick = async (event) => {
      event.preventDefault();
      await dismiss();
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
      const fleeting = outbox.store.fleeting().length, text = element("div", "", {className: "bar note un"});
      text.append(element("b", messages[fleeting ? "signed-out-memory" : "signed-out"]));
      if (!fleeting) text.append(element("a", messages["sign-in-to-send"], {href: `/sign-in?next=${encodeURIComponent("/take#answer")}`, className: "btn"}));
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
    if (box) note(box, `${detail.why} ${messages[detail.field === "dipped" ? "see-queue-dip" : "see-queue"]}`, "note out");
  });

  take.answer = {place, note, show, fragment};
  take.onward = onward;
  screens.answer = answers;
}
