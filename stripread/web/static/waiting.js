// Sign-in page: number of photographs queued on this device.
"use strict";
{
  const note = document.getElementById("waiting");
  outbox.store.all().then((entries) => {
    const n = entries.filter((e) => e.bytes).length;
    if (!n) return;
    note.textContent = note.dataset[n === 1 ? "one" : "many"].replace("{n}", n);
    note.hidden = false;
  });
}
