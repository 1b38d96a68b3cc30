"use strict";
// Maps for paper: suitability of the baseline and what changes in every scenario, each with its legend. The screen does not show them.
(function () {
  const holder = document.getElementById("plates");
  const { element, words } = report;
  const layers = report.map_layers;
  const first = layers.find((layer) => layer.group === "Suitability") || layers[0];
  const plates = [first, ...layers.filter((layer) => layer.group === "Change" && layer !== first)];
  plates.forEach((layer, i) => {
    const figure = element("figure", "plate"), frame = element("div", "plate-frame");
    const image = element("img");
    image.src = layer.picture;
    image.alt = layer.title + ". " + layer.caption;
    const scale = element("div", "scale");
    scale.append(element("span"), element("div"));
    report.scale_bar(scale, report.ground_width_m / 4, (length) => length / report.ground_width_m * 100 + "cqw");
    frame.append(image, scale, element("span", "up", "N \u2191"));
    const caption = element("figcaption", "", "Figure " + holder.dataset.number + String.fromCharCode(97 + i % 26) + ". ");
    caption.append(words(layer.title), ". ", words(layer.caption), ".");
    figure.append(frame, caption);
    const next = plates[i + 1];
    if (!next || next.group !== layer.group) {
      const legend = element("div", "legend");
      report.legend(layer, legend);
      figure.append(legend);
    }
    holder.append(figure);
  });
  holder.append(element("p", "small", "All other maps are on the screen and in the folder \"rasters\" of the run."));
})();
