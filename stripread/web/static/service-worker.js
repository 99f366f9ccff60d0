// Stores the static files and the pages for taking readings on the phone, so that they open without a connection.
// Pages are asked for from the server first; what a phone shows offline is the last answer of it.
"use strict";
const ASSETS = __ASSETS__, FILES = "files", PAGES = "pages", PATHS = ["/", "/take", "/take/steps", "/queue"], WAIT_MS = 4000;
const DATA = "/take/data"; // sampling points and tubes

const storeFiles = async () => {
  const cache = await caches.open(FILES), stored = new Set((await cache.keys()).map((r) => new URL(r.url).pathname));
  await cache.addAll(ASSETS.filter((a) => !stored.has(a)));
};
const dropOld = async () => {
  const cache = await caches.open(FILES);
  for (const request of await cache.keys()) if (!ASSETS.includes(new URL(request.url).pathname)) await cache.delete(request);
};
// A redirect to the sign-in page is not stored: the earlier page remains usable offline.
const storePage = async (path, answer) => {
  if (answer.ok && !answer.redirected) await (await caches.open(PAGES)).put(path, answer.clone());
};
const storePages = async () => {
  for (const path of [...PATHS, DATA]) await storePage(path, await fetch(path, {headers: {accept: "text/html"}}));
};

self.addEventListener("install", (event) => event.waitUntil(storeFiles().then(() => self.skipWaiting())));
self.addEventListener("activate", (event) => event.waitUntil((async () => {
  await self.clients.claim();
  try {
    await storePages();
    await dropOld();
  } catch { /* offline: with the next page */ }
})()));

// Another account has signed in: its pages and data.
self.addEventListener("message", (event) => event.waitUntil(storePages().catch(() => {})));

// The server's answer, stored for the next time.
const storedAnswer = async (request, path) => {
  const answer = await fetch(request);
  await storePage(path, answer);
  return answer;
};
// Each day begins with Today: so the phone has the present points and tubes, whichever page is opened offline.
const renewData = async () => {
  if (await (await caches.open(PAGES)).match(DATA)) await storePage(DATA, await fetch(DATA));
};
// The server's answer, or after a while without one the stored page.
const page = async (request, path) => {
  const stored = await (await caches.open(PAGES)).match(path);
  const answer = storedAnswer(request, path);
  if (!stored) return answer;
  answer.catch(() => {});
  const late = new Promise((resolve) => { setTimeout(resolve, WAIT_MS, stored); });
  return Promise.race([answer, late]).catch(() => stored);
};
const file = async (request) => await (await caches.open(FILES)).match(request) ?? fetch(request);
// What a printed label opens, and the name by which the page for taking readings knows its ID.
const LABELS = {"/p": "point", "/t": "tube"};
const elsewhere = async (request, url) => {
  try { return await fetch(request); } catch {
    if (url.pathname in LABELS) return Response.redirect(`/take?${new URLSearchParams({[LABELS[url.pathname]]: url.searchParams.get("id") ?? ""})}`);
    const stored = await (await caches.open(PAGES)).match("/queue");
    return stored ? Response.redirect("/queue?offline=yes") : Response.error();
  }
};

self.addEventListener("fetch", (event) => {
  const {request} = event, url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (url.pathname === DATA) event.respondWith(storedAnswer(request, DATA));
  else if (PATHS.includes(url.pathname)) {
    const shown = page(request, url.pathname);
    event.respondWith(shown);
    if (url.pathname === "/") event.waitUntil(shown.then(renewData).catch(() => {}));
  }
  else if (request.mode !== "navigate") return;
  else event.respondWith(elsewhere(request, url));
});
