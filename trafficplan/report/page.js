/* The map of the report: colours the small pictures, reads them back where one points, and follows the picker.
   Every text in the data has been made harmless before it was written here; it may be set as HTML. */
(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("traffic-data").textContent);
  var map = window.trafficMap;
  var frame = document.querySelector(".map-frame");
  var OUTSIDE = 0, UNTOUCHED = 1, FIRST = 2, LAST = 255;
  var state = { scenario: data.first.scenario, measure: data.first.measure, depth: data.first.depth, change: data.first.change, drives: -1, at: null };
  var decoded = {};

  function byId(id) { return document.getElementById(id); }
  function make(tag, name, html) { var node = document.createElement(tag); if (name) { node.className = name; } if (html !== undefined) { node.innerHTML = html; } return node; }

  /* ---- pictures ---- */

  function codesOf(picture) {
    if (!decoded[picture.png]) {
      decoded[picture.png] = new Promise(function (done, failed) {
        var image = new Image();
        image.onload = function () {
          var canvas = document.createElement("canvas");
          canvas.width = image.width; canvas.height = image.height;
          var context = canvas.getContext("2d", { willReadFrequently: true });
          context.drawImage(image, 0, 0);
          var pixels = context.getImageData(0, 0, image.width, image.height).data;
          var codes = new Uint8Array(image.width * image.height);
          for (var i = 0; i < codes.length; i++) { codes[i] = pixels[4 * i]; }
          done({ codes: codes, cols: image.width, rows: image.height });
        };
        image.onerror = failed;
        image.src = "data:image/png;base64," + data.png[picture.png];
      });
    }
    return decoded[picture.png];
  }

  function valueOf(code, picture) {
    if (code === OUTSIDE) { return NaN; }
    if (code === UNTOUCHED) { return 0; }
    return picture.low + (code - FIRST) * (picture.high - picture.low) / (LAST - FIRST);
  }

  function layerKey() {
    var measure = data.measures[state.measure];
    return measure.depths.length ? measure.key + "_" + measure.depths[state.depth].tag : measure.key;
  }
  function pictureOf(field, scenario) { return field.pictures[scenario][layerKey()]; }

  /* ---- colours ---- */

  function packed(hex, alpha) {
    var value = parseInt(hex, 16);
    return ((alpha << 24) | ((value & 255) << 16) | (value & 0xff00) | (value >> 16)) >>> 0;
  }
  function stepOf(value, breaks) { var step = 0; while (step < breaks.length && value + 1e-6 >= breaks[step]) { step++; } return step; }

  function table(picture, measure) {
    var colours = measure.legend.slice(1).map(function (row) { return packed(row.colour, 255); });
    var list = new Uint32Array(256);
    list[UNTOUCHED] = packed(measure.legend[0].colour, data.aerial ? 70 : 255);
    for (var code = FIRST; code <= LAST; code++) { list[code] = colours[stepOf(valueOf(code, picture), measure.breaks)]; }
    return list;
  }

  /* ---- one canvas per field, laid on the map like a picture ---- */

  var CanvasOverlay = L.ImageOverlay.extend({
    _initImage: function () {
      var canvas = this._image = this._url;
      L.DomUtil.addClass(canvas, "leaflet-image-layer");
      if (this._zoomAnimated) { L.DomUtil.addClass(canvas, "leaflet-zoom-animated"); }
      canvas.onselectstart = L.Util.falseFn;
      canvas.onmousemove = L.Util.falseFn;
    }
  });
  map.createPane("values").style.zIndex = 300;
  map.createPane("zones").style.zIndex = 390;

  data.fields.forEach(function (field) {
    var box = field.box;
    field.canvas = document.createElement("canvas");
    field.overlay = new CanvasOverlay(field.canvas, [[box[1], box[0]], [box[3], box[2]]], { pane: "values" }).addTo(map);
    ["headland", "gateway"].forEach(function (zone) {
      L.polygon(field.zones[zone] || [], { pane: "zones", color: "#5d6468", weight: 1, dashArray: "4 4", opacity: 0.8, fill: false, interactive: false }).addTo(map);
    });
  });

  function blockSize(cell) {
    var metres = 1 / map.getZoomScale(map.getZoom(), 0);
    return metres <= cell ? 1 : Math.ceil(metres / cell);
  }

  /* Zoomed out, a block shows its highest value, so that a wheel mark never fades; differences show the largest. */
  function paint(field, now, before, picture, basePicture) {
    var measure = data.measures[state.measure];
    var k = blockSize(picture.cell);
    var cols = Math.ceil(now.cols / k), rows = Math.ceil(now.rows / k);
    var canvas = field.canvas;
    canvas.width = cols; canvas.height = rows;
    var context = canvas.getContext("2d");
    var image = context.createImageData(cols, rows);
    var out = new Uint32Array(image.data.buffer);
    if (before) { paintChange(out, cols, rows, k, now, before, picture, basePicture, measure); }
    else { paintValue(out, cols, rows, k, now, table(picture, measure)); }
    context.putImageData(image, 0, 0);
    var side = k * picture.cell, box = picture.box;
    field.overlay.setBounds([[box[3] - rows * side, box[0]], [box[3], box[0] + cols * side]]);
  }

  function paintValue(out, cols, rows, k, now, colours) {
    for (var row = 0; row < rows; row++) {
      for (var col = 0; col < cols; col++) {
        var best = 0, endRow = Math.min(now.rows, row * k + k), endCol = Math.min(now.cols, col * k + k);
        for (var r = row * k; r < endRow; r++) {
          for (var c = col * k; c < endCol; c++) { var code = now.codes[r * now.cols + c]; if (code > best) { best = code; } }
        }
        out[row * cols + col] = colours[best];
      }
    }
  }

  function paintChange(out, cols, rows, k, now, before, picture, basePicture, measure) {
    var colours = measure.change.map(function (row) { return packed(row.colour, 255); });
    var nowValue = [], beforeValue = [];
    for (var code = 0; code < 256; code++) { nowValue.push(valueOf(code, picture)); beforeValue.push(valueOf(code, basePicture)); }
    for (var row = 0; row < rows; row++) {
      for (var col = 0; col < cols; col++) {
        var best = NaN, endRow = Math.min(now.rows, row * k + k), endCol = Math.min(now.cols, col * k + k);
        for (var r = row * k; r < endRow; r++) {
          for (var c = col * k; c < endCol; c++) {
            var at = r * now.cols + c, difference = nowValue[now.codes[at]] - beforeValue[before.codes[at]];
            if (difference === difference && (best !== best || Math.abs(difference) > Math.abs(best))) { best = difference; }
          }
        }
        out[row * cols + col] = best === best ? colours[changeStep(best, measure)] : 0;
      }
    }
  }
  function changeStep(value, measure) {
    var breaks = measure.change_breaks, step = 0;
    while (step < 3 && value > breaks[step] + 1e-6) { step++; }
    while (step >= 3 && step < 6 && value >= breaks[step] - 1e-6) { step++; }
    return step;
  }

  function comparing() { return state.change && state.scenario !== 0; }

  var turn = 0;
  function draw() {
    var mine = ++turn;
    var work = data.fields.map(function (field) {
      var picture = pictureOf(field, state.scenario), basePicture = pictureOf(field, 0);
      field.now = field.before = null;
      if (!picture) { field.canvas.width = field.canvas.height = 1; return Promise.resolve(); }
      var wanted = [codesOf(picture)];
      if (comparing() && basePicture) { wanted.push(codesOf(basePicture)); }
      return Promise.all(wanted).then(function (got) {
        if (mine !== turn) { return; }
        var same = got[1] && got[1].cols === got[0].cols && got[1].rows === got[0].rows;
        field.now = got[0]; field.before = same ? got[1] : null;
        paint(field, got[0], field.before, picture, basePicture);
      });
    });
    return Promise.all(work).then(function () {
      if (mine !== turn) { return; }
      if (state.at) { read(state.at); }
      frame.setAttribute("data-drawn", state.scenario + " " + layerKey() + (comparing() ? " change" : ""));
    });
  }

  /* ---- reading a value ---- */

  function insideRing(ring, y, x) {
    var inside = false;
    for (var i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      if ((ring[i][0] > y) !== (ring[j][0] > y) && x < (ring[j][1] - ring[i][1]) * (y - ring[i][0]) / (ring[j][0] - ring[i][0]) + ring[i][1]) { inside = !inside; }
    }
    return inside;
  }
  function insideShape(shape, y, x) {
    return (shape || []).some(function (part) { return part.filter(function (ring) { return insideRing(ring, y, x); }).length % 2 === 1; });
  }
  function zoneOf(field, y, x) {
    if (insideShape(field.zones.gateway, y, x)) { return "gateway"; }
    if (insideShape(field.zones.headland, y, x)) { return "headland"; }
    return "in-field";
  }

  function numberOf(value, measure, sign) {
    var shown = value * measure.scale;
    var digits = measure.decimals;
    var text = Math.abs(shown).toFixed(digits);
    if (Number(text) === 0) { return text; }
    return (shown < 0 ? "−" : sign ? "+" : "") + text;
  }
  function sayValue(code, picture, measure) {
    if (code === UNTOUCHED) { return measure.untouched; }
    var value = valueOf(code, picture);
    var unit = measure.unit === "passes" && Math.round(value) === 1 ? "pass" : measure.unit;
    var text = numberOf(value, measure, false) + (unit ? " " + unit : "");
    if (code === LAST && !measure.chance) { text += " or more"; }
    var shown = measure.chance ? Math.round(value * 10) / 10 : value;
    return measure.words.length ? text + ", " + measure.words[stepOf(shown, measure.breaks)] : text;
  }

  /* The cell of the field pointed at, or the nearest within a finger's reach: gateways lie on the very edge. */
  function nearest(now, col, row, reach) {
    var found = -1, gap = Infinity;
    for (var r = Math.max(0, row - reach); r <= Math.min(now.rows - 1, row + reach); r++) {
      for (var c = Math.max(0, col - reach); c <= Math.min(now.cols - 1, col + reach); c++) {
        var away = (r - row) * (r - row) + (c - col) * (c - col);
        if (away < gap && now.codes[r * now.cols + c] !== OUTSIDE) { gap = away; found = r * now.cols + c; }
      }
    }
    return found;
  }

  function read(at) {
    var measure = data.measures[state.measure], y = at.lat, x = at.lng, text = "";
    data.fields.forEach(function (field) {
      var picture = pictureOf(field, state.scenario);
      if (!picture || !field.now) { return; }
      var col = Math.floor((x - picture.box[0]) / picture.cell), row = Math.floor((picture.box[3] - y) / picture.cell);
      var index = nearest(field.now, col, row, Math.max(2, Math.ceil(8 / (picture.cell * map.getZoomScale(map.getZoom(), 0)))));
      if (index < 0) { return; }
      var code = field.now.codes[index];
      var place = field.name + ", " + zoneOf(field, y, x);
      var what = measure.title + (measure.depths.length ? " at " + measure.depths[state.depth].text : "");
      var main = sayValue(code, picture, measure);
      if (field.before) {
        var basePicture = pictureOf(field, 0), old = field.before.codes[index];
        var difference = valueOf(code, picture) - valueOf(old, basePicture);
        what += ": " + main + "; base: " + sayValue(old, basePicture, measure);
        main = Math.abs(difference * measure.scale) < 0.5 * Math.pow(10, -measure.decimals) ? "same as base" : numberOf(difference, measure, true) + (measure.unit ? " " + measure.unit : "") + " against base";
      }
      text = "<b>" + main + "</b><span>" + what + "<small>" + place + "</small></span>";
    });
    byId("reading").innerHTML = text || '<span class="hint">No field here.</span>';
  }

  var spot = L.circleMarker([0, 0], { radius: 7, color: "#fff", weight: 3, fillColor: "#1f2a30", fillOpacity: 1, interactive: false });
  map.on("click", function (event) { state.at = event.latlng; spot.setLatLng(event.latlng).addTo(map); read(event.latlng); });
  map.on("mousemove", function (event) { read(event.latlng); });
  map.on("mouseout", function () { if (state.at) { read(state.at); } });
  map.on("moveend", function () { if (frame.classList.contains("by-key")) { state.at = map.getCenter(); read(state.at); } });
  map.on("zoomend", function () { frame.classList.toggle("far", map.getZoom() < data.near_zoom); coarse(); draw(); });
  map.getContainer().addEventListener("keydown", function (event) {
    if (/^(Arrow|Enter| |[-+=])/.test(event.key)) { frame.classList.add("by-key"); state.at = map.getCenter(); read(state.at); }
  });
  map.getContainer().addEventListener("pointerdown", function () { frame.classList.remove("by-key"); map.scrollWheelZoom.enable(); });
  map.getContainer().addEventListener("blur", function () { frame.classList.remove("by-key"); map.scrollWheelZoom.disable(); });
  map.getContainer().setAttribute("aria-label", "Map. Arrow keys move it, plus and minus zoom; the value at the cross is read out.");

  /* ---- legend ---- */

  function coarse() {
    var side = 0;
    data.fields.forEach(function (field) {
      var picture = pictureOf(field, state.scenario);
      if (picture) { side = Math.max(side, blockSize(picture.cell) * picture.cell); }
    });
    byId("coarse").innerHTML = side > 1 ? "At this zoom each spot shows the " + (comparing() ? "largest difference" : "highest value") + " within " + data.say_side[0].replace("0", Math.round(side * data.say_side[1])) + ". Reading a spot gives that of about " + data.say_cell + "." : "";
  }
  function legend() {
    var measure = data.measures[state.measure];
    byId("key-title").innerHTML = measure.title + (measure.depths.length ? " at " + measure.depths[state.depth].text : "") + (comparing() ? ", difference from base" : "");
    byId("key-about").innerHTML = measure.about;
    var rows = byId("key-rows");
    rows.innerHTML = "";
    (comparing() ? measure.change : measure.legend).forEach(function (row) {
      var item = make("li", row.word ? "" : "plain");
      var swatch = make("i"); swatch.style.background = "#" + row.colour;
      item.appendChild(swatch);
      if (row.word) { item.appendChild(make("b", "", row.word)).style.fontWeight = "400"; }
      item.appendChild(make("span", "", row.range));
      rows.appendChild(item);
    });
    coarse();
  }

  /* ---- picker ---- */

  function choice(name, index, html, checked, chosen) {
    var label = make("label", "choice"), input = document.createElement("input");
    input.type = "radio"; input.name = name; input.value = index; input.checked = checked;
    input.addEventListener("change", function () { chosen(index); });
    label.appendChild(input); label.appendChild(make("span", "", html));
    return label;
  }
  function options(select, texts, chosen) {
    texts.forEach(function (text, index) { var option = make("option", "", text); option.value = index; select.appendChild(option); });
    select.addEventListener("change", function () { chosen(Number(select.value)); });
  }
  function showDepths() {
    var holder = byId("depths"), measure = data.measures[state.measure];
    holder.querySelectorAll(".choice").forEach(function (node) { node.remove(); });
    holder.hidden = !measure.depths.length;
    state.depth = Math.min(state.depth, Math.max(0, measure.depths.length - 1));
    measure.depths.forEach(function (depth, index) {
      holder.appendChild(choice("depth", index, depth.text, index === state.depth, function (picked) { state.depth = picked; update(); }));
    });
  }
  function crossings() {
    document.querySelectorAll("[data-gateway]").forEach(function (node) {
      var count = data.fields[Number(node.dataset.field)].crossings[state.scenario][Number(node.dataset.gateway)];
      node.innerHTML = count === null ? "" : count + " passes";
    });
  }
  var driven = L.layerGroup().addTo(map);
  function showDrives() {
    driven.clearLayers();
    if (state.drives < 0) { return; }
    data.fields.forEach(function (field) {
      field.drives[state.scenario].forEach(function (drive) {
        if (state.drives > 0 && drive.job !== state.drives - 1) { return; }
        L.polyline(drive.line, { color: "#ffffff", weight: 3.5, opacity: 0.8, interactive: false }).addTo(driven);
        L.polyline(drive.line, { color: "#1f2a30", weight: 1.4, interactive: false }).addTo(driven);
      });
    });
  }
  function update() {
    var off = state.scenario === 0;
    byId("change").disabled = off; byId("change-label").classList.toggle("off", off);
    legend(); crossings(); showDrives();
    return draw();
  }

  options(byId("scenario"), data.scenarios, function (picked) { state.scenario = picked; update(); });
  byId("scenario").value = state.scenario;
  if (data.scenarios.length < 2) { byId("change-label").hidden = true; }
  byId("change").checked = state.change;
  byId("change").addEventListener("change", function () { state.change = byId("change").checked; update(); });
  data.measures.forEach(function (measure, index) {
    byId("measures").appendChild(choice("measure", index, measure.title, index === state.measure, function (picked) { state.measure = picked; showDepths(); update(); }));
  });
  options(byId("drives"), ["none", "all"].concat(data.jobs), function (picked) { state.drives = picked - 1; update(); });
  byId("names").addEventListener("change", function () { frame.classList.toggle("no-names", !byId("names").checked); });
  if (byId("marks")) { byId("marks").addEventListener("change", function () { frame.classList.toggle("no-marks", !byId("marks").checked); }); }
  byId("controls").addEventListener("submit", function (event) { event.preventDefault(); });
  document.querySelectorAll(".go").forEach(function (button) {
    button.addEventListener("click", function () {
      var at = L.latLng(Number(button.dataset.y), Number(button.dataset.x));
      byId("map-section").scrollIntoView();
      map.setView(at, 1.5, { animate: false });
      state.at = at; spot.setLatLng(at).addTo(map); read(at);
    });
  });

  /* ---- start, size, paper ---- */

  function fit() { map.invalidateSize(); map.fitBounds(data.bounds, { padding: [34, 34], animate: false }); }
  (data.us ? L.control.scale({ metric: false, maxWidth: 160 }) : L.control.scale({ imperial: false, maxWidth: 160 })).addTo(map);
  var kept = null;
  window.addEventListener("beforeprint", function () {
    kept = { scenario: state.scenario, measure: state.measure, depth: state.depth, change: state.change, centre: map.getCenter(), zoom: map.getZoom() };
    document.querySelectorAll("details").forEach(function (node) { node.open = true; });
    state.scenario = 0; state.measure = data.paper; state.change = false;
    frame.classList.add("paper");
    showDepths(); update(); fit();
  });
  window.addEventListener("afterprint", function () {
    if (!kept) { return; }
    state.scenario = kept.scenario; state.measure = kept.measure; state.depth = kept.depth; state.change = kept.change;
    frame.classList.remove("paper");
    map.invalidateSize(); map.setView(kept.centre, kept.zoom, { animate: false });
    showDepths(); update();
  });
  fit();
  frame.classList.toggle("far", map.getZoom() < data.near_zoom);
  showDepths();
  update();
}());
