// Lays two covers side by side: their facts from the table of all, their seasons from the files or pages beside it.
"use strict";

(() => {
  const { draw, seasons, unpackedFigure, waiting, whenNear, withLibrary } = stormwalk;
  const DASHES = ["solid", "dot"];
  const COLOURS = ["#0072B2", "#D55E00"]; // Okabe & Ito 2008, as in the other charts
  const SIGNS = { inspected: ["circle", 0.25], found: ["triangle-up", 0], done: ["square", -0.25] }; // sign, height
  const [FOOT_PX, PANEL_PX, LOG_PX, GAP_PX] = [116, 128, 76, 26];
  const pair = document.getElementById("pair");
  const facts = document.getElementById("facts");
  if (!pair) return;
  const selects = ["one", "other"].map((key) => document.getElementById(key));
  const said = document.getElementById("pair-said");
  const place = document.getElementById("chart-pair");
  let asked = 0;

  // A written folder may be opened from disk, where a page can read no other page: its files of seasons are scripts.
  stormwalk.season = (name, figure) => {
    seasons.set(name, figure);
    waiting.get(name)?.(figure);
  };

  function fromScript(name) {
    return new Promise((resolve, reject) => {
      waiting.set(name, resolve);
      const script = document.createElement("script");
      script.src = name.replace(".html", ".js");
      script.onerror = () => reject(new Error(`${script.getAttribute("src")} did not load.`));
      document.head.append(script);
    });
  }

  async function fromPage(name) {
    const answer = await fetch(name);
    if (!answer.ok) throw new Error(`${name} did not load.`);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const script = page.querySelector('script[data-chart="chart-cover"]');
    stormwalk.season(name, script && JSON.parse(script.textContent));
    return seasons.get(name);
  }

  async function seasonOf(name) {
    const packed = seasons.has(name) ? seasons.get(name) : await (pair.dataset.seasons === "script" ? fromScript : fromPage)(name);
    return packed && unpackedFigure(structuredClone(packed));
  }

  // --- words ---------------------------------------------------------------------------------------------------------

  function fill(table, head, rows) {
    const line = (tag, texts) => {
      const row = document.createElement("tr");
      texts.forEach((text, i) => {
        const cell = document.createElement(tag === "th" || i === 0 ? "th" : "td");
        if (cell.tagName === "TH") cell.scope = tag === "th" ? "col" : "row";
        if (i === 0 || text.length > 24) cell.className = "words";
        cell.textContent = text;
        row.append(cell);
      });
      return row;
    };
    const [top, body] = [document.createElement("thead"), document.createElement("tbody")];
    top.append(line("th", head));
    body.append(...rows.map((texts) => line("td", texts)));
    table.replaceChildren(top, body);
  }

  function rowOf(name) {
    const row = [...facts.tBodies[0].rows].find((each) => each.querySelector("a").getAttribute("href") === name);
    return [...row.cells].map((cell) => cell.textContent.trim());
  }

  function tellFacts(names) {
    const [one, other] = names.map(rowOf);
    const head = ["", one[0], other[0]];
    const rows = [...facts.tHead.rows[0].cells].map((cell, i) => [cell.textContent.trim(), one[i], other[i]]).slice(1);
    const differing = rows.filter(([, a, b]) => a !== b);
    fill(document.getElementById("differing"), ["fact", ...head.slice(1)], differing);
    fill(document.getElementById("alike"), ["fact", ...head.slice(1)], rows.filter(([, a, b]) => a === b));
    return { titles: [one[0], other[0]], differing: differing.length, of: rows.length };
  }

  // --- chart ---------------------------------------------------------------------------------------------------------

  function panelsOf({ data, layout }) {
    return layout.meta.panels.map(([axis, title]) => {
      const name = axis.replace("y", "yaxis");
      const words = layout.annotations.find((each) => each.yref === `${axis} domain`);
      const own = data.filter((trace) => trace.yaxis === axis && trace.hovertemplate);
      return {
        title,
        axis: layout[name],
        words: words.text,
        line: own.find((trace) => trace.name !== "hours missing"),
        missing: own.find((trace) => trace.name === "hours missing"),
      };
    });
  }

  // Both seasons as one figure: a panel each for what both have, the log of both above it.
  function together(figures, titles) {
    const panels = figures.map(panelsOf);
    const shared = panels[0].flatMap((one) => {
      const other = panels[1].find(({ title }) => title === one.title);
      return other ? [[one, other]] : [];
    });
    const ranges = figures.map(({ layout }) => layout.xaxis.range);
    const base = figures[ranges[0][0] <= ranges[1][0] ? 0 : 1].layout;
    const heights = [LOG_PX, ...shared.map(() => PANEL_PX)];
    const tall = heights.reduce((sum, height) => sum + height + GAP_PX, 0);
    const top = base.margin.t;
    const layout = {
      ...base,
      height: tall + top + FOOT_PX,
      margin: { ...base.margin, t: top, b: FOOT_PX },
      showlegend: true,
      meta: {},
      xaxis: { ...base.xaxis, range: [ranges.map(([first]) => first).sort()[0], ranges[0][1]], anchor: `y${heights.length}` },
      // Of the shapes and words, only storms and forecast belong to both: those that no panel holds.
      shapes: base.shapes.filter((shape) => shape.type === "path" || (shape.line || {}).dash === "dot"),
      annotations: base.annotations.filter((words) => words.yref === "paper"),
    };
    for (const key of Object.keys(layout)) if (/^yaxis/.test(key)) delete layout[key];
    let at = tall;
    const rows = heights.map((height) => {
      at -= GAP_PX + height;
      return [Math.max(at / tall, 0), (at + height) / tall];
    });
    const heading = (row, text) => ({
      text, showarrow: false, xref: "x domain", x: 0, xanchor: "left", yref: `y${row ? row + 1 : ""} domain`, y: 1, yanchor: "bottom", font: { size: 12 },
    });
    layout.yaxis = { domain: rows[0], range: [-0.7, 1.7], showgrid: false, zeroline: false, showticklabels: false, fixedrange: true };
    layout.annotations.push(heading(0, "<b>Log</b> ● inspected ▲ found ■ done"));
    const data = [];
    figures.forEach((figure, who) => {
      for (const trace of figure.data.filter(({ name }) => name in SIGNS)) {
        data.push({
          ...trace, yaxis: "y", y: trace.x.map(() => 1 - who + SIGNS[trace.name][1]), mode: "markers", name: `${titles[who]}, ${trace.name}`,
          marker: { symbol: SIGNS[trace.name][0], size: 10, color: COLOURS[who], line: { width: 1, color: "#767676" } },
        });
      }
    });
    shared.forEach((both, i) => {
      const axis = `y${i + 2}`;
      const ends = both.map(({ axis: own }) => own.range);
      layout[`yaxis${i + 2}`] = {
        ...both[0].axis, domain: rows[i + 1],
        range: [Math.min(...ends.map(([low]) => low)), Math.max(...ends.map(([, high]) => high))],
      };
      layout.annotations.push(heading(i + 1, both[0].words));
      both.forEach(({ line, missing }, who) => {
        data.push({
          ...line, yaxis: axis, name: titles[who], legendgroup: titles[who], showlegend: i === 0,
          line: { color: COLOURS[who], width: who ? 2 : 1.6, dash: DASHES[who] },
        });
        if (missing && (who === 0 || !both[0].missing)) {
          data.push({ ...missing, yaxis: axis, y: missing.x.map(() => layout[`yaxis${i + 2}`].range[0]), showlegend: i === 0 });
        }
      });
    });
    return { figure: { data, layout, config: figures[0].config }, shared };
  }

  // --- the numbers behind it -------------------------------------------------------------------------------------------

  // An hour that ends at midnight belongs to the day before.
  const dayOf = (hour) => (hour.slice(11, 16) === "00:00" ? new Date(Date.parse(`${hour.slice(0, 10)}Z`) - 1).toISOString() : hour).slice(0, 10);

  function highest({ x, y }) {
    const days = new Map();
    x.forEach((hour, i) => {
      const day = dayOf(hour);
      const before = days.get(day) ?? null;
      days.set(day, y[i] === null ? before : before === null ? y[i] : Math.max(before, y[i]));
    });
    return days;
  }

  function tellDays(shared, titles) {
    const columns = shared.flatMap((both) => both.map(({ line }) => highest(line)));
    const unit = (words) => words.replace(/<\/?b>/g, "");
    const head = ["day", ...shared.flatMap(([one]) => titles.map((title) => `${unit(one.words)}: ${title}`))];
    const days = [...new Set(columns.flatMap((column) => [...column.keys()]))].sort().reverse();
    fill(document.getElementById("days"), head, days.map((day) => [day, ...columns.map((column) => `${column.get(day) ?? "–"}`)]));
  }

  // --- together --------------------------------------------------------------------------------------------------------

  async function show() {
    const mine = (asked += 1);
    const names = selects.map((select) => select.value);
    history.replaceState(null, "", `?${new URLSearchParams({ one: names[0], other: names[1] })}${location.hash}`);
    const { titles, differing, of } = tellFacts(names);
    const counted = `${titles[0]} and ${titles[1]}: ${differing} of ${of} facts differ.`;
    const same = names[0] === names[1] ? " Both are the same cover; choose another." : "";
    try {
      const [figures] = await Promise.all([Promise.all(names.map(seasonOf)), withLibrary()]);
      if (mine !== asked) return; // somebody chose another pair meanwhile
      if (figures.includes(null)) throw new Error(`No hour is modelled of ${titles[figures.indexOf(null)]}.`);
      const { figure, shared } = together(figures, titles);
      tellDays(shared, titles);
      await draw(place, figure);
      place.dataset.pair = names.join(" ");
      said.textContent = counted + same;
    } catch (error) {
      if (mine !== asked) return;
      if (place.dataset.drawn) Plotly.purge(place);
      delete place.dataset.drawn;
      place.textContent = `Their seasons cannot be shown. ${error.message}`;
      said.textContent = `${counted} Their seasons cannot be shown. ${error.message}`;
    }
  }

  const query = new URLSearchParams(location.search);
  selects.forEach((select) => {
    const wanted = query.get(select.id);
    if ([...select.options].some((option) => option.value === wanted)) select.value = wanted;
    select.addEventListener("input", show);
  });
  if (selects[0].value === selects[1].value && selects[0].options.length > 1) {
    selects[1].selectedIndex = selects[0].selectedIndex === 0 ? 1 : 0;
  }
  pair.hidden = false;
  show();
})();
