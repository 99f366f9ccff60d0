// Photographs that wait on this device until the server has them: in IndexedDB, so that they survive reload and
// loss of signal. The server takes the same photograph twice as once, so sending again does no harm.
"use strict";
{
  const RETRY_S = [2, 5, 15, 60];
  const page = document.getElementById("outbox");
  const words = JSON.parse(document.getElementById("words").textContent);
  const csrf = document.querySelector("meta[name=csrf]").content;
  const account = document.querySelector("meta[name=account]").content;
  let tries = 0, timer = 0, sending = false, signIn = false;
  const memory = new Map(); // where the browser keeps nothing for us

  const database = new Promise((resolve) => {
    try {
      const opening = indexedDB.open("stripread", 1);
      opening.onupgradeneeded = () => opening.result.createObjectStore("outbox", {keyPath: "key"});
      opening.onsuccess = () => resolve(opening.result);
      opening.onerror = () => resolve(null);
    } catch { resolve(null); }
  });

  const act = async (mode, what) => {
    const db = await database;
    if (!db) return null;
    return new Promise((resolve, reject) => {
      const transaction = db.transaction("outbox", mode, {durability: "strict"});
      const request = what(transaction.objectStore("outbox"));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onerror = transaction.onabort = () => reject(transaction.error);
    });
  };

  const keep = async (entry) => {
    try { if (await act("readwrite", (s) => s.put(entry)) !== null) return; } catch { /* full, or forbidden */ }
    memory.set(entry.key, entry);
  };
  const drop = async (key) => {
    memory.delete(key);
    await act("readwrite", (s) => s.delete(key));
  };
  const all = async () => {
    const kept = (await act("readonly", (s) => s.getAll())) || [];
    return [...kept, ...memory.values()].filter((e) => e.account === account).sort((a, b) => a.at - b.at);
  };

  const tell = (name, detail) => window.dispatchEvent(new CustomEvent(`outbox-${name}`, {detail}));

  const send = async (entry) => {
    const answer = await fetch(`/take/original?${new URLSearchParams(entry.fields)}`, {
      method: "POST", body: new Blob([entry.bytes], {type: "application/octet-stream"}),
      headers: {"x-csrf-token": csrf, accept: "application/json", "content-type": "application/octet-stream"},
    });
    const text = await answer.text();
    if (answer.ok) {
      await drop(entry.key);
      tell("sent", {key: entry.key, html: text});
      return true;
    }
    let problem = {title: words["no-answer"], detail: ""};
    try { problem = JSON.parse(text); } catch { /* a proxy's page */ }
    signIn = answer.status === 401 || answer.status === 403;
    if (signIn || answer.status === 408 || answer.status === 429 || answer.status >= 500) return false;
    entry.refused = [problem.title, problem.detail].filter(Boolean).join(" ");
    await keep(entry);
    tell("refused", {key: entry.key, why: entry.refused});
    return true;
  };

  const flush = async () => {
    if (sending) return;
    sending = true;
    clearTimeout(timer);
    let well = true;
    await show();
    for (const entry of await all()) {
      if (entry.refused) continue;
      try { well = await send(entry); } catch { well = false; }
      if (!well) break;
    }
    sending = false;
    tries = well ? 0 : tries + 1;
    if (!well && !signIn) timer = setTimeout(flush, 1000 * RETRY_S[Math.min(tries, RETRY_S.length) - 1]);
    await show();
  };

  const element = (tag, text, more = {}) => Object.assign(document.createElement(tag), {textContent: text, ...more});

  const show = async () => {
    const entries = await all();
    const waiting = entries.filter((e) => !e.refused).length;
    const state = !waiting ? "" : signIn ? words["sign-in-again"] : tries ? words["no-signal"] : words["sending"];
    page.hidden = !entries.length;
    const list = document.createElement("ul");
    list.className = "rows";
    for (const entry of entries) {
      const row = document.createElement("li");
      const label = element("span", entry.label, {className: "grow"});
      if (entry.refused) {
        label.append(document.createElement("br"), element("span", entry.refused, {className: "bad small"}));
        const button = element("button", words["discard"], {className: "quiet", type: "button"});
        button.onclick = async () => { await drop(entry.key); await show(); };
        row.append(label, button);
        if (entry.fields.dipped) {
          const anyway = element("button", words["without-dip"], {className: "quiet", type: "button"});
          anyway.onclick = async () => {
            delete entry.fields.dipped;
            delete entry.refused;
            await keep(entry);
            await window.outbox.flush();
          };
          row.append(anyway);
        }
      } else row.append(label);
      list.append(row);
    }
    const parts = [element("h2", words["waits"]), list];
    if (memory.size) parts.push(element("p", words["not-kept"], {className: "note open"}));
    if (state) parts.push(element("p", state, {className: "soft"}));
    if (signIn) parts.push(element("a", words["sign-in"], {href: `/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`, className: "button"}));
    else if (waiting && tries) {
      const again = element("button", words["send-now"], {type: "button"});
      again.onclick = window.outbox.flush;
      parts.push(again);
    }
    page.replaceChildren(...parts);
  };

  window.outbox = {
    flush: () => { tries = 0; return flush(); },
    // Keeps the photograph on this device until `flush` has brought it to the server.
    add: async (file, label, fields) => {
      const key = Array.from(crypto.getRandomValues(new Uint8Array(16)), (b) => b.toString(16).padStart(2, "0")).join("");
      await keep({key, account, label, fields, bytes: await file.arrayBuffer(), at: Date.now()});
      return key;
    },
  };
  addEventListener("online", window.outbox.flush);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) window.outbox.flush(); });
  addEventListener("beforeunload", (event) => { if (memory.size) event.preventDefault(); });
  flush();
}
