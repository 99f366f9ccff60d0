// Locate: drag the corners of the card and the pads, or move them with the arrow keys; the form has their coordinates.
"use strict";
{
  const stage = document.getElementById("stage"), zoom = document.getElementById("zoom");
  const handles = [...stage.querySelectorAll(".handle")];
  const {width, height} = stage.viewBox.baseVal;
  const place = new Map(handles.map((h) => {
    const {e, f} = h.transform.baseVal.consolidate().matrix;
    return [h, {x: e, y: f}];
  }));
  let chosen = handles[0];
  const text = ({x, y}) => `${x.toFixed(1)},${y.toFixed(1)}`;
  const within = (value, low, high) => Math.min(high, Math.max(low, value));
  const at = (event) => new DOMPoint(event.clientX, event.clientY).matrixTransform(stage.getScreenCTM().inverse());

  function draw() {
    // The handles keep their size on the screen.
    const size = 1 / (stage.getScreenCTM() || {a: 1}).a;
    for (const [handle, {x, y}] of place) handle.setAttribute("transform", `translate(${x} ${y}) scale(${size})`);
    const corners = handles.filter((h) => h.dataset.group === "corners").map((h) => text(place.get(h)));
    const pads = handles.filter((h) => h.dataset.group === "pads").map((h) => `${h.dataset.name}=${text(place.get(h))}`);
    document.getElementById("corners").value = corners.join(" ");
    document.getElementById("pads").value = pads.join(" ");
    for (const path of stage.querySelectorAll(":scope > path")) path.setAttribute("d", `M${corners.join("L")}z`);
  }

  function move(handle, x, y) {
    place.set(handle, {x: within(x, 0, width), y: within(y, 0, height)});
    document.querySelector(`[name=use-${handle.dataset.group}]`).checked = true;
    draw();
  }

  // Enlarged: four times, about the point that was chosen last.
  function show() {
    const f = zoom.getAttribute("aria-pressed") === "true" ? 4 : 1, {x, y} = place.get(chosen);
    const w = width / f, h = height / f;
    stage.setAttribute("viewBox", `${within(x - w / 2, 0, width - w)} ${within(y - h / 2, 0, height - h)} ${w} ${h}`);
    draw();
  }

  zoom.addEventListener("click", () => { zoom.setAttribute("aria-pressed", zoom.getAttribute("aria-pressed") !== "true"); show(); });
  window.addEventListener("resize", draw);
  // Targets of neighbours overlap: the nearest point is dragged, at a distance from the finger, which does not cover it.
  let offset = null;
  stage.addEventListener("pointerdown", (event) => {
    if (!event.target.closest(".handle")) return;
    const {x, y} = at(event), distance = (h) => Math.hypot(place.get(h).x - x, place.get(h).y - y);
    chosen = handles.reduce((a, b) => distance(b) < distance(a) ? b : a);
    offset = {x: place.get(chosen).x - x, y: place.get(chosen).y - y};
    stage.setPointerCapture(event.pointerId);
    chosen.focus({preventScroll: true});
    event.preventDefault();
  });
  stage.addEventListener("pointermove", (event) => {
    if (!stage.hasPointerCapture(event.pointerId)) return;
    const {x, y} = at(event);
    move(chosen, x + offset.x, y + offset.y);
  });
  for (const handle of handles) {
    handle.addEventListener("focus", () => {
      chosen = handle;
      const {left, top, right, bottom} = stage.getBoundingClientRect(), own = handle.getBoundingClientRect();
      if (own.left < left || own.right > right || own.top < top || own.bottom > bottom) show();
    });
    handle.addEventListener("keydown", (event) => {
      const step = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]}[event.key];
      if (!step) return;
      event.preventDefault();
      const far = event.shiftKey ? 10 : 1, {x, y} = place.get(handle);
      move(handle, x + far * step[0], y + far * step[1]);
    });
  }
  draw();
}
