"use strict";
(function () {
  var config = { responsive: true, displaylogo: false, plotlyServerURL: "", showSendToCloud: false, showEditInChartStudio: false,
    modeBarButtonsToRemove: ["sendDataToCloud", "select2d", "lasso2d", "autoScale2d"], doubleClick: "reset" };
  var drawn = [];
  Array.prototype.forEach.call(document.querySelectorAll("script.plate"), function (script) {
    var place = document.getElementById(script.getAttribute("data-for"));
    var figure = JSON.parse(script.textContent);
    Plotly.newPlot(place, figure.data, figure.layout, config).then(function () { place.setAttribute("data-drawn", "yes"); });
    drawn.push(place);
  });
  function width(pixels) {
    drawn.forEach(function (place) {
      Plotly.relayout(place, pixels ? { width: pixels, autosize: false } : { width: null, autosize: true });
    });
  }
  function open(state) {
    Array.prototype.forEach.call(document.querySelectorAll("details"), function (part) {
      if (state && !part.open) { part.open = true; part.setAttribute("data-closed", "yes"); }
      if (!state && part.getAttribute("data-closed")) { part.open = false; part.removeAttribute("data-closed"); }
    });
  }
  window.addEventListener("beforeprint", function () { width(680); open(true); });
  window.addEventListener("afterprint", function () { width(0); open(false); });
  document.documentElement.setAttribute("data-figures", String(drawn.length));
}());
