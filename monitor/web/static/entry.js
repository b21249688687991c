// A form's fields as the entry that the yard's computer takes, and back into the form.

const TEXTS = {
  inspection: ["boat", "snow_depth", "snow_water_mm", "band_drop", "gust_seen", "note", "corrects"],
  action: ["boat", "action", "quantity", "finding", "note", "corrects"],
};
const MOMENT = { inspection: "inspected_at", action: "acted_at" };
const ROW = /^(defect|place|severity|note)-(\d+)$/;

export const SOUND_AND_FINDINGS =
  "All sound was chosen, and findings are written below: leave out the one or the other. Nothing was saved.";

export const NEITHER = "Nothing is written as found: say what was found, or tap All sound. Nothing was saved.";

const NEEDED = { defect: "what was found", place: "where", severity: "how bad it is" };

/** What is missing of the findings, in a sentence; empty where each is whole. */
export function missingOf(findings) {
  const said = findings.map((finding, number) => {
    const missing = Object.keys(NEEDED).filter((part) => finding[part] === "" || finding[part] === null);
    return missing.length ? `Finding ${number + 1}: say ${missing.map((part) => NEEDED[part]).join(" and ")}.` : "";
  });
  return said.filter(Boolean).join(" ");
}

/** Names and texts of a form's fields, files left out. */
export function fieldsOf(form, submitter) {
  return [...new FormData(form, submitter)].filter(([, value]) => typeof value === "string");
}

/** The key of the yard in a page's address. */
export const yardOf = (path) => decodeURIComponent(path.split("/")[2] ?? "");

/** The entry as JSON of the interface; a moment left out is now, and in a correction that of what it corrects. */
export function valuesOf(kind, id, yard, fields, now) {
  const typed = new Map(fields);
  const values = { id, yard };
  for (const name of TEXTS[kind]) {
    values[name] = typed.get(name) ?? "";
  }
  const moment = typed.get(MOMENT[kind])?.trim();
  values[MOMENT[kind]] = moment || (values.corrects ? null : now.toISOString().replace(/\.\d+Z$/, "Z"));
  if (kind === "inspection") {
    values.inside = typed.has("inside");
    values.findings = findingsOf(typed);
  }
  return values;
}

/** Rows of findings in which anything is chosen or written: half a finding is one, never a sound cover. */
export function findingsOf(typed) {
  const rows = new Map();
  for (const [name, value] of typed) {
    const [, part, number] = ROW.exec(name) ?? [];
    if (part) {
      rows.set(+number, { defect: "", place: "", severity: null, note: "", ...rows.get(+number), [part]: value });
    }
  }
  return [...rows.keys()]
    .sort((a, b) => a - b)
    .map((number) => rows.get(number))
    .filter((row) => row.defect || row.place || row.severity || row.note.trim())
    .map((row) => ({ ...row, severity: /^\d+$/.test(row.severity ?? "") ? +row.severity : null }));
}

/** A picker of moments as a field for text, which takes an offset too. */
export function asText(control) {
  control.type = "text";
  return control;
}

/** Put texts back into a form; hidden fields stay as the page made them. */
export function fill(form, fields, addRow) {
  const highest = Math.max(-1, ...fields.map(([name]) => +(ROW.exec(name)?.[2] ?? -1)));
  while (highest >= 0 && !form.elements.namedItem(`defect-${highest}`) && addRow()) {
    // rows are added until the last one typed has its place
  }
  const typed = new Map();
  for (const [name, value] of fields) {
    typed.set(name, [...(typed.get(name) ?? []), value]);
  }
  for (const control of form.elements) {
    if (!control.name || ["hidden", "file", "submit", "button"].includes(control.type)) {
      continue;
    }
    const values = typed.get(control.name) ?? [];
    if (control.type === "checkbox" || control.type === "radio") {
      control.checked = values.includes(control.value);
    } else if (values.length) {
      control.value = values[0];
      if (control.type === "datetime-local" && control.value !== values[0]) {
        asText(control).value = values[0]; // written with an offset, or in another way than a picker takes
      }
    }
  }
}
