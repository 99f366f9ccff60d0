// Files sent one at a time to the address of their form, with its fields as parameters; results are listed.
"use strict";
for (const form of document.querySelectorAll("form[data-upload]")) {
  const input = form.querySelector("input[type=file]"), list = form.querySelector("ol"), bar = form.querySelector("progress");
  const send = async (file) => {
    const given = new URLSearchParams({name: file.name});
    for (const [name, value] of new FormData(form)) if (typeof value === "string" && value) given.set(name, value);
    const answer = await fetch(`${form.dataset.upload}?${given}`, {
      method: "POST", body: file,
      headers: {"x-csrf-token": document.querySelector("meta[name=csrf]").content, accept: "application/json",
        "content-type": "application/octet-stream"},
    });
    const result = await answer.json();
    return {text: result.text ?? result.detail ?? result.title, wrong: !answer.ok || result.wrong};
  };
  const show = (name, {text, wrong}) => {
    const line = document.createElement("li");
    line.className = wrong ? "out" : "";
    line.textContent = `${name}: ${text}`;
    list.append(line);
    return wrong;
  };
  const sendAll = async (files) => {
    if (!form.reportValidity()) return;
    list.replaceChildren();
    bar.hidden = false;
    bar.max = files.length;
    let faults = 0;
    for (const [n, file] of files.entries()) {
      bar.value = n;
      try {
        faults += show(file.name, await send(file)) ? 1 : 0;
      } catch (error) {
        faults += 1;
        show(file.name, {text: error.message, wrong: true});
      }
    }
    bar.value = files.length;
    input.value = "";
    form.querySelector("[data-after]").hidden = false;
    if (!faults) location.reload();
  };
  input.addEventListener("change", () => sendAll([...input.files]));
  if (input.files.length) sendAll([...input.files]); // chosen before this script was loaded
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("dragover", (event) => event.preventDefault());
  form.addEventListener("drop", (event) => {
    event.preventDefault();
    sendAll([...event.dataTransfer.files]);
  });
}
