// Sampling points of a form that changes many at once: searched, selected all at once, counted. Without it each is selected by itself.
"use strict";
for (const tools of document.querySelectorAll("[data-pick]")) {
  const form = tools.closest("form");
  const rows = [...form.querySelectorAll("li:has([name=point])")].map((item) => ({
    item, box: item.querySelector("[name=point]"), text: item.textContent.toLowerCase(),
  }));
  const search = tools.querySelector("[type=search]"), all = tools.querySelector("[type=checkbox]");
  const shown = () => rows.filter(({item}) => !item.hidden);
  const count = () => {
    const chosen = rows.filter(({box}) => box.checked).length, visible = shown();
    tools.querySelector("output").textContent = tools.dataset.pick.replace("{n}", chosen).replace("{total}", rows.length);
    all.checked = visible.length > 0 && visible.every(({box}) => box.checked);
    all.indeterminate = !all.checked && visible.some(({box}) => box.checked);
  };
  search.addEventListener("input", () => {
    const words = search.value.toLowerCase().split(/\s+/);
    for (const {item, text} of rows) item.hidden = !words.every((word) => text.includes(word));
    count();
  });
  // Enter in the search must not send the form.
  search.addEventListener("keydown", (event) => { if (event.key === "Enter") event.preventDefault(); });
  all.addEventListener("change", () => {
    for (const {box} of shown()) box.checked = all.checked;
    count();
  });
  form.addEventListener("change", count);
  tools.hidden = false;
  count();
}
