// Locate: drag the corners of the card and the pads, or move them with the arrow keys; the form has their coordinates.
"use strict";
{
  const stage = document.getElementById("stage");
  const handles = [...stage.querySelectorAll(".handle")];
  const size = stage.viewBox.baseVal;
  const place = new Map(handles.map((h) => {
    const {e, f} = h.transform.baseVal.consolidate().matrix;
    return [h, {x: e, y: f}];
  }));
  const text = ({x, y}) => `${x.toFixed(1)},${y.toFixed(1)}`;

  function draw() {
    const corners = handles.filter((h) => h.dataset.group === "corners").map((h) => text(place.get(h)));
    const pads = handles.filter((h) => h.dataset.group === "pads").map((h) => `${h.dataset.name}=${text(place.get(h))}`);
    document.getElementById("corners").value = corners.join(" ");
    document.getElementById("pads").value = pads.join(" ");
    for (const path of stage.querySelectorAll(":scope > path")) path.setAttribute("d", `M${corners.join("L")}z`);
  }

  function move(handle, x, y) {
    const at = {x: Math.min(size.width, Math.max(0, x)), y: Math.min(size.height, Math.max(0, y))};
    place.set(handle, at);
    handle.setAttribute("transform", `translate(${at.x} ${at.y})`);
    document.querySelector(`[name=use-${handle.dataset.group}]`).checked = true;
    draw();
  }

  for (const handle of handles) {
    handle.addEventListener("pointerdown", (event) => { handle.setPointerCapture(event.pointerId); handle.focus(); event.preventDefault(); });
    handle.addEventListener("pointermove", (event) => {
      if (!handle.hasPointerCapture(event.pointerId)) return;
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(stage.getScreenCTM().inverse());
      move(handle, at.x, at.y);
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
