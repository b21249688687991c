// What waits on this phone, what was sent of late and what was refused, told on every page.

import { clock } from "./clock.js";
import { SENDING, link } from "./send.js";
import * as store from "./store.js";

const TOLD_MS = 12 * 3600_000;

/** Draw the state of the queue into `place`, whose data-* attributes are the counts; what was drawn is returned. */
export async function show(place, account, again) {
  const [entries, allPhotos, sent] = await Promise.all([store.entries(), store.photos(), store.sent()]);
  const photos = allPhotos.filter((photo) => !photo.entry.startsWith("draft "));
  const arrivedOfLate = sent.filter((one) => one.account === account && one.sent_at > Date.now() - TOLD_MS);
  const count = (list, state) => list.filter((one) => one.state === state).length;
  Object.assign(place.dataset, {
    waiting: count(entries, "waiting"),
    refused: count(entries, "refused"),
    photosWaiting: count(photos, "waiting"),
    photosRefused: count(photos, "refused"),
    sent: arrivedOfLate.length,
    link: link.state,
  });

  const parts = [];
  const refused = new Set(entries.filter((entry) => entry.state === "refused").map((entry) => entry.id));
  const photosToGo = photos.filter((photo) => photo.state === "waiting" && !refused.has(photo.entry));
  const waiting = count(entries, "waiting") + photosToGo.length;
  if (waiting) {
    parts.push(paragraph(`Saved on this phone: ${waiting} still to be sent. ${why()}`, signInAgain(waiting)));
  }
  const list = element("ul");
  for (const entry of entries) {
    list.append(entryItem(entry, photos, account, again));
  }
  const ids = new Set(entries.map((entry) => entry.id));
  for (const photo of photos.filter((one) => !ids.has(one.entry))) {
    list.append(photoItem(photo, account, again));
  }
  if (list.children.length) {
    parts.push(list);
  }
  if (arrivedOfLate.length) {
    const details = element("details", { className: "sent" });
    const lines = element("ul");
    lines.append(
      ...arrivedOfLate.map((one) => item("sent", one.id, `${clock(one.sent_at, one.zone || place.dataset.zone)} ${one.sentence}`)),
    );
    const { sent_at: last, zone } = arrivedOfLate[0];
    const words = `Sent from this phone: ${arrivedOfLate.length}, last ${clock(last, zone || place.dataset.zone)}`;
    details.append(element("summary", { textContent: words }), lines);
    parts.push(details);
  }
  place.replaceChildren(...parts);
  return { entries, photos, sent };
}

function why() {
  const sentences = {
    "no-answer": "The yard's computer does not answer; they go by themselves when it does.",
    "signed-out": "Nobody is signed in.",
    forbidden: link.sentence,
  };
  return sentences[link.state] ?? "";
}

function signInAgain(waiting) {
  if (!waiting || link.state !== "signed-out") {
    return "";
  }
  const next = encodeURIComponent(location.pathname + location.search);
  return element("a", { href: `/sign-in?next=${next}`, textContent: "Sign in again to send them." });
}

function entryItem(entry, photos, account, again) {
  const its = photos.filter((photo) => photo.entry === entry.id).length;
  const what = entry.kind === "inspection" ? "Look at" : "Work at";
  const name = `${what} boat ${entry.name ?? entry.boat}, ${clock(entry.written_at, entry.zone)}${its ? `, ${its} photo${its > 1 ? "s" : ""}` : ""}`;
  const others = entry.account !== account;
  if (entry.state === "refused") {
    const line = item("refused", entry.id, `${name}: refused. ${inWords(entry.sentence)} `);
    if (!others) {
      line.append(element("a", { href: putRightAddress(entry), textContent: "Put it right" }), " ");
    }
    line.append(deleteButton(`Delete this entry of boat ${entry.boat} for good? It was not logged.`, again, () => store.removeEntry(entry)));
    return line;
  }
  if (others) {
    const line = item("waiting", entry.id, `${name}: written by ${entry.account}, and sent when ${entry.account} signs in here. `);
    const question = `Delete what ${entry.account} wrote about boat ${entry.boat} for good? It was not logged from this phone.`;
    line.append(deleteButton(question, again, () => store.removeEntry(entry)));
    return line;
  }
  return item("waiting", entry.id, `${name}: saved on this phone, waiting to be sent.`);
}

function photoItem(photo, account, again) {
  const name = `Photo ${photo.name}`;
  if (photo.state === "refused") {
    const line = item("refused", photo.id, `${name}: refused. ${photo.sentence} `);
    line.append(deleteButton(`Delete ${photo.name} for good? It was not stored.`, again, () => store.removePhoto(photo.id)));
    return line;
  }
  const whose = photo.account === account ? "" : ` when ${photo.account} signs in here`;
  return item("waiting", photo.id, `${name}: saved on this phone, waiting to be sent${whose}.`);
}

/** The server names a field as the form does inside; people know it by its words. */
function inWords(sentence) {
  return sentence.replace(/^([a-z]+(?:_[a-z]+)*): /, (_, name) => {
    const words = /^(?:inspected|acted)_at$/.test(name) ? "when" : name.replaceAll("_", " ");
    return `${words[0].toUpperCase()}${words.slice(1)}: `;
  });
}

/** The form of a refused entry, with what was written in it. */
export function putRightAddress(entry) {
  const form = entry.kind === "inspection" ? "inspect" : "act";
  const own = `/yards/${encodeURIComponent(entry.yard)}/${form}?boat=${encodeURIComponent(entry.boat)}`;
  return `${entry.values.corrects ? entry.page : own}#put-right=${entry.id}`;
}

function deleteButton(question, again, remove) {
  const button = element("button", { type: "button", textContent: "Delete" });
  button.addEventListener("click", async () => {
    if (confirm(question)) {
      await navigator.locks.request(SENDING, remove);
      await again();
    }
  });
  return button;
}

function item(state, id, text) {
  const line = element("li", { textContent: text });
  line.dataset.state = state;
  line.dataset.id = id;
  return line;
}

const paragraph = (...parts) => {
  const made = element("p");
  made.append(...parts);
  return made;
};

const element = (name, properties = {}) => Object.assign(document.createElement(name), properties);
