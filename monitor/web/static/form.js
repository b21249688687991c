// Forms of entries: rows added in place, drafts kept, photos kept as they are taken, and the entry saved on this phone.

import { goBack, wayBack } from "./back.js";
import { NEITHER, SOUND_AND_FINDINGS, asText, fieldsOf, fill, findingsOf, missingOf, valuesOf, yardOf } from "./entry.js";
import * as store from "./store.js";

const MOST_ROWS = 100;

/** Take over a form. `queue` is null where nothing can be kept for later: it is sent by the browser itself then. */
export function takeOver(form, account, queue) {
  const kind = form.dataset.queue;
  const boat = form.elements.namedItem("boat")?.value ?? "";
  const yard = form.dataset.yard ?? yardOf(location.pathname);
  const draft = `draft ${account} ${kind} ${location.pathname} ${boat} ${form.elements.namedItem("corrects")?.value ?? ""}`;
  const writes = [...form.elements].some((one) => one.name && !["hidden", "submit", "button"].includes(one.type));
  const rows = takeOverRows(form);
  let replaces = null;

  const remember = () => {
    if (writes && !form.dataset.busy) { // a disabled field has no value
      try {
        localStorage.setItem(draft, JSON.stringify(fieldsOf(form)));
      } catch {
        form.dataset.draft = "off"; // a full or closed store: the form itself still holds what was typed
      }
    }
  };
  const forget = () => localStorage.removeItem(draft);
  form.addEventListener("input", remember);
  form.addEventListener("change", remember);

  const typed = localStorage.getItem(draft);
  const refusedHere = document.querySelector("main .problem") !== null; // the server has put back what was sent
  if (typed && writes && !refusedHere) {
    fill(form, JSON.parse(typed), rows.add);
    openFilled(form);
    form.dataset.restored = "yes";
  }
  if (!refusedHere) {
    fillFromAddress(form);
  }
  if (!queue) {
    form.addEventListener("submit", forget);
    return;
  }

  const photos = takeOverPhotos(form, draft, account, kind, queue.changed);
  putRightIfAsked();

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const fields = fieldsOf(form, event.submitter);
    const typed = new Map(fields);
    const wrong = kind === "inspection" ? wrongWith(typed) : "";
    if (wrong) {
      say(form, wrong).focus();
      return;
    }
    const ready = disable(form);
    let entry;
    try {
      entry = await save(fields);
    } catch (error) {
      say(form, `This phone could not save the entry (${error.message}). It is not logged; the form still holds it.`);
      ready();
      return;
    }
    form.dataset.saved = String(+(form.dataset.saved ?? 0) + 1);
    say(form, "Saved on this phone.", "said");
    forget();
    replaces = null;
    form.reset();
    rows.reset();
    const back = wayBack(form, yard);
    if (!(await goBack(back, entry, queue.saved()))) {
      tellSaved(entry, back);
      ready();
      await photos.show();
    }
  });

  async function save(fields) {
    const id = replaces && replaces.status !== 409 ? replaces.id : crypto.randomUUID();
    const now = new Date();
    const values = valuesOf(kind, id, yard, fields, replaces ? new Date(replaces.written_at) : now);
    const written_at = replaces ? replaces.written_at : now.getTime();
    const page = location.pathname + location.search;
    const name = form.dataset.name ?? values.boat;
    const zone = queue.zone;
    const entry = { id, kind, account, yard, zone, boat: values.boat, name, page, fields, values, written_at };
    await store.saveEntry({ ...entry, state: "waiting", status: 0, sentence: "" }, draft, replaces);
    return entry;
  }

  function tellSaved(entry, back) {
    const stays = "The yard's computer does not answer, and the page to go back to is not kept on this phone. ";
    const link = document.createElement("a");
    link.href = back;
    link.textContent = "Try to go back";
    say(form, `Saved on this phone, waiting: ${entry.name}. ${stays}`, "said").append(link);
  }

  async function putRightIfAsked() {
    const id = new URLSearchParams(location.hash.slice(1)).get("put-right");
    const refused = id && (await store.entries()).find((one) => one.id === id && one.kind === kind && one.boat === boat);
    if (refused) {
      replaces = refused;
      form.dataset.putsRight = id;
      form.querySelectorAll("[type=datetime-local]").forEach(asText);
      fill(form, refused.fields, rows.add);
      openFilled(form);
      say(form, `Refused: ${refused.sentence} Put it right and save it again.`);
      await photos.show(id);
    }
  }
}

/** What keeps an inspection from being saved, before it is queued: offline nobody else would say it. */
function wrongWith(typed) {
  const findings = findingsOf(typed);
  if (typed.has("sound")) {
    return findings.length ? SOUND_AND_FINDINGS : "";
  }
  const missing = missingOf(findings);
  if (missing) {
    return `${missing} Nothing was saved.`;
  }
  return findings.length || typed.get("corrects") ? "" : NEITHER;
}

/** What the address chooses, where nothing is chosen yet: a kept form was made for the boat alone. */
function fillFromAddress(form) {
  const query = new URLSearchParams(location.search);
  for (const [name, control] of [["action", "action"], ["finding", "finding"], ["defect", "defect-0"]]) {
    const [field, value] = [form.elements.namedItem(control), query.get(name)];
    if (field && value && !field.value) {
      if (name === "finding" && ![...field.options].some((option) => option.value === value)) {
        field.add(new Option("the finding named before", value));
      }
      field.value = value;
    }
  }
}

/** Show what was put back: folded parts that hold something are opened. */
function openFilled(form) {
  for (const part of form.querySelectorAll("details")) {
    part.open ||= [...part.querySelectorAll("input[type=text], input[type=datetime-local], select, textarea")].some((one) => one.value);
  }
}

/** Let nobody type into a form while it is saved: what is typed then would be wiped with it. */
function disable(form) {
  const parts = [...form.elements].filter((one) => !one.disabled && one.type !== "hidden");
  parts.forEach((one) => (one.disabled = true));
  form.dataset.busy = "yes";
  return () => {
    parts.forEach((one) => (one.disabled = false));
    delete form.dataset.busy;
    form.querySelector("[data-says]:not([hidden])")?.focus();
  };
}

/** One sentence on top of the form: what is wrong (class "problem"), or that it was saved ("said"). */
function say(form, sentence, kind = "problem") {
  let place = form.querySelector(":scope > [data-says]");
  if (!place) {
    place = document.createElement("p");
    place.setAttribute("role", "alert");
    place.tabIndex = -1;
    form.prepend(place);
  }
  place.className = kind;
  place.dataset.says = kind;
  place.hidden = !sentence;
  place.textContent = sentence;
  if (sentence) {
    place.scrollIntoView({ block: "center" });
  }
  return place;
}

/** Rows of findings: the next empty one is opened, and copied from the last where none is left. */
function takeOverRows(form) {
  const all = () => [...form.querySelectorAll(".finding")];
  const first = all().length;

  const add = () => {
    const last = all().at(-1);
    if (!last || all().length >= MOST_ROWS) {
      return false;
    }
    const row = last.cloneNode(true);
    const next = +last.querySelector("[name^=defect-]").name.split("-")[1] + 1;
    row.querySelectorAll(".wrong").forEach((one) => one.remove());
    for (const part of row.querySelectorAll("[name], [id], [for]")) {
      for (const name of ["name", "id", "for"]) {
        if (part.hasAttribute(name)) {
          part.setAttribute(name, part.getAttribute(name).replace(/-\d+$/, `-${next}`));
        }
      }
      part.removeAttribute("aria-describedby");
      part.removeAttribute("aria-invalid");
    }
    row.querySelectorAll("option").forEach((option) => (option.defaultSelected = false));
    row.querySelectorAll("select").forEach((select) => (select.selectedIndex = 0));
    row.querySelectorAll("input, textarea").forEach((text) => (text.value = text.defaultValue = ""));
    row.setAttribute("aria-label", `Finding ${next + 1}`);
    row.querySelectorAll("summary").forEach((one) => (one.textContent = `Finding ${next + 1}`));
    last.after(row);
    return row;
  };

  const isEmpty = (row) => [...row.querySelectorAll("select, input, textarea")].every((one) => !one.value);
  const nextEmpty = () => all().find(isEmpty) ?? add();

  form.addEventListener("click", (event) => {
    const button = event.target.closest("button[name=more], button[name=add]");
    if (!button) {
      return;
    }
    event.preventDefault();
    const row = nextEmpty();
    if (row) {
      row.open = true;
      const defect = row.querySelector("[name^=defect-]");
      if (button.name === "add") {
        defect.value = button.value;
        defect.dispatchEvent(new Event("change", { bubbles: true }));
      }
      (button.name === "add" ? row.querySelector("[name^=place-]") : defect).focus();
    }
  });
  const reset = () => all().slice(first).forEach((row) => row.remove());
  return { add, reset };
}

/** Photos are kept as soon as they are taken: the camera's field holds only the last one, and a closed tab none. */
function takeOverPhotos(form, draft, account, kind, changed) {
  const field = form.querySelector("input[type=file][name=photos]");
  if (!field) {
    return { show: async () => {} };
  }
  const list = document.createElement("ul");
  list.className = "photos";
  field.after(list);
  const hint = form.querySelector("#hint-photos");
  if (hint) {
    hint.textContent = "JPEG, PNG or WebP, 15 MB each at most; as many as you like, one after the other.";
  }
  let alsoOf = null;

  field.addEventListener("change", async () => {
    const files = [...field.files];
    const ready = disable(form);
    try {
      const taken = await Promise.all(files.map((file, number) => photoOf(file, number)));
      await store.savePhotos(taken);
      field.value = "";
      say(form, "");
    } catch (error) {
      say(form, `This phone could not keep the photo (${error.message}). Make room on it, and take the photo again.`);
    } finally {
      ready();
    }
    await show(alsoOf);
    await changed();
  });

  async function photoOf(file, number) {
    const now = Date.now();
    const taken = file.lastModified > 1e12 && file.lastModified <= now ? file.lastModified : now;
    return {
      id: crypto.randomUUID(),
      entry: draft,
      kind,
      account,
      blob: new Blob([await file.arrayBuffer()], { type: file.type }), // read now: the camera's file may go
      name: file.name,
      taken_at: new Date(taken).toISOString().replace(/\.\d+Z$/, "Z"),
      added: now + number,
      state: "waiting",
      sentence: "",
    };
  }

  async function show(entry = null) {
    alsoOf = entry;
    const photos = (await store.photos()).filter((photo) => photo.entry === draft || photo.entry === entry);
    form.dataset.photos = photos.length;
    list.replaceChildren(
      ...photos.map((photo) => {
        const item = document.createElement("li");
        const picture = document.createElement("img");
        picture.src = URL.createObjectURL(photo.blob);
        picture.alt = photo.name;
        picture.width = 96;
        picture.addEventListener("load", () => URL.revokeObjectURL(picture.src));
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = "Leave this photo out";
        button.addEventListener("click", async () => {
          await store.removePhoto(photo.id);
          await show(entry);
        });
        item.append(picture, button);
        return item;
      }),
    );
  }

  show();
  return { show };
}
