// Sends queued photographs one after another, each in parts: an interrupted upload goes on where it stopped. Every
// request is idempotent. A photograph is deleted here only after the server has returned the hash of the stored file.
"use strict";
{
  const RETRY_S = [2, 5, 15, 60, 300];
  // Bytes of a part: halved when one is lost, doubled when one takes less than QUICK_MS.
  const LEAST = 16 << 10, MOST = 1 << 20, QUICK_MS = 4000;
  const PART_MS = 60_000, LONGEST_MS = 600_000;
  const {messages, account, mine, notify, hex} = outbox;
  const meta = (name) => document.querySelector(`meta[name=${name}]`);
  let timer = 0, failures = 0, running = null, again = false, size = 256 << 10;

  // Fewest failures first, so that a photograph that the server cannot process does not block others; a retaken
  // photograph before its replacement.
  const waiting = async () => {
    const entries = (await mine()).filter((e) => e.bytes && !e.refused), byKey = new Map(entries.map((e) => [e.key, e]));
    const tries = (e) => Math.max(e.tries, byKey.get(e.replacesKey)?.tries ?? 0);
    return entries.sort((a, b) => tries(a) - tries(b) || a.at - b.at);
  };

  const ask = (address, method, body, ms) => fetch(address, {
    method, body,
    headers: {"x-csrf-token": meta("csrf").content, accept: "application/json",
      ...(method === "POST" ? {"content-type": "application/octet-stream"} : {})},
    signal: AbortSignal.timeout(ms),
  });
  // Load the CSRF token of a session renewed on another page; false if this account is no longer signed in.
  const renewed = async () => {
    const page = new DOMParser().parseFromString(await (await fetch("/me")).text(), "text/html");
    const token = page.querySelector("meta[name=csrf]");
    if (page.querySelector("meta[name=account]")?.content !== account) return false;
    meta("csrf").content = token.content;
    return true;
  };
  const asked = async (...given) => {
    const answer = await ask(...given);
    return answer.status === 403 && await renewed() ? ask(...given) : answer;
  };

  // Send what the server does not have yet; the answer that stops it, or null when all has arrived.
  const sendParts = async ({key, bytes}) => {
    const address = `/take/uploads/${key}`;
    let answer = await asked(address, "GET", undefined, PART_MS);
    for (;;) {
      if (!answer.ok && answer.status !== 409) return answer;
      const {offset, photograph} = await answer.json();
      notify("progress", {key, sent: photograph ? bytes.byteLength : offset, of: bytes.byteLength});
      if (photograph || offset === bytes.byteLength) return null;
      if (offset > bytes.byteLength) answer = await asked(`${address}/discard`, "POST", "", PART_MS);
      else {
        const since = Date.now(), part = new Blob([bytes.slice(offset, offset + size)]);
        try { answer = await asked(`${address}?offset=${offset}`, "POST", part, PART_MS); } catch (error) {
          size = Math.max(LEAST, size / 2);
          throw error;
        }
        failures = 0;
        if (Date.now() - since < QUICK_MS) size = Math.min(MOST, size * 2);
      }
    }
  };
  const finish = ({key, fields}) =>
    asked(`/take/original?${new URLSearchParams({...fields, upload: key})}`, "POST", "", LONGEST_MS);

  // The retaken photograph that replaces this one, if any; it is sent with the id of the reading to supersede.
  const replacement = async (key, reading) => {
    const later = (await mine()).find((e) => e.replacesKey === key && e.bytes);
    if (later && reading) await outbox.store.put({...later, fields: {...later.fields, replaces: reading}});
    return later;
  };

  const stored = async (entry, html) => {
    const {reading = ""} = new DOMParser().parseFromString(html, "text/html").body.firstElementChild?.dataset ?? {};
    const {key, label, at, fields: {point, batch}} = entry;
    const result = {key, account, label, at, point, batch, html, reading};
    await outbox.store.put(result); // in place of the photograph, in one transaction
    if (await replacement(key, reading)) await outbox.seen(key);
    else notify("sent", result);
  };

  const failed = async (entry, why) => {
    await outbox.store.put({...entry, tries: entry.tries + 1, why});
    notify("changed", {});
  };

  const refused = async (entry, problem) => {
    const between = problem.title.endsWith(".") ? " " : "; ";
    const why = problem.field === "dipped" ? messages["wrong-dip"] : [problem.title, problem.detail].filter(Boolean).join(between).replace(/\.?$/, ".");
    await outbox.store.put({...entry, refused: why, field: problem.field ?? ""});
    notify("refused", {key: entry.key, why, field: problem.field});
  };

  // Without a secure connection the browser computes no hash; the server's is then taken as it is.
  const isStored = async (entry, hash) => !window.crypto.subtle ? Boolean(hash)
    : hash === hex(await crypto.subtle.digest("SHA-256", entry.bytes));

  // Send one photograph; return whether to continue with the next.
  const attempt = async (entry) => {
    let answer, text;
    try {
      answer = await sendParts(entry) ?? await finish(entry);
      text = await answer.text();
    } catch {
      outbox.signIn = false; // unknown: a lost connection is tried again
      await failed(entry, "");
      return false;
    }
    if (answer.status === 401 || answer.status === 403) {
      outbox.signIn = true;
      return false;
    }
    outbox.signIn = false;
    if (answer.ok) {
      const same = await isStored(entry, answer.headers.get("x-stored-sha256"));
      if (!same) await asked(`/take/uploads/${entry.key}/discard`, "POST", "", PART_MS).catch(() => {});
      await (same ? stored(entry, text) : failed(entry, messages["not-stored"]));
      return true;
    }
    let problem = {title: messages["no-answer"]};
    try { problem = JSON.parse(text); } catch { /* a proxy's page */ }
    const later = [408, 409, 429].includes(answer.status) || answer.status >= 500;
    await (later ? failed(entry, `${problem.title} (${answer.status})`) : refused(entry, problem));
    return true;
  };

  // The queue is reloaded before each photograph, to include new ones.
  const round = async () => {
    const tried = new Set();
    for (;;) {
      const entry = (await waiting()).find((e) => !tried.has(e.key));
      if (!entry) return;
      tried.add(entry.key);
      if (!await attempt(entry)) return;
    }
  };

  const rounds = async () => {
    clearTimeout(timer);
    outbox.sending = true;
    notify("changed", {});
    while (again) {
      again = false;
      await round();
    }
    outbox.sending = false;
    const [first] = await waiting();
    failures = first ? failures + 1 : 0;
    if (first && !outbox.signIn) timer = setTimeout(outbox.flush, 1000 * RETRY_S[Math.min(failures, RETRY_S.length) - 1]);
    notify("changed", {});
  };

  // Send the queue; a lock allows one page at a time.
  outbox.flush = () => {
    again = true;
    running ??= (navigator.locks ? navigator.locks.request("outbox", rounds) : rounds()).finally(() => {
      running = null;
      if (again) outbox.flush();
    });
    return running;
  };
}
