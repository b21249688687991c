// Narrows the list of a yard, its map and its table of berths; the choice stands in the address, to be shared.
"use strict";

(() => {
  const { NARROW } = stormwalk;
  const form = document.getElementById("narrow");
  if (!form) return;
  const FAINT = 0.15;
  const ANY = "any open finding";
  const fields = Object.fromEntries(["boat", "row", "call", "defect"].map((key) => [key, document.getElementById(key)]));
  const found = document.getElementById("found");
  const rows = [...document.querySelectorAll(".covers > li")].map((row) => ({
    row,
    href: row.querySelector("h4 a").getAttribute("href"),
    words: `${row.querySelector("h4").textContent} ${row.querySelector(".berth").textContent}`.toLowerCase(),
    defects: row.dataset.defects ? row.dataset.defects.split("|") : [],
  }));
  const groups = [...document.querySelectorAll(".group")].map((group) => ({
    group,
    count: group.querySelector(".count"),
    whole: group.querySelector(".count").textContent,
    rows: rows.filter(({ row }) => group.contains(row)),
  }));

  function matches({ row, words, defects }, wanted) {
    return (
      (!wanted.row || row.dataset.row === wanted.row) &&
      (!wanted.call || row.dataset.call === wanted.call) &&
      (!wanted.defect || (wanted.defect === ANY ? defects.length > 0 : defects.includes(wanted.defect))) &&
      wanted.boat.toLowerCase().split(/\s+/).every((word) => words.includes(word))
    );
  }

  function chosen() {
    return Object.fromEntries(Object.entries(fields).map(([key, field]) => [key, field.value.trim()]));
  }

  function show() {
    const wanted = chosen();
    for (const each of rows) each.row.hidden = !matches(each, wanted);
    for (const { group, count, whole, rows: inside } of groups) {
      const left = inside.filter(({ row }) => !row.hidden).length;
      group.hidden = left === 0;
      count.textContent = left === inside.length ? whole : `${left} of ${whole}`;
    }
    const shown = rows.filter(({ row }) => !row.hidden);
    const narrowed = Object.values(wanted).some(Boolean);
    found.textContent = narrowed
      ? `${shown.length} of ${rows.length} covers shown${shown.length ? "" : ": none is like this"}.`
      : `All ${rows.length} covers shown.`;
    const pages = new Set(shown.map(({ href }) => href));
    for (const row of document.querySelectorAll("#berth-table tbody tr")) {
      row.hidden = narrowed && !pages.has(row.querySelector("a").getAttribute("href"));
    }
    paint(narrowed ? pages : null);
  }

  // On the map, boats that the list leaves out are faint and lose their words.
  function paint(pages) {
    const map = document.getElementById("chart-berths");
    if (!map || !map.dataset.drawn) return;
    map.data.forEach((trace, i) => {
      if (!trace.customdata) return;
      trace.words ??= trace.text;
      const kept = trace.customdata.map((page) => pages === null || pages.has(page));
      Plotly.restyle(
        map,
        { "marker.opacity": [kept.map((is) => (is ? 1 : FAINT))], text: [trace.words.map((text, k) => (kept[k] ? text : ""))] },
        [i],
      );
    });
  }

  function remember() {
    const query = new URLSearchParams();
    for (const [key, value] of Object.entries(chosen())) if (value) query.set(key, value);
    const words = query.toString();
    history.replaceState(null, "", (words ? `?${words}` : location.pathname) + location.hash);
  }

  function recall() {
    const query = new URLSearchParams(location.search);
    for (const [key, field] of Object.entries(fields)) {
      const value = query.get(key) ?? "";
      const known = field.tagName === "INPUT" || [...field.options].some((option) => option.value === value);
      field.value = known ? value : "";
    }
  }

  function clear() {
    for (const field of Object.values(fields)) field.value = "";
    show();
    remember();
  }

  // On a phone the list starts without the numbers behind each reason: what and what to check fit the screen.
  function foldNumbers() {
    const button = document.getElementById("numbers");
    const turn = (shown) => {
      button.setAttribute("aria-pressed", String(shown));
      document.body.classList.toggle("brief", !shown);
    };
    button.addEventListener("click", () => turn(button.getAttribute("aria-pressed") !== "true"));
    turn(!NARROW.matches);
  }

  for (const field of Object.values(fields)) {
    field.addEventListener("input", () => {
      show();
      remember();
    });
  }
  document.getElementById("everything").addEventListener("click", clear);
  for (const link of document.querySelectorAll(".counts a")) {
    link.addEventListener("click", () => {
      if (document.querySelector(link.hash).closest(".group").hidden) clear();
    });
  }
  document.addEventListener("drawn", show);
  foldNumbers();
  recall();
  show();
  form.hidden = false;
})();
