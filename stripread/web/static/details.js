// What is folded on a page is loaded after its first view, so that opening a section and printing need not wait for it.
// An address that names a section opens it.
"use strict";
{
  const place = document.getElementById("details");
  const open = () => {
    const named = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (named && named.localName === "details") named.open = true;
  };
  const load = async () => {
    const answer = await fetch(place.dataset.from, {headers: {accept: "text/html"}});
    if (!answer.ok) return;
    const parts = new DOMParser().parseFromString(await answer.text(), "text/html"); // of our own server, escaped there
    for (const body of parts.querySelectorAll("[data-of]")) {
      const section = document.getElementById(body.dataset.of);
      if (section && !section.querySelector("[data-of]")) section.append(document.adoptNode(body));
    }
    window.localTimes(place);
  };
  addEventListener("hashchange", open);
  open();
  load().catch(() => { addEventListener("online", load, {once: true}); });
}
