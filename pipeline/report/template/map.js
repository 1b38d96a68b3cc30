"use strict";
// The map: choice of layer and scenario, swipe, opacity, legend, zoom, scale bar, coordinates and values.
(function () {
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const at = (id) => document.getElementById("map-" + id);
  const view = at("view");
  const { element, words } = report;
  const [west, south, east, north] = data.bounds;
  // The map's own coordinates are metres from the lower left corner of the grid: [up, right].
  const ground = [[0, 0], [north - south, east - west]];
  const bounds_of = (picture) => [
    [north - south - picture.height * picture.pixel_m, 0],
    [north - south, picture.width * picture.pixel_m],
  ];
  const groups = [...new Set(data.layers.map((layer) => layer.group))];
  let members = [], current = data.layers[0], compared = null;

  view.replaceChildren();
  const map = L.map(view, {
    crs: L.CRS.Simple, attributionControl: false, zoomControl: false, zoomSnap: 0, zoomDelta: 0.7,
    minZoom: -30, zoomAnimation: false, fadeAnimation: false, inertia: false, scrollWheelZoom: false,
    maxBoundsViscosity: 1, keyboardPanDelta: 60, wheelPxPerZoomLevel: 90,
  });
  map.setView([(north - south) / 2, (east - west) / 2], 0);
  for (const [name, order] of [["ground", 300], ["beneath", 350], ["left", 420], ["mark", 450]]) {
    map.createPane(name).style.zIndex = order;
    map.getPane(name).style.pointerEvents = "none";
  }
  const overlay = (pane, className) =>
    L.imageOverlay("data:,", ground, { pane, className, alt: "" });
  // A transparent pixel on a hatched ground: what no layer covers has no data.
  overlay("ground", "ground").setUrl("data:image/gif;base64,R0lGODlhAQABAIAAAAAAAP///yH5BAEAAAAALAAAAAABAAEAAAIBRAA7").addTo(map);
  const beneath = overlay("beneath", "cells"), left = overlay("left", "cells");
  const picture = overlay("overlayPane", "cells").addTo(map);
  function put(overlaid, layer) {
    overlaid.setBounds(bounds_of(layer));
    overlaid.setUrl(layer.picture);
    if (!map.hasLayer(overlaid)) overlaid.addTo(map);
    overlaid.getElement().alt = layer.title + ". " + layer.caption;
  }

  function option(select, text, value) {
    const entry = element("option", "", text);
    entry.value = value;
    entry.dir = "auto";
    select.append(entry);
  }

  // The legend of a layer; also used on paper.
  function legend(layer, box) {
    const heading = element("b");
    heading.append(words(layer.group), layer.unit ? " (" + layer.unit + ")" : "");
    box.replaceChildren(heading);
    const list = element("ul");
    const row = (colour, name) => {
      const item = element("li"), swatch = element("span", colour ? "swatch" : "swatch gap");
      if (colour) swatch.style.background = colour;
      item.append(swatch, words(name));
      list.append(item);
    };
    if (layer.ramp) {
      const bar = element("div", "gradient"), ends = element("div", "ends");
      bar.style.background = "linear-gradient(to right, " + layer.ramp.stops.join(", ") + ")";
      ends.append(...layer.ramp.labels.map((label) => element("span", "", label)));
      box.append(bar, ends);
    }
    for (const entry of layer.classes) row(entry.colour, entry.name);
    if (layer.gaps) row(null, "Not assessed or no data");
    if (list.children.length) box.append(list);
  }
  report.legend = legend;

  function show(layer) {
    current = layer;
    put(picture, layer);
    at("title").textContent = layer.title;
    at("caption").textContent = layer.caption;
    const place = members.indexOf(layer);
    at("step").hidden = members.length < 2;
    at("scenario").max = members.length - 1;
    at("scenario").value = place;
    at("scenario").setAttribute("aria-valuetext", layer.scenario || layer.title);
    at("scenario-name").textContent = layer.scenario || layer.title;
    at("back").disabled = place <= 0;
    at("on").disabled = place >= members.length - 1;
    legend(layer, at("legend"));
    offer();
    compare(members.find((other) => other !== layer && compared && other.scenario === compared.scenario) || null);
    tell();
  }

  function choose(group) {
    const scenario = current.scenario;
    members = data.layers.filter((layer) => layer.group === group);
    show(members.find((layer) => layer.scenario === scenario) || members[0]);
  }

  // Swipe: the layer compared with lies left of the divider, the layer chosen right of it.
  function offer() {
    const select = at("compare");
    select.replaceChildren();
    option(select, "Nothing", "");
    for (const layer of members) if (layer !== current) option(select, layer.scenario || layer.title, layer.id);
    at("compare-control").hidden = members.length < 2;
  }
  function compare(layer) {
    compared = layer;
    at("compare").value = layer ? layer.id : "";
    for (const name of ["swipe-control", "divider", "side-left", "side-right"]) at(name).hidden = !layer;
    if (layer) {
      put(left, layer);
      at("side-left").textContent = layer.scenario || layer.title;
      at("side-right").textContent = current.scenario || current.title;
    } else {
      left.remove();
    }
    clip();
  }
  function clip() {
    const size = map.getSize(), corner = map.containerPointToLayerPoint([0, 0]);
    const across = size.x * at("swipe").value / 100, x = corner.x + across;
    const box = (from, to) => compared ? "polygon(" + [[from, 0], [to, 0], [to, size.y], [from, size.y]]
      .map(([along, down]) => along + "px " + (corner.y + down) + "px").join(", ") + ")" : "";
    map.getPane("left").style.clipPath = box(corner.x, x);
    map.getPane("overlayPane").style.clipPath = box(x, corner.x + size.x);
    at("divider").style.left = across + "px";
    at("side-left").style.maxWidth = Math.max(0, across - 24) + "px";
    at("side-right").style.maxWidth = Math.max(0, size.x - across - 24) + "px";
    const shown = (layer) => layer.scenario || layer.title;
    if (compared) {
      at("swipe").setAttribute("aria-valuetext",
        at("swipe").value + " % of the width: " + shown(compared) + "; the rest: " + shown(current));
    }
  }

  // The longest round length of at most `most` metres; `width` turns metres into a CSS width.
  function scale_bar(box, most, width) {
    if (!(most > 0)) return;
    const power = 10 ** Math.floor(Math.log10(most));
    const length = [5, 2, 1].map((step) => step * power).find((step) => step <= most * 1.0001) || power;
    box.querySelector("span").textContent = length >= 1000 ? length / 1000 + " km" : length + " m";
    box.querySelector("div").style.width = width(length);
  }
  report.scale_bar = scale_bar;
  report.ground_width_m = east - west;

  function fit() {
    const ratio = (north - south) / (east - west), wide = view.clientWidth;
    if (!wide) return;
    view.style.height = Math.max(240, Math.min(wide * ratio, 640, window.innerHeight * 0.8)) + "px";
    map.invalidateSize({ animate: false });
    map.setMaxBounds(null);
    const least = map.getBoundsZoom(ground);
    map.setMinZoom(least);
    map.setMaxZoom(least + 6);
    map.fitBounds(ground, { animate: false });
    map.setMaxBounds(ground);
    placed();
  }
  function placed() {
    const per_pixel = 1 / map.options.crs.scale(map.getZoom());
    scale_bar(at("scale"), per_pixel * Math.min(map.getSize().x / 3, 200), (length) => length / per_pixel + "px");
    const whole = map.getZoom() <= map.getMinZoom() + 1e-6;
    at("out").disabled = whole;
    // At full view there is nothing to drag, and a finger scrolls the page.
    if (whole) map.dragging.disable(); else map.dragging.enable();
    clip();
  }

  // Values are read from the pictures themselves: their colours are the legend's.
  const read = new Map(), waiting = new Map();
  function pixels(layer, then) {
    const key = layer.id;
    if (read.has(key)) return read.get(key);
    if (waiting.has(key)) { waiting.get(key).add(then); return null; }
    waiting.set(key, new Set([then]));
    if (read.size > 3) read.delete(read.keys().next().value);
    const image = new Image();
    image.src = layer.picture;
    image.decode().then(() => {
      const canvas = element("canvas");
      canvas.width = layer.width;
      canvas.height = layer.height;
      const context = canvas.getContext("2d", { willReadFrequently: true });
      context.drawImage(image, 0, 0, layer.width, layer.height);
      read.set(key, context.getImageData(0, 0, layer.width, layer.height).data);
      const told = waiting.get(key);
      waiting.delete(key);
      for (const one of told) one();
    });
    return null;
  }
  report.pixels = pixels;
  function pixel(picture, place) {
    const col = Math.floor(place.lng / picture.pixel_m), row = Math.floor((north - south - place.lat) / picture.pixel_m);
    return col >= 0 && row >= 0 && col < picture.width && row < picture.height ? row * picture.width + col : -1;
  }
  report.pixel = pixel;
  function value(layer, place) {
    const spot = pixel(layer, place), bytes = pixels(layer, tell);
    if (spot < 0 || !bytes) return "";
    const [r, g, b, a] = bytes.subarray(spot * 4, spot * 4 + 4);
    if (a === 0) return "not assessed or no data";
    const colour = "#" + [r, g, b].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    if (layer.ramp) {
      const colours = data.ramps[layer.ramp.name], step = colours.indexOf(colour);
      const found = layer.ramp.min + step / (colours.length - 1) * (layer.ramp.max - layer.ramp.min);
      return step < 0 ? "" : "about " + Number(found.toPrecision(2)) + (layer.unit ? " " + layer.unit : "");
    }
    const found = layer.classes.find((entry) => entry.colour === colour);
    return found ? found.name : "";
  }
  // Latitude and longitude between the four nearest points of the mesh.
  function degrees(place) {
    const mesh = data.places;
    if (!mesh) return "";
    const x = place.lng / (east - west) * (mesh.columns - 1), y = (1 - place.lat / (north - south)) * (mesh.rows - 1);
    const col = Math.min(mesh.columns - 2, Math.max(0, Math.floor(x)));
    const row = Math.min(mesh.rows - 2, Math.max(0, Math.floor(y)));
    const [u, v] = [x - col, y - row], of = (r, c) => mesh.degrees[r * mesh.columns + c];
    const [lat, lon] = [0, 1].map((axis) => (1 - v) * ((1 - u) * of(row, col)[axis] + u * of(row, col + 1)[axis])
      + v * ((1 - u) * of(row + 1, col)[axis] + u * of(row + 1, col + 1)[axis]));
    const side = (number, plus, minus) => Math.abs(number).toFixed(4) + "\u00b0 " + (number < 0 ? minus : plus);
    return side(lat, "N", "S") + ", " + side(lon, "E", "W");
  }
  let pointed = null;
  // A system without a short name stands in full under "This run".
  const crs = data.crs.length <= 24 ? " (" + data.crs + ")" : "";
  function tell() {
    const out = at("readout");
    if (!pointed) return;
    const inside = pointed.lat >= 0 && pointed.lng >= 0 && pointed.lat <= north - south && pointed.lng <= east - west;
    if (!inside) { out.replaceChildren(); return; }
    const metres = (number) => Math.round(number).toLocaleString("en") + "\u00a0m";
    const layer = compared && map.latLngToContainerPoint(pointed).x < map.getSize().x * at("swipe").value / 100
      ? compared : current;
    const found = value(layer, pointed), patch = report.patch_at ? report.patch_at(pointed) : 0;
    const line = element("span", "value");
    if (found) line.append(words(layer.title), ": ", words(found), patch ? ". Patch " + patch + " of the baseline." : ".");
    const where = [metres(west + pointed.lng) + " E, " + metres(south + pointed.lat) + " N" + crs, degrees(pointed)];
    out.replaceChildren(line, element("span", "where", where.filter(Boolean).join("; ")));
  }
  report.tell = tell;

  for (const group of groups) option(at("group"), group, group);
  option(at("under"), "Nothing", "");
  for (const layer of data.layers) option(at("under"), layer.title, layer.id);
  at("group").addEventListener("change", () => choose(at("group").value));
  at("scenario").addEventListener("input", () => show(members[Number(at("scenario").value)]));
  at("back").addEventListener("click", () => show(members[members.indexOf(current) - 1]));
  at("on").addEventListener("click", () => show(members[members.indexOf(current) + 1]));
  at("opacity").addEventListener("input", () => {
    for (const overlaid of [picture, left]) overlaid.setOpacity(at("opacity").value / 100);
  });
  at("compare").addEventListener("change", () =>
    compare(members.find((layer) => layer.id === at("compare").value) || null));
  at("swipe").addEventListener("input", clip);
  at("under").addEventListener("change", () => {
    const layer = data.layers.find((entry) => entry.id === at("under").value);
    if (layer) put(beneath, layer); else beneath.remove();
  });
  at("in").addEventListener("click", () => map.zoomIn(0.7));
  at("out").addEventListener("click", () => map.zoomOut(0.7));
  at("all").addEventListener("click", fit);
  at("controls").addEventListener("submit", (event) => event.preventDefault());
  view.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    at("readout").setAttribute("aria-live", "polite");
    if (event.key === "0") fit();
    else if (event.key === "Enter" || event.key === " ") {
      if (report.pick_at) report.pick_at(map.getCenter());
    } else return;
    event.preventDefault();
  });
  // The wheel moves the page until the map is in use.
  view.addEventListener("focus", () => { map.scrollWheelZoom.enable(); pointed = map.getCenter(); tell(); });
  view.addEventListener("blur", () => map.scrollWheelZoom.disable());
  map.on("mousemove", (event) => {
    at("readout").setAttribute("aria-live", "off");
    pointed = event.latlng;
    tell();
  });
  map.on("click", (event) => {
    pointed = event.latlng;
    tell();
    if (report.pick_at) report.pick_at(event.latlng);
  });
  map.on("move zoom viewreset", placed);
  map.on("moveend", () => {
    if (document.activeElement !== view || !view.matches(":focus-visible")) return;
    pointed = map.getCenter();
    tell();
  });
  // The divider is the handle of the slider below the map.
  let held = false;
  const divider = at("divider");
  divider.addEventListener("pointerdown", (event) => { held = true; divider.setPointerCapture(event.pointerId); });
  divider.addEventListener("pointermove", (event) => {
    if (!held) return;
    const frame = view.getBoundingClientRect();
    at("swipe").value = 100 * (event.clientX - frame.left) / frame.width;
    clip();
  });
  for (const name of ["pointerup", "pointercancel"]) divider.addEventListener(name, () => { held = false; });
  // Where only the width changes the map is fitted anew; a telephone that hides its bar changes the height alone.
  let wide = 0;
  window.addEventListener("resize", () => { if (view.clientWidth !== wide) { wide = view.clientWidth; fit(); } });
  report.map = map;
  report.north_south_m = north - south;
  report.map_layers = data.layers;
  choose(current.group);
  wide = view.clientWidth;
  fit();
})();
