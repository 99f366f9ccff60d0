// Review: keys for each decision, zoom of the photographs.
"use strict";
{
  const typing = (target) => target.closest("input:not([type=checkbox]), select, textarea");

  function open(id) {
    location.hash = id;
    const field = document.querySelector(`#${id} select, #${id} input:not([type=hidden])`);
    if (field) field.focus();
  }

  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") { location.hash = ""; document.activeElement.blur(); return; }
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat || typing(event.target)) return;
    const key = event.key.toLowerCase();
    const toggle = {o: "overlay", z: "zoom"}[key];
    const target = toggle ? document.getElementById(toggle) : document.querySelector(`[data-key="${key}"]`);
    if (!target) return;
    event.preventDefault();
    const id = (target.getAttribute("href") || "").startsWith("#") && target.getAttribute("href").slice(1);
    if (id) open(id);
    else target.click();
  });
  for (const link of document.querySelectorAll('.act a[href^="#"], .bar a[href="#correct"]')) {
    link.addEventListener("click", (event) => {
      event.preventDefault();
      if (link.getAttribute("href") !== "#") open(link.getAttribute("href").slice(1));
    });
  }

  // Zoom: each photograph three times as large about the point that is clicked; the same point again shows all of it.
  const zoom = document.getElementById("zoom");
  if (zoom) {
    const photos = [...document.querySelectorAll("#photos svg")].map((svg) => ({svg, whole: svg.viewBox.baseVal}))
      .map(({svg, whole}) => ({svg, box: [whole.x, whole.y, whole.width, whole.height]}));
    const show = ({svg, box}, at) => {
      const [x, y, w, h] = box, f = 3;
      const inside = (c, from, size) => Math.min(from + size - size / f, Math.max(from, c - size / f / 2));
      svg.setAttribute("viewBox", at ? [inside(at.x, x, w), inside(at.y, y, h), w / f, h / f].join(" ") : box.join(" "));
    };
    const middle = ({box}) => ({x: box[0] + box[2] / 2, y: box[1] + box[3] / 2});
    zoom.addEventListener("click", () => {
      const on = zoom.getAttribute("aria-pressed") !== "true";
      zoom.setAttribute("aria-pressed", on);
      for (const photo of photos) show(photo, on && middle(photo));
    });
    for (const photo of photos) {
      let last = null;
      const at = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(photo.svg.getScreenCTM().inverse());
      photo.svg.addEventListener("pointerdown", (event) => { last = at(event); });
      photo.svg.addEventListener("pointermove", (event) => {
        if (!last || zoom.getAttribute("aria-pressed") !== "true" || !event.buttons) return;
        const now = at(event), view = photo.svg.viewBox.baseVal;
        show(photo, {x: view.x + view.width / 2 - now.x + last.x, y: view.y + view.height / 2 - now.y + last.y});
      });
      photo.svg.addEventListener("pointerup", (event) => {
        const moved = last && Math.hypot(at(event).x - last.x, at(event).y - last.y) > 4;
        last = null;
        if (moved || zoom.getAttribute("aria-pressed") === "true") return;
        zoom.setAttribute("aria-pressed", "true");
        show(photo, at(event));
      });
    }
  }
}
