"use strict";
// Draws every chart from the one definition that also made its PNG; only the plots' sizes are decided here.
(() => {
  const specs = JSON.parse(document.getElementById("specs").textContent);
  const { left: LEFT, config: COAT } = JSON.parse(document.getElementById("measures").textContent);
  const RIGHT = 22, BETWEEN = 22, NARROW = 620;
  const PAPER = { width: 690, lower: 0.6, tallest: 215 };  // the text of a sheet in CSS pixels: two charts fit
  const boxes = [...document.querySelectorAll("[data-chart]")];
  const drawn = new Map();

  // Sizes of the plots for a width in pixels, as `sized` in render.py does it for the PNG.
  function fit(spec, width, paper) {
    const copy = structuredClone(spec), meta = copy.usermeta;
    const columns = width < NARROW ? 1 : meta.columns;
    const plots = copy.concat || [copy];
    let plotWidth = Math.max(120, (width - (columns - 1) * BETWEEN) / columns - LEFT - (columns > 1 ? 8 : RIGHT));
    if (paper && meta.aspect) plotWidth = Math.min(plotWidth, paper.tallest / meta.aspect);
    if (copy.concat) copy.columns = columns;
    for (const plot of plots) {
      plot.width = plotWidth;
      plot.height = meta.aspect ? plotWidth * meta.aspect : columns < meta.columns ? Math.min(meta.height, 260) : meta.height;
      if (paper && !meta.aspect) plot.height = Math.round(plot.height * paper.lower);
    }
    copy.padding = 2;
    return copy;
  }

  // Letters of the longest name in a chart's legend.
  function longest(part) {
    const names = part.encoding?.color?.scale?.domain ?? [];
    return Math.max(0, ...names.map((name) => String(name).length), ...[...(part.layer ?? []), ...(part.concat ?? [])].map(longest));
  }

  // On a phone the entries of a legend stand below each other where they do not fit side by side.
  function coat(width, spec) {
    if (width >= NARROW) return COAT;
    const columns = longest(spec) > 15 ? 1 : 2;
    const legend = { ...COAT.legend, columns, columnPadding: 10, labelLimit: columns === 1 ? 240 : 120, layout: { bottom: { direction: "vertical", anchor: "start" } } };
    return { ...COAT, legend };
  }

  async function draw(box, paper) {
    const name = box.dataset.chart, width = paper ? paper.width : box.clientWidth;
    if (drawn.get(name)?.width === width) return;
    drawn.get(name)?.result?.finalize();
    drawn.set(name, { width });
    const result = await window.vegaEmbed(box, fit(specs[name], width, paper), {
      config: coat(width, specs[name]), actions: false, renderer: "svg", ast: true, tooltip: { theme: "custom" },
    });
    drawn.set(name, { width, result });
    const button = document.querySelector(`[data-zoom="${name}"]`);
    button.hidden = false;
  }

  // One after the other, the first ones first, so that the page answers while it draws.
  let running = null, again = false;
  async function drawAll() {
    if (running) { again = true; return; }
    running = true;
    for (const box of boxes) {
      try {
        await draw(box);
      } catch (error) {
        box.textContent = "This chart could not be drawn here; its picture is in the folder figures.";
        console.error(error);
      }
      await new Promise((resume) => setTimeout(resume, 0));
    }
    running = null;
    if (again) { again = false; drawAll(); }
  }

  // A chart takes the wheel and the finger only when its reader asked for that; else the page scrolls.
  for (const box of boxes) {
    for (const kind of ["wheel", "pointerdown", "mousedown", "touchstart", "touchmove"]) {
      box.addEventListener(kind, (event) => {
        if (!box.classList.contains("free")) event.stopPropagation();
      }, { capture: true, passive: true });
    }
  }
  for (const button of document.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => {
      const box = document.querySelector(`[data-chart="${button.dataset.zoom}"]`);
      button.setAttribute("aria-pressed", String(box.classList.toggle("free")));
    });
  }
  let timer = 0;
  // What is drawn for a screen is too tall for a sheet. Nothing in `draw` waits for more than a promise, so the charts
  // are there before the browser looks at the page again. Where it does not ask, the style sheet makes them smaller.
  window.addEventListener("beforeprint", () => boxes.forEach((box) => draw(box, PAPER).catch(console.error)));
  window.addEventListener("afterprint", drawAll);
  window.addEventListener("resize", () => { clearTimeout(timer); timer = setTimeout(drawAll, 150); });
  drawAll();
})();
