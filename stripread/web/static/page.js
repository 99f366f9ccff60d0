// On every page: times in the device's own time zone, unless the account has chosen one; and the service worker, which
// makes the pages for taking readings open offline.
"use strict";
{
  // A time that a script writes, as the server writes it.
  window.written = (moment, parts) => new Intl.DateTimeFormat("en-GB", {timeZone: document.documentElement.dataset.zone || undefined, ...parts}).format(moment).replace("Sept", "Sep");
  window.written.day = {day: "numeric", month: "short", year: "numeric"};
  window.written.clock = {hour: "2-digit", minute: "2-digit"};
  window.localTimes = (part) => {
    if (document.documentElement.dataset.zone) return;
    for (const time of part.querySelectorAll("time[datetime*=T]")) {
      const moment = new Date(time.dateTime);
      if (!Number.isNaN(moment.getTime())) time.textContent = window.written(moment, {...window.written.day, ...window.written.clock});
    }
  };
  window.localTimes(document);
  for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => print());
  const account = document.querySelector("meta[name=account]")?.content;
  // The stored pages belong to the account that signed in last.
  const dropPages = () => window.caches?.delete("pages");
  const stored = (what) => { try { return what(localStorage); } catch { return null; /* forbidden */ } };
  const start = async () => {
    if (!navigator.serviceWorker || !account) return;
    const worker = (await navigator.serviceWorker.getRegistration())?.active;
    if (stored((s) => s.getItem("account")) !== account) {
      await dropPages();
      stored((s) => s.setItem("account", account));
      worker?.postMessage("store"); // a new worker stores them by itself
    }
    await navigator.serviceWorker.register("/service-worker.js");
  };
  start().catch(() => { /* no certificate, or forbidden */ });
  document.querySelector("form[action='/sign-out']")?.addEventListener("submit", () => {
    stored((s) => s.removeItem("account"));
    dropPages();
  });
}
