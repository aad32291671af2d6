"use strict";
(function () {
  var PRINT_WIDTH = 680, PRINT_HEIGHT = 800, NARROW = 560, LANES_KEPT = 0.75;
  var PART = "\u2003", STRIP = 24, LINE = 15, ONE_STRIP_TOP = 25;
  var config = {
    responsive: true, displaylogo: false, plotlyServerURL: "", showSendToCloud: false, showEditInChartStudio: false,
    modeBarButtonsToRemove: ["sendDataToCloud", "select2d", "lasso2d", "autoScale2d"], doubleClick: "reset"
  };
  var drawn = [], pen = document.createElement("canvas").getContext("2d");
  function wrapped(note, room, family) {
    var lines = [], line = [], left = room;
    note.text.split("<br>").join(PART).split(PART).forEach(function (part) {
      pen.font = (part.indexOf("<b>") === 0 ? "bold " : "") + note.font.size + "px " + family;
      var wide = pen.measureText(part.replace(/<[^>]*>/g, "").replace(/&[#\w]+;/g, "m") + PART).width;
      if (wide > left && line.length) { lines.push(line.join(PART)); line = []; left = room; }
      line.push(part);
      left -= wide;
    });
    lines.push(line.join(PART));
    return lines;
  }
  function stacked(layout) {
    var margin = layout.margin || {}, inner = layout.height - margin.t - margin.b, panels = [], n = 1, axis = layout.yaxis;
    while (axis && axis.domain) {
      var top = axis.domain[1], strip = -1;
      (layout.annotations || []).forEach(function (note, index) {
        if (note.name === "strip" && Math.abs(note.y - top) < 1e-6) { strip = index; }
      });
      panels.push({ px: (top - axis.domain[0]) * inner, strip: strip, lanes: axis.type === "category" });
      n += 1;
      axis = layout["yaxis" + n];
    }
    return panels;
  }
  function fitted(plot, width, tallest) {
    var layout = plot.layout, notes = layout.annotations || [], change = {}, strips = [], sum = 0, lanes = 0, panels = plot.panels;
    var room = width - layout.margin.l - layout.margin.r;
    function strip(index) {
      var lines = wrapped(notes[index], room, layout.font.family);
      change["annotations[" + index + "].text"] = lines.join("<br>");
      return lines.length - 1;
    }
    if (!panels.length) {
      var more = 0;
      notes.forEach(function (note, index) { if (note.name === "strip") { more = strip(index); } });
      if (notes.some(function (note) { return note.name === "strip"; })) {
        change["margin.t"] = Math.max(plot.top, ONE_STRIP_TOP + LINE * (more + 1));
      }
      change.height = Math.min(plot.height + (change["margin.t"] || plot.top) - plot.top, tallest);
      return change;
    }
    var around = layout.margin.t + layout.margin.b, heights = panels.map(function (panel) { return panel.px; });
    panels.forEach(function (panel, n) {
      strips.push(panel.strip < 0 ? 0 : STRIP + LINE * strip(panel.strip));
      if (panel.lanes) { lanes += panel.px; } else { sum += panel.px; }
    });
    var named = strips.reduce(function (a, b) { return a + b; }, 0);
    // lanes carry words: they give way less than curves do
    var left = tallest - around - named, kept = Math.max(Math.min(1, left / (sum + lanes)), LANES_KEPT);
    var share = Math.min(1, sum ? (left - lanes * kept) / sum : 1);
    var total = sum * share + lanes * kept + named, top = 1;
    heights.forEach(function (px, n) {
      var tall = px * (panels[n].lanes ? kept : share);
      var over = top - strips[n] / total, bottom = n === heights.length - 1 ? 0 : Math.max(over - tall / total, 0);
      change["yaxis" + (n ? n + 1 : "") + ".domain"] = [bottom, over];
      if (panels[n].strip >= 0) { change["annotations[" + panels[n].strip + "].y"] = over; }
      top = bottom;
    });
    change.height = Math.round(total + around);
    return change;
  }
  function put(layout, change) {
    Object.keys(change).forEach(function (key) {
      var names = key.replace(/\[(\d+)\]/g, ".$1").split("."), last = names.pop(), part = layout;
      names.forEach(function (name) { part = part[name]; });
      part[last] = change[key];
    });
  }
  function narrow(layout) {
    (layout.annotations || []).forEach(function (note) { if (note.name === "strip") { note.font.size = 10; } });
    if (layout.margin.l > 130) { layout.margin.l = 130; }
    if (layout.xaxis && layout.xaxis.type === "date") { layout.xaxis.nticks = 4; layout.xaxis.tickangle = 0; }
    layout.dragmode = false;
  }
  Array.prototype.forEach.call(document.querySelectorAll("script.plate"), function (script) {
    var place = document.getElementById(script.getAttribute("data-for"));
    var figure = JSON.parse(script.textContent), layout = figure.layout, small = place.clientWidth < NARROW;
    if (small) { narrow(layout); }
    var top = (layout.margin || {}).t || 0;
    var plot = { place: place, layout: layout, panels: stacked(layout), height: layout.height || 450, top: top };
    put(layout, fitted(plot, place.clientWidth, Infinity));
    place.style.height = layout.height + "px";
    var chosen = small ? Object.assign({ displayModeBar: false }, config) : config;
    Plotly.newPlot(place, figure.data, layout, chosen).then(function () { place.setAttribute("data-drawn", "yes"); });
    drawn.push(plot);
  });
  function forPrint(on) {
    drawn.forEach(function (plot) {
      var change = fitted(plot, on ? PRINT_WIDTH : plot.place.parentNode.clientWidth, on ? PRINT_HEIGHT : Infinity);
      plot.place.style.height = change.height + "px";
      change.width = on ? PRINT_WIDTH : null;
      change.autosize = !on;
      Plotly.relayout(plot.place, change);
    });
  }
  function open(state) {
    Array.prototype.forEach.call(document.querySelectorAll("details"), function (part) {
      if (state && !part.open) { part.open = true; part.setAttribute("data-closed", "yes"); }
      if (!state && part.getAttribute("data-closed")) { part.open = false; part.removeAttribute("data-closed"); }
    });
  }
  window.addEventListener("beforeprint", function () { forPrint(true); open(true); });
  window.addEventListener("afterprint", function () { forPrint(false); open(false); });
  document.documentElement.setAttribute("data-figures", String(drawn.length));
}());
