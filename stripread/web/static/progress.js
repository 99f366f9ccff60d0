// Progress of long tasks: polled until one has ended, then the page shows its result.
"use strict";
for (const line of document.querySelectorAll("[data-progress]")) {
  const bar = line.closest("section").querySelector("progress");
  const poll = async () => {
    try {
      const answer = await fetch(line.dataset.progress, {headers: {accept: "application/json"}});
      if (!answer.ok || (await show(answer))) return location.reload();
    } catch { /* no connection: try again */ }
    setTimeout(poll, 1000);
  };
  const show = async (answer) => {
    const state = await answer.json();
    if (state.finished) return true;
    if (state.total) {
      bar.max = state.total;
      bar.value = state.done;
      line.textContent = `${state.done} / ${state.total}`;
    }
    line.parentElement.querySelector(".s").textContent = state.label;
    return false;
  };
  poll();
}
