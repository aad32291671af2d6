"use strict";
(function () {
  var PRINT_WIDTH = 680, PRINT_HEIGHT = 370, PRINT_LANES = 720, NARROW = 560, LANES_KEPT = 0.75;
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
    layout.annotations = (layout.annotations || []).filter(function (note) { return note.name !== "end"; });
    layout.margin.r = Math.min(layout.margin.r, 20);
    if (layout.margin.l > 130) { layout.margin.l = 130; }
    if (layout.xaxis && layout.xaxis.type === "date") { layout.xaxis.nticks = 4; layout.xaxis.tickangle = 0; }
    layout.dragmode = false;
  }
  var waiting = Array.prototype.slice.call(document.querySelectorAll("script.plate"));
  function load() {
    // the library is parsed when the first figure comes into view, not before page one is painted
    if (window.Plotly) { return; }
    var script = document.createElement("script");
    script.textContent = document.getElementById("library").textContent;
    document.head.appendChild(script);
  }
  var OPEN_TOGGLES = 8;
  function toggles(place, data) {
    // names stand as text above the panels; whoever wants a curve out of the way, by mouse or by keyboard, finds it here
    var names = [], at = {};
    data.forEach(function (trace, index) {
      if (!trace.name || trace.hoverinfo === "skip") { return; }
      // a switch is one name, drawn on and off
      var name = trace.name.replace(/: (on|off)$/, "");
      if (!at[name]) { at[name] = []; names.push(name); }
      at[name].push(index);
    });
    if (names.length < 2 || place.parentNode.querySelector(".toggles")) { return; }
    var group = document.createElement("div");
    group.className = "toggles";
    group.setAttribute("role", "group");
    group.setAttribute("aria-label", "Show or hide what is drawn");
    names.forEach(function (name) {
      var button = document.createElement("button"), plain = document.createElement("span");
      button.type = "button";
      plain.textContent = name.replace(/<[^>]*>/g, "").replace(/&lt;/g, "<").replace(/&gt;/g, ">").replace(/&amp;/g, "&");
      button.appendChild(plain);
      button.setAttribute("aria-pressed", "true");
      button.addEventListener("click", function () {
        var on = button.getAttribute("aria-pressed") !== "true";
        button.setAttribute("aria-pressed", String(on));
        Plotly.restyle(place, { visible: on }, at[name]);
      });
      group.appendChild(button);
    });
    if (names.length > OPEN_TOGGLES) {
      var folded = document.createElement("details"), summary = document.createElement("summary");
      folded.className = "toggle-list";
      summary.textContent = "Show or hide curves";
      folded.appendChild(summary);
      folded.appendChild(group);
      group = folded;
    }
    place.parentNode.insertBefore(group, place.nextSibling);
  }
  function draw(script) {
    var at = waiting.indexOf(script);
    if (at < 0) { return; }
    waiting.splice(at, 1);
    load();
    var place = document.getElementById(script.getAttribute("data-for"));
    var figure = JSON.parse(script.textContent), layout = figure.layout, small = place.clientWidth < NARROW;
    if (small) { narrow(layout); }
    var top = (layout.margin || {}).t || 0;
    var plot = { place: place, layout: layout, panels: stacked(layout), height: layout.height || 450, top: top };
    put(layout, fitted(plot, place.clientWidth, Infinity));
    place.style.height = layout.height + "px";
    var chosen = small ? Object.assign({ displayModeBar: false }, config) : config;
    Plotly.newPlot(place, figure.data, layout, chosen).then(function () { place.setAttribute("data-drawn", "yes"); });
    toggles(place, figure.data);
    drawn.push(plot);
  }
  function drawAll() { waiting.slice().forEach(draw); }
  if (window.IntersectionObserver) {
    var eye = new IntersectionObserver(function (entries) {
      entries.forEach(function (entry) {
        if (entry.isIntersecting) { eye.unobserve(entry.target); draw(entry.target.querySelector("script.plate")); }
      });
    }, { rootMargin: "300px 0px" });
    waiting.forEach(function (script) { eye.observe(script.parentNode); });
  } else { drawAll(); }
  function printHeight(plot) {
    // two plain figures stand on one sheet; lanes carry words and need more
    return plot.panels.some(function (panel) { return panel.lanes; }) ? PRINT_LANES : PRINT_HEIGHT;
  }
  function forPrint(on) {
    drawn.forEach(function (plot) {
      var change = fitted(plot, on ? PRINT_WIDTH : plot.place.parentNode.clientWidth, on ? printHeight(plot) : Infinity);
      plot.place.style.height = change.height + "px";
      change.width = on ? PRINT_WIDTH : null;
      change.autosize = !on;
      Plotly.relayout(plot.place, change);
    });
  }
  function fill(part) {
    var kept = part.querySelector(":scope > template");
    if (kept) { part.appendChild(kept.content); part.removeChild(kept); }
  }
  function fillAll(root) { Array.prototype.forEach.call(root.querySelectorAll("details"), fill); }
  document.addEventListener("toggle", function (event) {
    if (event.target.open) { fill(event.target); }
  }, true);
  function holder(id) {
    var found = null;
    Array.prototype.forEach.call(document.querySelectorAll("details > template"), function (kept) {
      if (!found && kept.content.getElementById(id)) { found = kept.parentNode; }
    });
    return found;
  }
  function reveal() {
    var id = decodeURIComponent(location.hash.slice(1)), target = id && document.getElementById(id);
    if (id && !target) {
      var kept = holder(id);
      if (kept) { fill(kept); target = document.getElementById(id); }
    }
    for (var part = target; part; part = part.parentNode) {
      if (part.tagName === "DETAILS") { part.open = true; fill(part); }
    }
    if (target) { target.scrollIntoView(); }
  }
  window.addEventListener("hashchange", reveal);
  var sought = document.getElementById("seek-findings");
  if (sought) {
    sought.addEventListener("input", function () {
      var words = sought.value.toLowerCase().split(/\s+/).filter(Boolean), hits = 0;
      Array.prototype.forEach.call(document.querySelectorAll("details.finding"), function (one) {
        var kept = one.querySelector(":scope > template"), text = one.textContent;
        if (kept) { text += kept.content.textContent; }
        text = text.toLowerCase();
        one.hidden = !words.every(function (word) { return text.indexOf(word) >= 0; });
        if (!one.hidden) { hits += 1; }
      });
      Array.prototype.forEach.call(document.querySelectorAll("details.findings-group"), function (group) {
        if (words.length) { group.open = true; }
      });
      document.getElementById("seek-count").textContent = words.length ? hits + " found" : "";
    });
  }
  document.addEventListener("click", function (event) {
    var link = event.target.closest && event.target.closest("a[data-from]");
    if (!link) { return; }
    var place = document.getElementById("plot-" + link.getAttribute("data-figure"));
    var script = place && place.parentNode.querySelector("script.plate");
    if (!place) { return; }
    draw(script);
    var shapes = (place.layout.shapes || []).filter(function (shape) { return shape.name !== "shown"; });
    shapes.push({ name: "shown", type: "rect", xref: "x", yref: "paper", y0: 0, y1: 1, line: { width: 1, color: "#8f3a00" },
      fillcolor: "rgba(143,58,0,0.18)", x0: +link.getAttribute("data-from"), x1: +link.getAttribute("data-to") });
    Plotly.relayout(place, { shapes: shapes });
  });
  function printed(on) {
    Array.prototype.forEach.call(document.querySelectorAll("details.printed"), function (part) {
      if (on && !part.open) { fill(part); part.open = true; part.setAttribute("data-closed", "yes"); }
      if (!on && part.getAttribute("data-closed")) { part.open = false; part.removeAttribute("data-closed"); }
    });
  }
  window.addEventListener("beforeprint", function () { drawAll(); forPrint(true); printed(true); });
  window.addEventListener("afterprint", function () { forPrint(false); printed(false); });
  // for whoever tests or archives the page: everything at once
  window.addEventListener("draw-all", drawAll);
  window.addEventListener("open-all", function () {
    while (document.querySelector("details > template")) { fillAll(document); }
    Array.prototype.forEach.call(document.querySelectorAll("details"), function (part) { part.open = true; });
  });
  document.documentElement.setAttribute("data-figures", String(waiting.length));
  if (location.hash) { reveal(); }
}());
