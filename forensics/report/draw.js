"use strict";
(function () {
  var PRINT_WIDTH = 680, PRINT_HEIGHT = 900;
  var config = {
    responsive: true, displaylogo: false, plotlyServerURL: "", showSendToCloud: false, showEditInChartStudio: false,
    modeBarButtonsToRemove: ["sendDataToCloud", "select2d", "lasso2d", "autoScale2d"], doubleClick: "reset"
  };
  var NARROW = 560, drawn = [];
  function narrow(layout) {
    (layout.annotations || []).forEach(function (note) {
      if (note.name !== "strip") { return; }
      note.text = note.text.split("\u2003").join("<br>");
      note.font.size = 10; note.yanchor = "top"; note.yshift = 16;
    });
    if (layout.margin.l > 130) { layout.margin.l = 130; }
  }
  Array.prototype.forEach.call(document.querySelectorAll("script.plate"), function (script) {
    var place = document.getElementById(script.getAttribute("data-for"));
    var figure = JSON.parse(script.textContent);
    if (place.clientWidth < NARROW) { narrow(figure.layout); }
    Plotly.newPlot(place, figure.data, figure.layout, config).then(function () { place.setAttribute("data-drawn", "yes"); });
    drawn.push({ place: place, height: figure.layout.height || 450 });
  });
  function forPrint(on) {
    drawn.forEach(function (plot) {
      var height = on ? Math.min(plot.height, PRINT_HEIGHT) : plot.height;
      plot.place.style.height = height + "px";
      Plotly.relayout(plot.place, on ? { width: PRINT_WIDTH, height: height, autosize: false } : { width: null, height: height, autosize: true });
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
