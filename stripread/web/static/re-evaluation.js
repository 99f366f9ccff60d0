// Re-evaluation of many readings, one after another: first the effect on each, then, with a reason, those that change.
// Nothing is lost where it is interrupted: what was superseded is, and the rest is compared again.
"use strict";
{
  const byId = (id) => document.getElementById(id), rows = [...document.querySelectorAll("[data-reading]")];
  const list = byId("readings"), progress = byId("progress");
  const address = (row) => `/readings/${row.dataset.reading}/re-evaluate`;
  const note = (row, text) => row.querySelector(".effect").replaceChildren(Object.assign(document.createElement("p"), {textContent: text, className: "s"}));

  const each = async (chosen, act) => {
    Object.assign(progress, {hidden: false, max: chosen.length, value: 0});
    for (const row of chosen) {
      try { await act(row); } catch { note(row, list.dataset.failed); }
      progress.value += 1;
    }
    progress.hidden = true;
  };
  const effect = async (row) => {
    const answer = await fetch(`${address(row)}?part=effect`, {headers: {accept: "text/html"}});
    if (!answer.ok) throw new Error(answer.statusText);
    row.querySelector(".effect").innerHTML = await answer.text(); // a fragment of our own server, escaped there
    row.dataset.outcome = row.querySelector("[data-outcome]").dataset.outcome;
  };
  const differing = () => rows.filter((row) => row.dataset.outcome === "differs");
  const count = () => {
    const compared = rows.filter((row) => row.dataset.outcome).length;
    const values = {n: differing().length, of: compared, failed: rows.length - compared};
    byId("count").textContent = byId("count").dataset.text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
    byId("supersede").hidden = !differing().length;
  };

  if (byId("compare")) byId("compare").disabled = false;
  byId("compare")?.addEventListener("click", async ({target}) => {
    target.disabled = true;
    await each(rows, effect);
    // What changes comes first.
    list.prepend(...differing());
    count();
    target.disabled = false;
  });
  byId("supersede")?.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = new URLSearchParams(new FormData(event.target));
    const headers = {"x-csrf-token": document.querySelector("meta[name=csrf]").content};
    await each(differing(), async (row) => {
      const answer = await fetch(address(row), {method: "POST", body, headers, redirect: "manual"});
      if (answer.type !== "opaqueredirect") throw new Error(answer.statusText);
      row.dataset.outcome = "superseded";
      note(row, list.dataset.done);
    });
    count();
  });
}
