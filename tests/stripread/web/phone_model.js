// A model of phones, network and server around the real queue (static/outbox-entries.js and outbox.js), in simulated
// time. One schedule: some photographs, lost requests and answers, restarts of phone and server, expired sessions, clock jumps, two tabs, two
// accounts. Everything random follows from the seed.
(async ([source, seed, wanted]) => {
  const KB = 1024, S = 1000, HOUR = 3600 * S;
  let state = seed >>> 0;
  const random = () => { // mulberry32
    state = (state + 0x6D2B79F5) >>> 0;
    let t = state;
    t = Math.imul(t ^ (t >>> 15), t | 1);
    t ^= t + Math.imul(t ^ (t >>> 7), t | 61);
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  const below = (n) => Math.floor(random() * n);
  const hash = (bytes) => { // FNV-1a of length and every 97th byte: photographs differ in all of them
    let h = 2166136261 ^ bytes.length;
    for (let i = 0; i < bytes.length; i += 97) h = Math.imul(h ^ bytes[i], 16777619);
    return (h >>> 0).toString(16).padStart(8, "0");
  };
  const settled = () => new Promise((done) => {
    const {port1, port2} = new MessageChannel();
    port1.onmessage = () => { port1.close(); done(); };
    port2.postMessage(0);
  });

  // --- simulated time ---
  let now = 1e12, ids = 0;
  const events = [];
  const at = (ms, what) => {
    events.push({time: now + ms, id: ids += 1, what});
    return ids;
  };

  // Answers and bodies without the browser's own: theirs take real time, which the model has none of.
  const answer = (text, status = 200, headers = {}) => ({
    ok: status < 300, status, headers: {get: (name) => headers[name] ?? null}, text: async () => text, json: async () => JSON.parse(text)});
  class Body { constructor([bytes]) { this.bytes = new Uint8Array(bytes); } }

  // --- server: what `partial_uploads` and `take.original` do ---
  const server = {parts: new Map(), done: new Map(), photos: new Map(), received: 0, down: 0, epoch: 0, expired: false};
  const bytesOf = (key) => server.parts.get(key) ?? new Uint8Array(0);
  const uploadState = (key) => ({offset: bytesOf(key).length, photograph: server.done.get(key) ?? ""});
  const json = (status, body) => answer(JSON.stringify(body), status);
  const respond = (account, method, url, body) => {
    const [, kind, key, verb] = url.pathname.match(/^\/take\/(uploads|original)\/?([^/]*)\/?(.*)$/) ?? [];
    if (url.pathname === "/me") return answer(server.expired ? "" : `<meta name=csrf content=new><meta name=account content=${account}>`);
    if (server.expired) return json(401, {title: "sign in"});
    if (server.down > now) return json(503, {title: "busy"});
    if (kind === "uploads") {
      const owned = `${account} ${key}`;
      if (verb === "discard") { server.parts.delete(owned); server.done.delete(owned); }
      else if (method === "POST") {
        const offset = Number(url.searchParams.get("offset"));
        if (!server.done.has(owned) && offset === bytesOf(owned).length) {
          const whole = new Uint8Array(offset + body.length);
          whole.set(bytesOf(owned));
          whole.set(body, offset);
          server.parts.set(owned, whole);
          server.received += body.length;
        }
        const state = uploadState(owned);
        return json(state.offset === offset + body.length ? 200 : 409, state);
      }
      return json(200, uploadState(owned));
    }
    const owned = `${account} ${url.searchParams.get("upload")}`;
    if (!server.done.has(owned) && !server.parts.has(owned)) return json(409, {title: "not arrived"});
    const id = server.done.get(owned) ?? hash(bytesOf(owned));
    server.photos.set(id, {account, times: (server.photos.get(id)?.times ?? 0) + (server.done.has(owned) ? 0 : 1)});
    server.done.set(owned, id);
    server.parts.delete(owned);
    return answer(`<div data-reading="r${id}"></div>`, 200, {"x-stored-sha256": id});
  };

  // --- network: a rate, and a chance that a request or its answer is lost ---
  const network = {rate: wanted.rate ?? (4 + below(200)) * KB, loss: wanted.loss ?? random() * 0.4, cut: wanted.cut ?? 0, offline: 0};
  const request = (phone, address, {method = "GET", body, signal} = {}) => new Promise((resolve, reject) => {
    const url = new URL(address, "https://server"), epoch = server.epoch;
    const alive = (what) => () => { if (!phone.dead) what(); };
    const fail = (ms) => at(ms, alive(() => reject(new TypeError("network"))));
    const bytes = body?.bytes ?? new Uint8Array(0), took = 80 + S * bytes.length / network.rate;
    const lost = random() < network.loss, where = random();
    const limit = Math.min(signal?.ms ?? Infinity, network.cut ? network.cut * (0.5 + random()) : Infinity);
    if (network.offline > now || (lost && where < 0.5)) return void fail(below(3000));
    if (took > limit) return void fail(limit);
    at(took, () => {
      if (server.epoch !== epoch) return void fail(10); // the server was restarted meanwhile
      const answered = respond(phone.account, method, url, bytes);
      if (lost) fail(below(3000)); else at(40, alive(() => resolve(answered)));
    });
  });

  // --- phones: instances of the queue on one storage ---
  const storage = new Map(), channel = new Set(), lock = {held: null, waiting: []};
  const store = {
    fleeting: () => 0,
    put: async (entry) => { storage.set(entry.key, structuredClone({...entry, bytes: undefined})); if (entry.bytes) storage.get(entry.key).bytes = entry.bytes; },
    remove: async (key) => { storage.delete(key); },
    all: async () => [...storage.values()].map((e) => ({...e})).sort((a, b) => a.at - b.at),
  };
  const nextLock = () => {
    const next = lock.waiting.find((w) => !w.phone.dead);
    if (lock.held && !lock.held.dead) return;
    lock.waiting = lock.waiting.filter((w) => w !== next && !w.phone.dead);
    lock.held = next?.phone ?? null;
    next?.run();
  };
  let clockOffset = 0;
  const start = (account) => {
    const phone = {account, dead: false, listeners: {}};
    const timers = new Map();
    class Clock extends Date { static now() { return now + clockOffset; } }
    class Channel {
      constructor() { channel.add(this); this.phone = phone; }
      postMessage(data) { for (const other of channel) if (other !== this && !other.phone.dead) at(1, () => other.onmessage?.({data: structuredClone(data)})); }
    }
    const listen = (name, what) => { (phone.listeners[name] ??= []).push(what); };
    const window = {
      BroadcastChannel: Channel, crypto: {subtle: {digest: async (_, bytes) => bytes}},
      dispatchEvent: (event) => { for (const what of phone.listeners[event.type] ?? []) what(event); },
    };
    const fields = {csrf: {content: "old"}, account: {content: account}};
    const document = {getElementById: () => ({textContent: "{}"}), querySelector: (q) => fields[q.slice(10, -1)], addEventListener: listen, hidden: false};
    const locks = {request: (_, run) => new Promise((resolve, reject) => {
      lock.waiting.push({phone, run: () => run().then(resolve, reject).finally(() => { if (lock.held === phone) lock.held = null; nextLock(); })});
      nextLock();
    })};
    const later = (what, ms) => {
      const id = at(ms, () => { if (!phone.dead && timers.delete(id)) what(); });
      timers.set(id, what);
      return id;
    };
    phone.outbox = {store, messages: {}, show: () => {}};
    // The hash of the model stands for SHA-256: the queue compares what `digest` returns, in hexadecimal.
    const subtle = {digest: async (_, bytes) => Uint8Array.from(hash(new Uint8Array(bytes)).match(/../g), (h) => parseInt(h, 16)).buffer};
    const crypto = {subtle, getRandomValues: (array) => array.map(() => below(256))};
    window.crypto = crypto;
    new Function("window", "document", "navigator", "fetch", "setTimeout", "clearTimeout", "Date", "crypto", "BroadcastChannel", "AbortSignal", "addEventListener", "location", "outbox", "Blob", source)(
      window, document, {locks, onLine: true}, (address, given) => request(phone, address, given), later, (id) => timers.delete(id), Clock, crypto, Channel,
      {timeout: (ms) => ({ms})}, listen, {pathname: "/", search: ""}, phone.outbox, Body);
    for (const what of phone.listeners.DOMContentLoaded ?? []) what();
    return phone;
  };
  const stop = (phone) => {
    phone.dead = true;
    nextLock();
  };

  // --- the schedule ---
  const sizes = wanted.sizes ?? Array.from({length: 1 + below(4)}, () => (1 + below(900)) * KB);
  const horizon = HOUR / 2, taken = [], phones = [start("one")];
  if (random() < 0.5) phones.push(start("one"));
  const foreign = {key: "f".repeat(32), account: "two", label: "", fields: {}, bytes: new Uint8Array(3).buffer, at: 1, tries: 0};
  if (random() < 0.3) storage.set(foreign.key, foreign);
  const take = (n, i) => {
    const phone = phones.find((p) => !p.dead);
    if (!phone) return void at(S, () => take(n, i)); // being restarted
    const bytes = Uint8Array.from({length: n}, (_, j) => (j * 31 + i * 7 + seed) & 255);
    bytes[0] = i;
    // What `add` has stored is safe; a phone that is restarted meanwhile has taken no photograph.
    phone.outbox.add({arrayBuffer: async () => bytes.buffer}, `photograph ${i}`, {point: "p", batch: "b", name: "x.jpg"}, "").then(() => {
      taken.push(hash(bytes));
      phone.outbox.flush();
    });
  };
  sizes.forEach((n, i) => at(wanted.sizes ? 0 : below(horizon), () => take(n, i)));
  const faults = {
    phone: () => { const i = below(phones.length); stop(phones[i]); at(below(60 * S), () => { phones[i] = start("one"); }); },
    server: () => { server.epoch += 1; server.down = now + below(120 * S); },
    session: () => { server.expired = true; at(below(600 * S), () => { server.expired = false; for (const p of phones) if (!p.dead) p.outbox.flush(); }); },
    clock: () => { clockOffset += (random() - 0.5) * 48 * HOUR; },
    offline: () => { network.offline = now + below(600 * S); },
  };
  const names = Object.keys(faults);
  for (let i = wanted.sizes ? 0 : below(12); i > 0; i -= 1) at(below(horizon), faults[names[below(names.length)]]);
  if (!wanted.sizes) at(horizon, () => Object.assign(network, {loss: 0.1, offline: 0}));
  const open = () => [...storage.values()].some((e) => e.bytes && e.account === "one");
  const began = now, most = began + 48 * HOUR;
  while (now < most && (now < began + horizon * (wanted.sizes ? 0 : 1) || taken.length < sizes.length || open())) {
    await settled();
    if (!events.length) break;
    events.sort((a, b) => a.time - b.time || a.id - b.id);
    const {time, what} = events.shift();
    now = Math.max(now, time);
    what();
  }
  for (const phone of phones) phone.dead = true;
  return {
    taken: taken.length, lost: taken.filter((id) => !server.photos.has(id)).length, open: open(),
    extra: [...server.photos.keys()].filter((id) => !taken.includes(id)).length,
    twice: [...server.photos.values()].filter((p) => p.times !== 1).length,
    results: [...storage.values()].filter((e) => e.html).length,
    foreign: !storage.has(foreign.key) || storage.get(foreign.key).bytes.byteLength === 3,
    seconds: (now - began) / S, received: server.received, sizes,
  };
})
