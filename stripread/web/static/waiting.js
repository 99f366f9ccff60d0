// On the page for signing in: photographs that wait on this device until their account signs in.
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
