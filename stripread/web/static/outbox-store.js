// Storage on the phone (IndexedDB), which survives reloads and lost connections: the queue of photographs and unread
// results. An entry has a key, the account it belongs to, a label, the time `at`, and either the `bytes` of a photograph
// with the `fields` to send, or the `html` of its result.
"use strict";
window.outbox = {messages: {}};
{
  const memory = new Map(); // where the browser provides no storage

  const database = new Promise((resolve) => {
    try {
      const opening = indexedDB.open("stripread", 1);
      opening.onupgradeneeded = () => opening.result.createObjectStore("outbox", {keyPath: "key"});
      opening.onsuccess = () => resolve(opening.result);
      opening.onerror = () => resolve(null);
    } catch { resolve(null); }
  });

  const act = async (name, mode, what) => {
    const db = await database;
    if (!db) throw new Error("no database");
    return new Promise((resolve, reject) => {
      const transaction = db.transaction(name, mode, {durability: "strict"});
      const request = what(transaction.objectStore(name));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onerror = transaction.onabort = () => reject(transaction.error);
    });
  };

  outbox.store = {
    // Photographs in memory only; they are lost when the page is closed.
    fleeting: () => [...memory.values()].filter((e) => e.bytes),
    put: async (entry) => {
      try {
        await act("outbox", "readwrite", (s) => s.put(entry));
        memory.delete(entry.key);
      } catch { memory.set(entry.key, entry); } // storage full or denied
    },
    remove: async (key) => {
      memory.delete(key);
      try { await act("outbox", "readwrite", (s) => s.delete(key)); } catch { /* in memory only */ }
    },
    // Entries of all accounts, oldest first.
    all: async () => {
      let stored = [];
      try { stored = await act("outbox", "readonly", (s) => s.getAll()); } catch { /* in memory only */ }
      return [...stored.filter((e) => !memory.has(e.key)), ...memory.values()].sort((a, b) => a.at - b.at);
    },
  };
}
