// Draws the charts of a page from the JSON beside them, and finds boats in the list. Needs plotly.min.js, calls nobody.
"use strict";

(() => {
  const HOUR_MS = 3600e3;
  const PAPER_PX = 680; // as wide as a sheet with its margins, in landscape or not
  const PAPER_TALL_PX = 860; // a chart with its heading and words on one sheet
  const PAPER_INK = "#16191d";
  const NARROW = matchMedia("(max-width: 40rem)");

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

  function draw(script) {
    const place = document.getElementById(script.dataset.chart);
    const { data, layout, config } = JSON.parse(script.textContent);
    for (const trace of data) {
      for (const key of ["x", "y", "text", "customdata"]) {
        if (key in trace) trace[key] = unpacked(trace[key]);
      }
      if (trace.meta && trace.meta.notes) trace.customdata = trace.customdata.map((code) => trace.meta.notes[code]);
    }
    for (const [path, value] of Object.entries(inks())) set(layout, path, value);
    if (matchMedia("(pointer: coarse)").matches) {
      layout.dragmode = false; // a thumb scrolls the page, not the chart
      config.displayModeBar = false;
    }
    if (NARROW.matches && layout.hovermode === "x unified") sayOneAtATime(data, layout);
    Object.assign(layout, mapHeight(place, layout));
    place.replaceChildren();
    return Plotly.newPlot(place, data, layout, config).then(() => {
      place.dataset.drawn = "yes";
      place.on("plotly_click", (event) => {
        const page = event.points[0].customdata;
        if (/^cover-[a-z0-9-]+\.html$/.test(page)) location.href = page;
      });
    });
  }

  // The height at which the map's scale is the same down as across; nothing for other charts.
  function mapHeight(place, layout) {
    if (!layout.meta || !layout.meta.aspect) return {};
    const { l, r, t, b } = layout.margin;
    const plot = (place.clientWidth - l - r) * layout.meta.aspect;
    const most = place.closest(".large") ? 2.5 * place.clientWidth : Math.max(0.8 * innerHeight - t - b, 360);
    return { height: Math.round(Math.min(Math.max(plot, 180), most) + t + b) };
  }

  function refit() {
    for (const place of document.querySelectorAll(".chart[data-drawn]")) {
      const { height } = mapHeight(place, place.layout);
      if (height && height !== place.layout.height) Plotly.relayout(place, { height });
    }
  }

  function recolour() {
    for (const place of document.querySelectorAll(".chart[data-drawn]")) Plotly.relayout(place, inks());
  }

  function drawWhenNear(script) {
    const place = document.getElementById(script.dataset.chart);
    if (!("IntersectionObserver" in window)) return void draw(script);
    const watch = new IntersectionObserver(
      (entries) => {
        if (!entries.some((entry) => entry.isIntersecting)) return;
        watch.disconnect();
        draw(script);
      },
      { rootMargin: "1200px" },
    );
    watch.observe(place);
  }

  function findBoats() {
    const field = document.getElementById("find");
    if (!field) return;
    const rows = [...document.querySelectorAll(".covers > li")].map((row) => {
      const words = row.querySelector("h4").textContent + " " + row.querySelector(".berth").textContent;
      return { row, words: words.toLowerCase() };
    });
    field.addEventListener("input", () => {
      const wanted = field.value.trim().toLowerCase().split(/\s+/);
      let found = 0;
      for (const { row, words } of rows) {
        row.hidden = !wanted.every((word) => words.includes(word));
        if (!row.hidden) found += 1;
      }
      for (const group of document.querySelectorAll(".group")) {
        group.hidden = !group.querySelector(".covers > li:not([hidden])");
      }
      document.getElementById("found").textContent = field.value.trim() ? `${found} of ${rows.length}` : "";
    });
  }

  // On a phone the list starts without the numbers behind each reason: what and what to check fit the screen.
  function foldNumbers() {
    const button = document.getElementById("numbers");
    if (!button) return;
    const show = (shown) => {
      button.setAttribute("aria-pressed", String(shown));
      document.body.classList.toggle("brief", !shown);
    };
    button.parentElement.hidden = false;
    button.addEventListener("click", () => show(button.getAttribute("aria-pressed") !== "true"));
    show(!NARROW.matches);
  }

  findBoats();
  foldNumbers();
  const charts = [...document.querySelectorAll("script[data-chart]")];
  charts.forEach(drawWhenNear);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", recolour);
  addEventListener("resize", refit);
  addEventListener("afterprint", () => {
    for (const place of document.querySelectorAll(".chart[data-drawn]")) {
      const height = Number(place.dataset.height) || place.layout.height;
      // Plotly drops the height with the width, so it is given back in a second step.
      Plotly.relayout(place, { ...inks(), width: null, autosize: true }).then(() =>
        Plotly.relayout(place, { height, ...mapHeight(place, place.layout) }),
      );
    }
  });
  addEventListener("beforeprint", () => {
    for (const place of document.querySelectorAll(".chart")) {
      if (!place.dataset.drawn) continue;
      place.dataset.height = place.layout.height;
      const height = Math.min(place.layout.height, PAPER_TALL_PX);
      Plotly.relayout(place, { "font.color": PAPER_INK, width: PAPER_PX, height });
    }
    for (const section of document.querySelectorAll("details:not(.numbers)")) section.open = true;
  });
})();
