"use strict";
// The map: choice of layer and scenario, legend, opacity, zoom and movement, scale bar, readout.
(function () {
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const at = (id) => document.getElementById("map-" + id);
  const view = at("view"), stage = at("stage"), picture = at("picture"), below = at("below");
  const groups = [...new Set(data.layers.map((layer) => layer.group))];
  let members = [], current = data.layers[0];
  let zoom = 1, left = 0, top = 0, fit = { width: 1, height: 1 };

  function option(select, text, value) {
    const entry = document.createElement("option");
    entry.textContent = text;
    entry.value = value;
    select.append(entry);
  }
  const element = (name, className, text) => {
    const made = document.createElement(name);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  };

  function legend(layer) {
    const box = at("legend");
    box.replaceChildren(element("b", "", layer.unit ? layer.group + " (" + layer.unit + ")" : layer.group));
    const list = element("ul");
    const row = (colour, name) => {
      const item = element("li"), swatch = element("span", colour ? "swatch" : "swatch gap");
      if (colour) swatch.style.background = colour;
      item.append(swatch, name);
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
    box.append(list);
  }

  function show(layer) {
    current = layer;
    picture.src = layer.picture;
    picture.width = layer.width;
    picture.height = layer.height;
    picture.alt = layer.title + ". " + layer.caption;
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
    legend(layer);
    place_stage();
  }

  function choose(group) {
    const scenario = current.scenario;
    members = data.layers.filter((layer) => layer.group === group);
    show(members.find((layer) => layer.scenario === scenario) || members[0]);
  }

  // The widest round length of at most `most` metres; `width` turns metres into a CSS width.
  function scale_bar(most, width) {
    if (!(most > 0)) return;
    const power = 10 ** Math.floor(Math.log10(most));
    const length = [5, 2, 1].map((step) => step * power).find((step) => step <= most * 1.0001) || power;
    at("scale").querySelector("span").textContent = length >= 1000 ? length / 1000 + " km" : length + " m";
    at("scale").querySelector("div").style.width = width(length);
  }

  function place_stage() {
    const ratio = current.height / current.width, wide = view.clientWidth;
    const high = Math.max(240, Math.min(wide * ratio, 640, window.innerHeight * 0.8));
    view.style.height = high + "px";
    fit.width = Math.min(wide, high / ratio);
    fit.height = fit.width * ratio;
    stage.style.width = fit.width + "px";
    // Keep the map in sight: centred where it is smaller than its frame, else edge to edge at most.
    const inside = (offset, size, frame) =>
      size <= frame ? (frame - size) / 2 : Math.min(0, Math.max(frame - size, offset));
    left = inside(left, fit.width * zoom, wide);
    top = inside(top, fit.height * zoom, high);
    stage.style.transform = "translate(" + left + "px, " + top + "px) scale(" + zoom + ")";
    view.style.touchAction = zoom > 1 ? "none" : "pan-y";
    at("out").disabled = zoom <= 1;
    const perPixel = data.ground_width_m / (fit.width * zoom);
    scale_bar(perPixel * Math.min(wide / 3, 200), (length) => length / perPixel + "px");
  }

  function zoom_by(factor, x = view.clientWidth / 2, y = view.clientHeight / 2) {
    const next = Math.max(1, Math.min(32, zoom * factor));
    left = x - (x - left) * (next / zoom);
    top = y - (y - top) * (next / zoom);
    zoom = next;
    place_stage();
  }
  function move_by(dx, dy) { left += dx; top += dy; place_stage(); }
  function show_all() { zoom = 1; left = 0; top = 0; place_stage(); }

  // Values are read from the picture itself: its colours are the legend's.
  const canvas = document.createElement("canvas");
  let drawn = null;
  function readout(event) {
    const frame = stage.getBoundingClientRect();
    const x = Math.floor((event.clientX - frame.left) / frame.width * current.width);
    const y = Math.floor((event.clientY - frame.top) / frame.height * current.height);
    const out = at("readout");
    if (x < 0 || y < 0 || x >= current.width || y >= current.height || !picture.complete) { out.textContent = ""; return; }
    const context = canvas.getContext("2d", { willReadFrequently: true });
    if (drawn !== current.id) {
      canvas.width = current.width;
      canvas.height = current.height;
      context.drawImage(picture, 0, 0, current.width, current.height);
      drawn = current.id;
    }
    const [r, g, b, a] = context.getImageData(x, y, 1, 1).data;
    const colour = "#" + [r, g, b].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    if (a === 0) { out.textContent = "Here: not assessed or no data"; return; }
    if (current.ramp) {
      const colours = data.ramps[current.ramp.name], step = colours.indexOf(colour);
      const value = current.ramp.min + step / (colours.length - 1) * (current.ramp.max - current.ramp.min);
      out.textContent = step < 0 ? "" : "Here: about " + Number(value.toPrecision(2)) + (current.unit ? " " + current.unit : "");
    } else {
      const found = current.classes.find((entry) => entry.colour === colour);
      out.textContent = found ? "Here: " + found.name : "";
    }
  }

  for (const group of groups) option(at("group"), group, group);
  option(at("under"), "Nothing", "");
  for (const layer of data.layers) option(at("under"), layer.title, layer.id);
  at("group").addEventListener("change", () => choose(at("group").value));
  at("scenario").addEventListener("input", () => show(members[Number(at("scenario").value)]));
  at("back").addEventListener("click", () => show(members[members.indexOf(current) - 1]));
  at("on").addEventListener("click", () => show(members[members.indexOf(current) + 1]));
  at("opacity").addEventListener("input", () => { picture.style.opacity = at("opacity").value / 100; });
  at("under").addEventListener("change", () => {
    const layer = data.layers.find((entry) => entry.id === at("under").value);
    below.hidden = !layer;
    if (layer) below.src = layer.picture;
  });
  at("in").addEventListener("click", () => zoom_by(1.6));
  at("out").addEventListener("click", () => zoom_by(1 / 1.6));
  at("all").addEventListener("click", show_all);
  at("controls").addEventListener("submit", (event) => event.preventDefault());
  view.addEventListener("dblclick", (event) => {
    if (event.target.closest("button")) return;
    const frame = view.getBoundingClientRect();
    zoom_by(2, event.clientX - frame.left, event.clientY - frame.top);
  });
  view.addEventListener("keydown", (event) => {
    if (event.target !== view || event.ctrlKey || event.metaKey || event.altKey) return;
    const moves = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };
    if (moves[event.key]) move_by(...moves[event.key]);
    else if (event.key === "+" || event.key === "=") zoom_by(1.6);
    else if (event.key === "-") zoom_by(1 / 1.6);
    else if (event.key === "0") show_all();
    else return;
    event.preventDefault();
  });
  let held = null;
  view.addEventListener("pointerdown", (event) => {
    if (event.target.closest("button") || event.button !== 0) return;
    held = [event.clientX, event.clientY];
    view.setPointerCapture(event.pointerId);
    view.classList.add("moving");
  });
  view.addEventListener("pointermove", (event) => {
    if (held) {
      move_by(event.clientX - held[0], event.clientY - held[1]);
      held = [event.clientX, event.clientY];
    }
    readout(event);
  });
  for (const name of ["pointerup", "pointercancel"]) {
    view.addEventListener(name, () => { held = null; view.classList.remove("moving"); });
  }
  window.addEventListener("resize", place_stage);
  // On paper the whole map is as wide as its frame, whatever the screen shows (see print.css).
  window.addEventListener("beforeprint", () =>
    scale_bar(data.ground_width_m / 4, (length) => length / data.ground_width_m * 100 + "cqw"));
  window.addEventListener("afterprint", place_stage);
  choose(current.group);
})();
