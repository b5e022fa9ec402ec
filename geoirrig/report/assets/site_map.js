// Draws the map from the data of the page. Text of the user goes in as text, never as markup.
(function () {
  "use strict";
  const data = JSON.parse(document.getElementById("map-data").textContent);
  const [width, height] = data.size_m;
  const NO_VALUE = 65535;
  const noMotion = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
  const map = L.map("map", {
    crs: L.CRS.Simple,
    attributionControl: false,
    zoomSnap: 0.1,
    zoomDelta: 0.5,
    maxZoom: 6.5,
    minZoom: -8,
    zoomAnimation: !noMotion,
    fadeAnimation: !noMotion,
  });
  const whole = [[0, 0], [height, width]];
  map.fitBounds(whole);
  map.setMinZoom(map.getZoom() - 1);
  map.setMaxBounds(L.latLngBounds(whole).pad(0.6));
  const dotRadius = map.getSize().x < 600 ? 2.5 : 4;
  L.control
    .scale({ metric: data.units === "si", imperial: data.units === "us", maxWidth: 140 })
    .addTo(map);

  // --- surfaces: one at a time ---

  const surfaces = data.rasters.map(function (raster) {
    const right = raster.cols * data.cell_m;
    const bottom = height - raster.rows * data.cell_m;
    return L.imageOverlay(raster.picture, [[bottom, 0], [height, right]], { alt: "" });
  });
  let shown = -1;

  function showSurface(number) {
    if (surfaces[shown]) surfaces[shown].remove();
    shown = number;
    if (surfaces[shown]) surfaces[shown].addTo(map).bringToBack();
    for (const legend of document.querySelectorAll(".legend[data-raster]")) {
      legend.hidden = Number(legend.dataset.raster) !== number;
    }
    if (data.rasters[shown]) unpack(data.rasters[shown]);
  }

  async function unpack(raster) {
    if (raster.steps || typeof DecompressionStream === "undefined") return;
    const bytes = Uint8Array.from(atob(raster.deflated), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    const view = new DataView(await new Response(stream).arrayBuffer());
    raster.steps = (cell) => view.getUint16(2 * cell, true);
  }

  function valueAt(raster, x, y) {
    const col = Math.floor(x / data.cell_m);
    const row = Math.floor((height - y) / data.cell_m);
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

  function told(place) {
    const box = document.createElement("div");
    box.append(element("strong", place.name));
    if (place.facts.length) {
      const list = document.createElement("dl");
      for (const [name, value] of place.facts) {
        list.append(element("dt", name), element("dd", value));
      }
      box.append(list);
    }
    return box;
  }

  function drawn(layer, place) {
    const colour = place.colour || layer.colour;
    const at = ([x, y]) => [y * layer.step_m, x * layer.step_m];
    if (layer.drawn_as === "dot" || layer.drawn_as === "ring") {
      const isDot = layer.drawn_as === "dot";
      return L.circleMarker(at(place.at), {
        radius: isDot ? dotRadius : dotRadius + 3,
        color: isDot ? "#ffffff" : colour,
        weight: isDot ? 1 : 3,
        fillColor: isDot ? colour : "#ffffff",
        fillOpacity: isDot ? 1 : 0.35,
      });
    }
    const isArea = layer.drawn_as === "area";
    return L.polygon(place.at.map((rings) => rings.map((ring) => ring.map(at))), {
      color: colour,
      weight: isArea ? 1 : 2,
      dashArray: layer.drawn_as === "dashed_outline" ? "5 4" : null,
      fillColor: colour,
      fillOpacity: place.colour ? 1 : isArea ? 0.9 : 0,
    });
  }

  const groups = data.layers.map(function (layer, number) {
    const pane = map.createPane("layer-" + number);
    pane.style.zIndex = String(401 + number);
    const renderer = L.svg({ pane: "layer-" + number });
    const shapes = layer.places.map(function (place) {
      const shape = drawn(layer, place);
      shape.options.pane = "layer-" + number;
      shape.options.renderer = renderer;
      shape.bindTooltip(() => element("span", place.name), { sticky: true });
      shape.bindPopup(() => told(place), { autoPan: true, maxWidth: 280 });
      return shape;
    });
    return { shapes: shapes, group: L.layerGroup(shapes) };
  });

  const boxes = document.querySelectorAll("input[name=map-layer]");
  function showLayer(number, isShown) {
    boxes[number].checked = isShown;
    if (isShown) groups[number].group.addTo(map);
    else groups[number].group.remove();
  }

  for (const button of document.querySelectorAll("button.to-place")) {
    button.addEventListener("click", function () {
      const number = Number(button.dataset.layer);
      const shape = groups[number].shapes[Number(button.dataset.place)];
      showLayer(number, true);
      const bounds = shape.getBounds ? shape.getBounds() : L.latLngBounds([shape.getLatLng()]);
      if (!bounds.isValid()) return;
      map.fitBounds(bounds.pad(0.5), { maxZoom: 4, animate: false });
      shape.openPopup(bounds.getCenter());
      document.getElementById("site").scrollIntoView({ behavior: noMotion ? "auto" : "smooth" });
      document.getElementById("map").focus({ preventScroll: true });
      document.getElementById("announcement").textContent =
        "The map shows " + shape.getPopup().getContent()(shape).textContent + ".";
    });
  }

  // --- switches and reading off ---

  for (const choice of document.querySelectorAll("input[name=map-raster]")) {
    choice.addEventListener("change", () => showSurface(Number(choice.value)));
    if (choice.checked) showSurface(Number(choice.value));
  }
  boxes.forEach(function (box, number) {
    box.addEventListener("change", () => showLayer(number, box.checked));
    showLayer(number, box.checked);
  });

  const readOff = document.getElementById("read-off");
  map.on("mousemove", function (event) {
    const { lng: x, lat: y } = event.latlng;
    const east = ((data.origin_m[0] + x) / data.metres_per_unit).toFixed(1);
    const north = ((data.origin_m[1] + y) / data.metres_per_unit).toFixed(1);
    const raster = data.rasters[shown];
    const value = raster ? valueAt(raster, x, y) : "";
    readOff.textContent =
      "E " + east + ", N " + north + (value ? ": " + raster.title + " " + value : "");
  });
})();
