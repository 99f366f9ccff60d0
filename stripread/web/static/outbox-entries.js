// The entries of the queue: add, list, remove. What sends them (outbox.js) is loaded when a photograph waits, so that a
// page without one need not fetch it.
"use strict";
{
  const SEEN_MS = 7 * 24 * 3600_000; // results older than this are dropped unseen
  const RELOAD_MS = 15_000;
  const account = document.querySelector("meta[name=account]").content;
  const others = window.BroadcastChannel ? new BroadcastChannel("outbox") : null;
  let loading = null, timer = 0, storing = 0;

  const notify = (name, detail) => {
    window.dispatchEvent(new CustomEvent(`outbox-${name}`, {detail}));
    others?.postMessage({name, detail});
  };
  if (others) others.onmessage = ({data}) => window.dispatchEvent(new CustomEvent(`outbox-${data.name}`, {detail: data.detail}));

  const mine = async () => (await outbox.store.all()).filter((e) => e.account === account);

  // Load the sending script, which replaces `flush`; where that fails it is tried again.
  const prepare = () => loading ??= new Promise((done, fail) => {
    document.head.append(Object.assign(document.createElement("script"), {src: "__outbox.js__", onload: done, onerror: fail}));
  }).catch(() => {
    loading = null;
    clearTimeout(timer);
    timer = setTimeout(() => outbox.flush(), RELOAD_MS);
  });

  Object.assign(outbox, {
    account, mine, notify, prepare, sending: false, signIn: false,
    hex: (bytes) => Array.from(new Uint8Array(bytes), (b) => b.toString(16).padStart(2, "0")).join(""),
    flush: async () => {
      if (!(await mine()).some((e) => e.bytes && !e.refused)) return;
      await prepare();
      if (loading) await outbox.flush();
    },
    // Remove a result; photographs are retained.
    seen: async (key) => {
      const entry = (await mine()).find((e) => e.key === key);
      if (entry?.html) await outbox.store.remove(key);
      notify("changed", {});
    },
    // Store the photograph on this device until `flush` has sent it.
    add: async (file, label, fields, replacesKey) => {
      storing += 1;
      navigator.storage?.persist?.();
      const key = outbox.hex(crypto.getRandomValues(new Uint8Array(16)));
      try {
        await outbox.store.put({key, account, label, fields, replacesKey, bytes: await file.arrayBuffer(), at: Date.now(), tries: 0});
      } finally { storing -= 1; }
      notify("changed", {});
      return key;
    },
  });

  const dropOld = async () => {
    for (const entry of await mine()) if (entry.html && Date.now() - entry.at > SEEN_MS) await outbox.store.remove(entry.key);
    notify("changed", {});
  };

  addEventListener("online", () => outbox.flush());
  document.addEventListener("visibilitychange", () => { if (!document.hidden) outbox.flush(); });
  // Photographs in memory only, and one that is being stored, are lost with the page. Some phones ask nothing before a
  // page is left, so links do.
  const unsafe = () => storing > 0 || outbox.store.fleeting().length > 0;
  let leaves = false;
  addEventListener("beforeunload", (event) => { if (!leaves && unsafe()) event.preventDefault(); });
  document.addEventListener("click", (event) => {
    if (!event.target.closest("a[href]") || !unsafe()) return;
    leaves = confirm(outbox.messages["leave-sure"]);
    if (leaves) return;
    event.preventDefault();
    event.stopImmediatePropagation();
  }, true);
  addEventListener("DOMContentLoaded", () => { dropOld().then(() => outbox.flush()); });
}
