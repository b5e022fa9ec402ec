// Draws the map from the data of the page. Text of the user goes in as text, never as markup.
(function () {
  "use strict";
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const [width, height] = data.size_m;
  const NO_VALUE = 65535;
  const LONGEST_VALUE = 32; // letters; more stand below their name
  const MOST_ELEMENTS = 2000; // of a layer; more are drawn as a picture
  const noMotion = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  const LEAST_HEIGHT = 340;
  const frame = document.getElementById("map");
  const scales = { metric: data.units !== "us", imperial: data.units !== "si" };
  const SCALE_LINE = 24; // height of one scale bar
  const underneath = 12 + SCALE_LINE * (scales.metric + scales.imperial); // the site ends above
  const across = 1.08 * frame.clientWidth * (height / width);
  const needed = Math.max(LEAST_HEIGHT, across + underneath);
  if (needed < frame.clientHeight) frame.style.height = needed + "px"; // no empty bands
  const map = L.map(frame, {
    crs: L.CRS.Simple,
    attributionControl: false,
    zoomControl: false,
    zoomSnap: 0.1,
    zoomDelta: 0.5,
    maxZoom: 6.5,
    minZoom: -8,
    zoomAnimation: !noMotion,
    fadeAnimation: !noMotion,
  });
  if (noMotion) map.panBy = (offset) => L.Map.prototype.panBy.call(map, offset, { animate: false });
  const whole = [[0, 0], [height, width]];
  map.fitBounds(whole, { paddingBottomRight: [0, underneath] });
  map.setMinZoom(map.getZoom() - 1);
  map.setMaxBounds(L.latLngBounds(whole).pad(0.6));
  L.control.zoom({ position: "bottomright" }).addTo(map); // out of the way of what is told
  const dotRadius = map.getSize().x < 600 ? 2.5 : 4;
  L.control.scale({ ...scales, maxWidth: 140 }).addTo(map);

  let variant = 0; // which of several the map shows the ground under
  const isOfVariant = (number) => number < 0 || number === variant;

  // --- surfaces: one at a time ---

  const surfaces = data.rasters.map(function (raster) {
    const right = raster.left_m + raster.cols * raster.cell_m;
    const bottom = raster.top_m - raster.rows * raster.cell_m;
    return L.imageOverlay(raster.picture, [[bottom, raster.left_m], [raster.top_m, right]], {
      alt: "",
    });
  });
  let choice = -1; // of the colours
  let shown = -1; // the surface of that choice and variant

  function showSurface(number) {
    choice = number;
    if (surfaces[shown]) surfaces[shown].remove();
    shown = data.rasters.findIndex((one) => one.choice === choice && isOfVariant(one.variant));
    if (surfaces[shown]) surfaces[shown].addTo(map).bringToBack();
    if (data.rasters[shown]) unpack(data.rasters[shown]);
    showLegends();
  }

  async function unpack(raster) {
    if (raster.steps || typeof DecompressionStream === "undefined") return;
    const bytes = Uint8Array.from(atob(raster.deflated), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const view = new DataView(await new Response(stream).arrayBuffer());
    raster.steps = (cell) => view.getUint16(2 * cell, true);
  }

  function valueAt(raster, x, y) {
    const col = Math.floor((x - raster.left_m) / raster.cell_m);
    const row = Math.floor((raster.top_m - y) / raster.cell_m);
    if (!raster.steps || row < 0 || col < 0 || row >= raster.rows || col >= raster.cols) return "";
    const step = raster.steps(row * raster.cols + col);
    if (step === NO_VALUE) return "";
    const value = step / 10 ** raster.decimals;
    const word = raster.words.find((one) => value > one.over && value <= one.upto);
    if (word) return word.label;
    return value.toFixed(Math.max(0, Math.min(raster.decimals, 2))) + " " + raster.unit;
  }

  // --- places ---

  function element(tag, text) {
    const made = document.createElement(tag);
    made.textContent = text;
    return made;
  }

  const textOf = (column, row) => column.texts[column.rows ? column.rows[row] : row];

  function told(layer, row, most) {
    const box = document.createElement("div");
    box.append(element("strong", layer.names[row]));
    const facts = layer.facts.map(([name, column]) => [name, textOf(column, row)]);
    const list = document.createElement("dl");
    for (const [name, value] of facts.filter(([, value]) => value).slice(0, most)) {
      const pair = [element("dt", name), element("dd", value)];
      if (value.length > LONGEST_VALUE) pair.forEach((part) => part.classList.add("sentence"));
      list.append(...pair);
    }
    if (list.children.length) box.append(list);
    return box;
  }

  // A ring holds its first corner, then the steps from corner to corner.
  function corners(ring, step) {
    const found = [];
    let [x, y] = [0, 0];
    for (let n = 0; n < ring.length; n += 2) {
      x += ring[n];
      y += ring[n + 1];
      found.push([y * step, x * step]);
    }
    return found;
  }

  function drawn(layer, row) {
    const own = textOf(layer.colours, row);
    const colour = own || layer.colour;
    const at = layer.at[row];
    if (layer.drawn_as === "dot" || layer.drawn_as === "ring") {
      const isDot = layer.drawn_as === "dot";
      return L.circleMarker([at[1] * layer.step_m, at[0] * layer.step_m], {
        radius: isDot ? dotRadius : dotRadius + 3,
        color: isDot ? "#ffffff" : colour,
        weight: isDot ? 1 : 3,
        fillColor: isDot ? colour : "#ffffff",
        fillOpacity: isDot ? 1 : 0.35,
      });
    }
    const isArea = layer.drawn_as === "area";
    return L.polygon(at.map((rings) => rings.map((ring) => corners(ring, layer.step_m))), {
      color: isArea && own ? layer.colour : colour,
      weight: isArea ? 1 : 2,
      dashArray: layer.drawn_as === "dashed_outline" ? "5 4" : null,
      fillColor: colour,
      fillOpacity: own ? 1 : isArea ? 0.9 : 0,
    });
  }

  const groups = data.layers.map(function (layer, number) {
    const pane = map.createPane("layer-" + number);
    pane.style.zIndex = String(401 + number);
    // A picture takes the pointer from all below it, so that only the lowest layer may be one.
    const isPicture = number === 0 && layer.names.length > MOST_ELEMENTS;
    const renderer = (isPicture ? L.canvas : L.svg)({ pane: "layer-" + number });
    const shapes = layer.names.map(function (name, row) {
      if (!layer.at[row].length) return null;
      const shape = drawn(layer, row);
      shape.options.pane = "layer-" + number;
      shape.options.renderer = renderer;
      shape.bindTooltip(() => told(layer, row, layer.hovered), { sticky: true });
      shape.bindPopup(() => told(layer, row), { autoPan: true, maxWidth: 280 });
      shape.on("tooltipopen", () => shape.isPopupOpen() && shape.closeTooltip());
      return shape;
    });
    return { shapes: shapes, group: L.layerGroup(), isShown: false };
  });

  let hovered = null; // what is told on pointing; a press tells more in its stead
  map.on("tooltipopen", (event) => { hovered = event.tooltip; });
  map.on("popupopen", () => { if (hovered) map.closeTooltip(hovered); });

  // A layer has a box of its own, or is one of the colours, of which there is one at a time.
  const boxes = document.querySelectorAll("input[name=map-layer]");
  const colours = document.querySelectorAll("input[name=map-raster]");
  const switches = [];
  for (const one of [...boxes, ...colours]) {
    if (one.dataset.layer) switches[Number(one.dataset.layer)] = one;
  }
  function showLayer(number, isShown) {
    const { shapes, group } = groups[number];
    const variants = data.layers[number].variants;
    switches[number].checked = isShown;
    groups[number].isShown = isShown;
    group.remove();
    group.clearLayers();
    if (isShown) {
      shapes.forEach((shape, row) => {
        if (shape && (!variants || isOfVariant(variants[row]))) group.addLayer(shape);
      });
      group.addTo(map);
    }
    showLegends();
  }

  function showColour(chosen) {
    for (const one of colours) {
      if (one.dataset.layer && one !== chosen) showLayer(Number(one.dataset.layer), false);
    }
    showSurface(Number(chosen.value));
    if (chosen.dataset.layer) showLayer(Number(chosen.dataset.layer), true);
    chosen.checked = true;
  }

  function showLegends() {
    const numbers = (text) => (text ? text.split(" ").map(Number) : []);
    for (const legend of document.querySelectorAll(".legend")) {
      const { rasters, layers } = legend.dataset;
      legend.hidden =
        !(numbers(rasters).includes(choice) && shown >= 0) &&
        !numbers(layers).some((number) => groups[number].isShown);
    }
  }

  const variantChoices = document.querySelectorAll("input[name=map-variant]");
  function showVariant(number) {
    variant = number;
    variantChoices[number].checked = true;
    showSurface(choice);
    data.layers.forEach(function (layer, layerNumber) {
      if (layer.variants && groups[layerNumber].isShown) showLayer(layerNumber, true);
    });
  }

  for (const button of document.querySelectorAll("button.to-place")) {
    button.addEventListener("click", function () {
      const number = Number(button.dataset.layer);
      const row = Number(button.dataset.place);
      const shape = groups[number].shapes[row];
      const variants = data.layers[number].variants;
      if (variants && !isOfVariant(variants[row])) showVariant(variants[row]);
      if (switches[number].type === "radio") showColour(switches[number]);
      else showLayer(number, true);
      const bounds = shape.getBounds ? shape.getBounds() : L.latLngBounds([shape.getLatLng()]);
      map.fitBounds(bounds.pad(0.5), { maxZoom: 4, animate: false });
      shape.openPopup(bounds.getCenter());
      document.getElementById("site").scrollIntoView({ behavior: noMotion ? "auto" : "smooth" });
      frame.focus({ preventScroll: true });
      const under = variants ? variantChoices[variant].parentNode.textContent + ", " : "";
      document.getElementById("announcement").textContent =
        "The map shows " + under + shape.getPopup().getContent()(shape).textContent + ".";
    });
  }

  // --- switches and reading off ---

  for (const one of variantChoices) {
    one.addEventListener("change", () => showVariant(Number(one.value)));
    if (one.checked) variant = Number(one.value); // a page that is gone back to keeps its choices
  }
  const first = [...colours].find((one) => one.checked); // before others are switched off
  for (const one of colours) one.addEventListener("change", () => showColour(one));
  if (first) showColour(first);
  for (const box of boxes) {
    box.addEventListener("change", () => showLayer(Number(box.value), box.checked));
    showLayer(Number(box.value), box.checked);
  }

  const readOff = document.getElementById("read-off");
  map.on("mousemove", function (event) {
    const { lng: x, lat: y } = event.latlng;
    const [across, up] = data.axes;
    const east = ((data.origin_m[0] + x) / data.metres_per_unit).toFixed(1);
    const north = ((data.origin_m[1] + y) / data.metres_per_unit).toFixed(1);
    const raster = data.rasters[shown];
    const value = raster ? valueAt(raster, x, y) : "";
    readOff.textContent =
      across + " " + east + ", " + up + " " + north +
      (value ? ": " + raster.title + " " + value : "");
  });
})();
