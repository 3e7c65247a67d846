// Draws every [data-figure] from the JSON beside it, with colours from the style sheet,
// and draws again when the colour scheme changes.
(() => {
  "use strict";

  // Exchanges each colour of the figure's palette for the token's present value.
  const recolour = (value, palette, style) => {
    if (typeof value === "string") {
      return Object.hasOwn(palette, value) ? style.getPropertyValue(`--yw-${palette[value]}`).trim() : value;
    }
    if (Array.isArray(value)) return value.map((v) => recolour(v, palette, style));
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([k, v]) => [k, recolour(v, palette, style)]));
    }
    return value;
  };

  // What stands there for browsers without scripts.
  document.querySelectorAll("[data-unscripted]").forEach((words) => words.remove());

  const draw = (node) => {
    node.hidden = false;
    const source = document.getElementById(node.dataset.figure);
    const plain = JSON.parse(source.textContent);
    const figure = recolour(plain, plain.layout.meta.palette, getComputedStyle(document.documentElement));
    node.style.minHeight = `${figure.layout.height}px`;
    window.Plotly.react(node, figure.data, figure.layout, { displayModeBar: false, responsive: true }).then(() => {
      node.dataset.drawn = "yes";
    });
  };

  const drawAll = () => document.querySelectorAll("[data-figure]").forEach(draw);
  if (window.Plotly) {
    drawAll();
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", drawAll);
  }
})();
