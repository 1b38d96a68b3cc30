"use strict";
// Patches of the baseline: a click on the map shows the row of the patch, a number in a table shows it on the map.
(function () {
  const holder = document.getElementById("patch-data");
  if (!holder || !report.map) return;
  const data = Object.assign(JSON.parse(holder.textContent), { id: "patch numbers" });
  const { element, words, map } = report;
  const at = (id) => document.getElementById(id);
  const pane = L.svg({ pane: "mark" });
  let chosen = 0, outlines = [], wanted = null;

  function bytes(then) {
    return report.pixels(data, then);
  }
  const number = (found, spot) => found[spot * 4] * 65536 + found[spot * 4 + 1] * 256 + found[spot * 4 + 2];
  report.patch_at = (place) => {
    const found = bytes(report.tell), spot = report.pixel(data, place);
    return found && spot >= 0 ? number(found, spot) : 0;
  };

  // Rows and columns the patch reaches over, and the sides of its pixels that face others, joined to straight lines.
  function outline(found, patch) {
    const { width, height, pixel_m } = data;
    const inside = (row, col) => row >= 0 && col >= 0 && row < height && col < width && number(found, row * width + col) === patch;
    let top = height, bottom = -1, left = width, right = -1;
    for (let row = 0; row < height; row += 1) {
      for (let col = 0; col < width; col += 1) {
        if (number(found, row * width + col) !== patch) continue;
        if (row < top) top = row;
        if (row > bottom) bottom = row;
        if (col < left) left = col;
        if (col > right) right = col;
      }
    }
    if (bottom < 0) return null;
    const place = (row, col) => [report.north_south_m - row * pixel_m, col * pixel_m];
    const lines = [];
    const along = (from, to, differs, line) => {
      let start = -1;
      for (let step = from; step <= to + 1; step += 1) {
        const here = step <= to && differs(step);
        if (here && start < 0) start = step;
        if (!here && start >= 0) { lines.push(line(start, step)); start = -1; }
      }
    };
    for (let row = top; row <= bottom + 1; row += 1) {
      along(left, right, (col) => inside(row - 1, col) !== inside(row, col), (a, b) => [place(row, a), place(row, b)]);
    }
    for (let col = left; col <= right + 1; col += 1) {
      along(top, bottom, (row) => inside(row, col - 1) !== inside(row, col), (a, b) => [place(a, col), place(b, col)]);
    }
    return { lines, bounds: [place(bottom + 1, left), place(top, right + 1)] };
  }

  function card(patch) {
    const box = at("patch-card"), list = at("patch-row"), cells = data.rows[patch];
    box.hidden = false;
    at("patch-title").textContent = patch ? "Patch " + patch + " of the baseline" : "No patch here";
    list.replaceChildren();
    at("patch-note").textContent = "";
    at("patch-more").hidden = true;
    if (!patch) {
      at("patch-note").textContent = "No habitat of the baseline lies here, or too little of it for a patch.";
      return;
    }
    if (!cells) {
      const known = Object.keys(data.rows).length;
      at("patch-note").textContent = known && (patch > known || patch < 1 || !Number.isInteger(patch))
        ? "There is no such patch; numbers run from 1 to " + known + "." : "Its row is in tables/" + data.table + ".csv.";
      return;
    }
    data.columns.forEach((column, i) => {
      const pair = element("div"), value = element("dd");
      const name = element("dt", "", column.label);
      name.title = column.description;
      value.append(cells[i] === "" ? "none" : words(cells[i]));
      pair.append(name, value);
      list.append(pair);
    });
    at("patch-more").hidden = !at("patch-" + patch);
    if (at("patch-more").hidden) at("patch-note").textContent = "Its row is in tables/" + data.table + ".csv.";
    at("patch-more").dataset.patch = patch;
  }

  function pick(patch, move) {
    for (const line of outlines) line.remove();
    outlines = [];
    chosen = patch;
    at("map-patch").value = patch || "";
    for (const row of document.querySelectorAll("tr.chosen")) row.classList.remove("chosen");
    const own = at("patch-" + patch);
    if (own) own.classList.add("chosen");
    card(patch);
    if (!patch) return;
    const found = bytes(() => { if (wanted) pick(...wanted); });
    wanted = found ? null : [patch, move];
    const shape = found && outline(found, patch);
    if (!shape) return;
    for (const style of [{ color: "#ffffff", weight: 5 }, { color: "#1f2b2a", weight: 2 }]) {
      outlines.push(L.polyline(shape.lines, { ...style, renderer: pane, interactive: false, smoothFactor: 0, noClip: true }).addTo(map));
    }
    if (move) {
      const least = map.getMinZoom();
      map.fitBounds(shape.bounds, { animate: false, padding: [60, 60], maxZoom: least + 3.5 });
    }
  }
  report.pick_at = (place) => {
    const found = bytes(() => report.pick_at(place));
    if (found) pick(report.patch_at(place), false);
  };

  document.addEventListener("click", (event) => {
    const link = event.target.closest("a.to-map");
    if (!link) return;
    event.preventDefault();
    pick(Number(link.dataset.patch), true);
    at("map-view").scrollIntoView({ block: "center" });
    at("map-view").focus({ preventScroll: true });
  });
  at("patch-more").addEventListener("click", (event) => {
    const row = at("patch-" + event.currentTarget.dataset.patch);
    if (!row) return;
    event.preventDefault();
    row.closest("details.table").open = true;
    row.scrollIntoView({ block: "center" });
    row.querySelector("a.to-map").focus({ preventScroll: true });
  });
  at("patch-close").addEventListener("click", () => {
    pick(0, false);
    at("patch-card").hidden = true;
    at("map-view").focus({ preventScroll: true });
  });
  const by_number = () => { if (at("map-patch").value) pick(Number(at("map-patch").value), true); };
  at("map-controls").addEventListener("submit", by_number);
  at("map-patch").addEventListener("change", by_number);
})();
