// Draws the charts of a page from the JSON beside them, fits them to paper, and saves tables. Calls nobody.
"use strict";

window.stormwalk = (() => {
  const HOUR_MS = 3600e3;
  const PAPER_PX = 680; // as wide as a sheet with its margins, in landscape or not
  const PAPER_TALL_PX = 780; // a chart with its heading and words on one sheet
  const NARROW = matchMedia("(max-width: 40rem)");
  const DARK = matchMedia("(prefers-color-scheme: dark)");
  const NEAR = { rootMargin: "800px" };

  // Counterpart of dashboards/packing.py.
  function unpacked(values) {
    if (values && values.runs) {
      const times = [];
      for (let i = 0; i < values.runs.length; i += 3) {
        const [first, count, step] = values.runs.slice(i, i + 3);
        const start = Date.parse(first + "Z");
        for (let k = 0; k < count; k += 1) {
          times.push(new Date(start + k * step * HOUR_MS).toISOString().slice(0, 16).replace("T", " "));
        }
      }
      return times;
    }
    if (values && values.repeats) {
      const list = [];
      for (let i = 0; i < values.repeats.length; i += 2) {
        for (let k = 0; k < values.repeats[i + 1]; k += 1) list.push(values.repeats[i]);
      }
      return list;
    }
    return values;
  }

  // A figure as it was packed, with whole arrays and the words of its hover.
  function unpackedFigure(figure) {
    for (const trace of figure.data) {
      for (const key of ["x", "y", "text", "customdata"]) {
        if (key in trace) trace[key] = unpacked(trace[key]);
      }
      if (trace.meta && trace.meta.notes) trace.customdata = trace.customdata.map((code) => trace.meta.notes[code]);
    }
    return figure;
  }

  let library;
  // The library is large: a page is readable first, and loads it when a chart comes near or there is time.
  function withLibrary() {
    library ??= new Promise((resolve, reject) => {
      const script = document.createElement("script");
      script.src = document.body.dataset.library;
      script.onload = resolve;
      script.onerror = () => reject(new Error("The library that draws charts did not load."));
      document.head.append(script);
    });
    return library;
  }

  function inks() {
    const style = getComputedStyle(document.documentElement);
    const ink = style.getPropertyValue("--ink").trim();
    const ground = style.getPropertyValue("--ground").trim();
    return { "font.color": ink, "hoverlabel.bgcolor": ground, "hoverlabel.font.color": ink };
  }

  function set(target, path, value) {
    const names = path.split(".");
    const last = names.pop();
    let at = target;
    for (const name of names) at = at[name] = at[name] || {};
    at[last] = value;
  }

  // On a phone the words of all panels at once would cover the chart: those of the nearest point alone.
  function sayOneAtATime(data, layout) {
    layout.hovermode = "closest";
    layout.hoverdistance = 20;
    for (const trace of data) {
      if (!trace.hovertemplate || trace.hovertemplate.includes("<extra>")) continue;
      trace.hovertemplate = `%{x}<br>${trace.name} ${trace.hovertemplate}<extra></extra>`;
    }
  }

  // Draws a whole figure into its place; the library must be there.
  function draw(place, { data, layout, config }) {
    for (const [path, value] of Object.entries(inks())) set(layout, path, value);
    if (matchMedia("(pointer: coarse)").matches) {
      layout.dragmode = false; // a thumb scrolls the page, not the chart
      config.displayModeBar = false;
    }
    if (NARROW.matches && layout.hovermode === "x unified") sayOneAtATime(data, layout);
    Object.assign(layout, mapHeight(place, layout));
    place.dataset.height = layout.height; // Plotly forgets it when the window changes its size
    if (!place.classList.contains("js-plotly-plot")) place.replaceChildren();
    return Plotly.react(place, data, layout, config).then(() => {
      if (place.dataset.drawn) return;
      place.dataset.drawn = "yes";
      place.on("plotly_click", (event) => {
        const page = event.points[0].customdata;
        if (/^cover-[a-z0-9-]+\.html$/.test(page)) location.href = page;
      });
      place.dispatchEvent(new Event("drawn", { bubbles: true }));
    });
  }

  function drawFrom(script) {
    const place = document.getElementById(script.dataset.chart);
    if (place.dataset.drawn) return Promise.resolve();
    return draw(place, unpackedFigure(JSON.parse(script.textContent)));
  }

  // The height at which the map's scale is the same down as across; nothing for other charts.
  function mapHeight(place, layout, wide = place.clientWidth) {
    if (!layout.meta || !layout.meta.aspect) return {};
    const { l, r, t, b } = layout.margin;
    const plot = (wide - l - r) * layout.meta.aspect;
    const most = place.closest(".large") ? 2.5 * wide : Math.max(0.8 * innerHeight - t - b, 360);
    return { height: Math.round(Math.min(Math.max(plot, 180), most) + t + b) };
  }

  const drawn = () => [...document.querySelectorAll(".chart[data-drawn]")];

  function refit() {
    for (const place of drawn()) {
      const { height } = mapHeight(place, place.layout);
      if (height && height !== place.layout.height) Plotly.relayout(place, { height });
    }
  }

  function whenNear(place, act) {
    if (!("IntersectionObserver" in window)) return void act();
    const watch = new IntersectionObserver((entries) => {
      if (!entries.some((entry) => entry.isIntersecting)) return;
      watch.disconnect();
      act();
    }, NEAR);
    watch.observe(place);
  }

  function drawWhenNear(script) {
    const place = document.getElementById(script.dataset.chart);
    const say = (error) => void (place.textContent = `${error.message} The table below holds the numbers.`);
    const words = place.querySelector(":scope > p"); // what they say is true without scripts alone
    if (words) words.textContent = "The chart is drawn when it comes into sight.";
    whenNear(place, () => withLibrary().then(() => drawFrom(script)).catch(say));
  }

  // --- paper ---------------------------------------------------------------------------------------------------------

  const opened = [];

  // What is not drawn yet is drawn, and every chart takes the width of the sheet: all at once, as nobody waits for it.
  function toPaper() {
    if (window.Plotly) document.querySelectorAll("script[data-chart]").forEach(drawFrom);
    // A chart drawn this moment says so only later; its drawing is there all the same.
    for (const place of document.querySelectorAll(".chart.js-plotly-plot")) {
      const height = mapHeight(place, place.layout, PAPER_PX).height || Number(place.dataset.height);
      Plotly.relayout(place, { autosize: false, width: PAPER_PX, height: Math.min(height, PAPER_TALL_PX) });
      // Should the paper be narrower, the drawing shrinks as a whole: the style sheet gives it the width there is.
      for (const svg of place.querySelectorAll(".main-svg")) {
        const [wide, tall] = [svg.getAttribute("width"), svg.getAttribute("height")];
        svg.setAttribute("viewBox", `0 0 ${wide} ${tall}`);
        place.style.setProperty("--shape", `${wide} / ${tall}`);
      }
    }
    for (const section of document.querySelectorAll("details:not(.numbers, [open])")) {
      section.open = true;
      opened.push(section);
    }
  }

  function toScreen() {
    for (const section of opened.splice(0)) section.open = false;
    for (const place of drawn()) {
      for (const svg of place.querySelectorAll(".main-svg")) svg.removeAttribute("viewBox");
      const height = Number(place.dataset.height);
      // Plotly drops the height with the width, so it is given back in a second step.
      Plotly.relayout(place, { width: null, autosize: true }).then(() =>
        Plotly.relayout(place, { height, ...mapHeight(place, place.layout) }),
      );
    }
  }

  // --- tables as files -----------------------------------------------------------------------------------------------

  const PLAIN_NUMBER = /^[-+]?\d+(\.\d+)?$/;

  // One cell of a CSV file. A text that a spreadsheet would take for a formula gets an apostrophe; a number is none.
  function csvCell(text) {
    const plain = text.replace(/\s+/g, " ").trim();
    const safe = /^[=+\-@]/.test(plain) && !PLAIN_NUMBER.test(plain) ? `'${plain}` : plain;
    return /[",;\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  }

  function csvText(table) {
    const rows = [...table.rows].filter((row) => !row.hidden);
    return rows.map((row) => [...row.cells].map((cell) => csvCell(cell.textContent)).join(",") + "\r\n").join("");
  }

  function fileName(table) {
    const words = `${document.body.dataset.file}_${table.dataset.file}`;
    return `${words.normalize("NFKD").replace(/[^\w-]+/g, "-")}.csv`;
  }

  function save(table) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff", csvText(table)], { type: "text/csv;charset=utf-8" }));
    link.download = fileName(table);
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
  }

  function offerFile(table) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "save";
    button.textContent = "Save this table as CSV";
    button.setAttribute("aria-label", `Save as CSV: ${table.parentElement.getAttribute("aria-label")}`);
    button.addEventListener("click", () => save(table));
    table.parentElement.before(button);
  }

  // --- begin ---------------------------------------------------------------------------------------------------------

  document.querySelectorAll("table[data-file]").forEach(offerFile);
  document.querySelectorAll("script[data-chart]").forEach(drawWhenNear);
  DARK.addEventListener("change", () => drawn().forEach((place) => Plotly.relayout(place, inks())));
  addEventListener("resize", refit);
  addEventListener("beforeprint", toPaper);
  addEventListener("afterprint", toScreen);
  addEventListener("load", () => {
    if (!document.querySelector(".chart")) return;
    const early = () => withLibrary().catch(() => {}); // a chart that comes near says so
    if ("requestIdleCallback" in window) requestIdleCallback(early, { timeout: 5000 });
    else setTimeout(early, 1000);
  });

  return { NARROW, draw, unpackedFigure, whenNear, withLibrary, seasons: new Map(), waiting: new Map() };
})();
