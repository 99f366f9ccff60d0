// Import: a file is read into the form on this device, so that it can be seen before it is sent.
"use strict";
document.getElementById("file").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (!file) return;
  const bytes = new Uint8Array(await file.arrayBuffer());
  const utf16 = (bytes[0] === 0xff && bytes[1] === 0xfe) || (bytes[0] === 0xfe && bytes[1] === 0xff);
  const decoded = (label) => new TextDecoder(label, {fatal: true}).decode(bytes);
  let text;
  try {
    text = decoded(utf16 ? (bytes[0] === 0xff ? "utf-16le" : "utf-16be") : "utf-8");
  } catch {
    text = decoded("windows-1252");
  }
  document.getElementById("table").value = text;
});
