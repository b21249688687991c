// Back from a saved entry: to where its form was opened from, with a line there, and a mark at each boat that waits.

import { link } from "./send.js";
import { putRightAddress } from "./status.js";

const SENDING_AT_MOST_MS = 2000;
const JUST_SAVED = "stormwalk-just-saved";
const PAGES = "stormwalk-pages"; // as the service worker calls them

/** Where a form may lead back to; anything else is the boat's page. */
const LISTS = { today: "", walk: "walk" };

/** The page that a form was opened from. Its address knows best: a kept form may have been made for another way. */
export function wayBack(form, yard) {
  const back = new URLSearchParams(location.search).get("back") ?? form.elements.namedItem("back")?.value;
  const boat = form.elements.namedItem("boat")?.value ?? "";
  const page = LISTS[back] ?? `boat?${new URLSearchParams({ number: boat })}`;
  return `/yards/${encodeURIComponent(yard)}/${page}`;
}

/** Leave for `address` once `sent` is over or takes too long; false where nothing would be there to see. */
export async function goBack(address, entry, sent) {
  const late = new Promise((resolve) => setTimeout(resolve, SENDING_AT_MOST_MS, false));
  const over = sent.then(() => link.state !== "no-answer", () => false);
  const answered = await Promise.race([over, late]);
  if (!answered && !(await isKept(address))) {
    return false;
  }
  const { id, kind, boat, name } = entry;
  sessionStorage.setItem(JUST_SAVED, JSON.stringify({ id, kind, boat, name }));
  location.replace(address); // so that the way back of the browser leads to no empty form
  return true;
}

async function isKept(address) {
  return (await caches.match(address, { cacheName: PAGES, ignoreVary: true })) !== undefined;
}

/** The entry that this page was come back to from; told once. */
export function takeJustSaved() {
  const text = sessionStorage.getItem(JUST_SAVED);
  sessionStorage.removeItem(JUST_SAVED);
  return text && JSON.parse(text);
}

/** One line that stays in sight: what became of the entry just saved. */
export function tellJustSaved(just, { entries, photos, sent }) {
  const refused = entries.find((one) => one.id === just.id && one.state === "refused");
  const words = refused ? `Refused: ${just.name}. ` : wordsOf(just, entries, photos, sent);
  let line = document.getElementById("just");
  if (!line) {
    line = Object.assign(document.createElement("p"), { id: "just" });
    line.setAttribute("role", "status");
    document.getElementById("content").before(line);
  }
  line.className = refused ? "problem" : "said";
  line.hidden = !words;
  line.textContent = words;
  if (refused) {
    line.append(Object.assign(document.createElement("a"), { href: putRightAddress(refused), textContent: "Put it right" }));
  }
}

function wordsOf({ id, name }, entries, photos, sent) {
  const its = photos.filter((photo) => photo.entry === id && photo.state === "waiting").length;
  const pictures = its ? `${its} photo${its > 1 ? "s" : ""}` : "";
  if (entries.some((one) => one.id === id)) {
    return `Saved on this phone, waiting: ${name}${pictures && `, with ${pictures}`}`;
  }
  const arrived = sent.some((one) => one.id === id);
  return arrived ? `Sent: ${name}${pictures && `; waiting on this phone: ${pictures}`}` : "";
}

/** Mark the boats of a list that this page does not know to be looked at yet; `madeAt` is when the page was made. */
export function markBoats(cards, yard, madeAt, { entries, sent }) {
  const waiting = entries.filter((one) => one.yard === yard && one.state === "waiting");
  const arrived = sent.filter((one) => one.yard === yard && one.sent_at > madeAt);
  for (const card of cards) {
    const of = (list, kind) => list.some((one) => one.boat === card.dataset.boat && one.kind === kind);
    const words = [
      of(waiting, "inspection") ? "looked at, waiting on this phone" : of(arrived, "inspection") && "looked at, sent",
      of(waiting, "action") ? "work done, waiting on this phone" : of(arrived, "action") && "work done, sent",
    ].filter(Boolean);
    let mark = card.querySelector(".mark");
    if (!mark && words.length) {
      mark = Object.assign(document.createElement("p"), { className: "ticked mark" });
      card.querySelector("h3").after(mark);
    }
    if (mark) {
      mark.hidden = !words.length;
      mark.textContent = `✓ ${words.join("; ")}`;
    }
    card.classList.toggle("just-done", of(waiting, "inspection") || of(arrived, "inspection"));
  }
}
