"use strict";
// Values of the charts: under the pointer, and by the arrow keys for those who come by keyboard.
(function () {
  const { element } = report;
  const NEAR = 14;

  function start(drawing) {
    const svg = drawing.querySelector("svg[data-marks]");
    if (!svg) return;
    const marks = JSON.parse(svg.dataset.marks);
    const tip = element("div", "tip"), frame = document.createElementNS(svg.namespaceURI, "rect");
    tip.setAttribute("role", "status");
    tip.hidden = true;
    frame.setAttribute("class", "frame");
    frame.setAttribute("visibility", "hidden");
    svg.append(frame);
    drawing.append(tip);
    drawing.tabIndex = 0;
    drawing.setAttribute("role", "application");
    drawing.setAttribute("aria-label", drawing.dataset.title + ". Arrow keys go from value to value.");
    let at = -1;

    function hide() {
      at = -1;
      tip.hidden = true;
      frame.setAttribute("visibility", "hidden");
    }
    function show(next) {
      at = next;
      const [x, y, width, height, text] = marks[at];
      for (const [name, value] of Object.entries({ x, y, width, height })) frame.setAttribute(name, value);
      frame.setAttribute("visibility", "visible");
      tip.hidden = false;
      tip.textContent = text;
      tip.dir = "auto";
      // Above the mark where there is room, else below; never beyond the drawing.
      const box = frame.getBoundingClientRect(), outer = drawing.getBoundingClientRect();
      const left = box.left + box.width / 2 - outer.left - tip.offsetWidth / 2;
      tip.style.left = Math.max(0, Math.min(outer.width - tip.offsetWidth, left)) + "px";
      const above = box.top - outer.top - tip.offsetHeight - 6;
      tip.style.top = (above >= 0 ? above : box.bottom - outer.top + 6) + "px";
    }
    // The smallest mark under the pointer, else the nearest within reach.
    function found(event) {
      const matrix = svg.getScreenCTM();
      if (!matrix) return -1;
      const { x, y } = new DOMPoint(event.clientX, event.clientY).matrixTransform(matrix.inverse());
      let best = -1, least = Infinity;
      marks.forEach(([left, top, width, height], i) => {
        const dx = Math.max(left - x, 0, x - left - width), dy = Math.max(top - y, 0, y - top - height);
        const away = Math.hypot(dx, dy);
        // What is under the pointer counts before what is near, and the small before the large.
        const rank = away === 0 ? width * height * 1e-9 : away;
        if (away <= NEAR && rank < least) { least = rank; best = i; }
      });
      return best;
    }
    drawing.addEventListener("pointermove", (event) => {
      const next = found(event);
      if (next < 0) hide(); else if (next !== at) show(next);
    });
    drawing.addEventListener("pointerdown", (event) => {
      const next = found(event);
      if (next >= 0) show(next);
    });
    drawing.addEventListener("pointerleave", hide);
    drawing.addEventListener("blur", hide);
    drawing.addEventListener("keydown", (event) => {
      const last = marks.length - 1;
      const to = {
        ArrowRight: Math.min(last, at + 1), ArrowDown: Math.min(last, at + 1),
        ArrowLeft: Math.max(0, at - 1), ArrowUp: Math.max(0, at - 1), Home: 0, End: last,
      }[event.key];
      if (event.key === "Escape") hide(); else if (to !== undefined) show(to); else return;
      event.preventDefault();
    });
  }
  document.querySelectorAll(".drawing").forEach(start);
})();
