// Sends what waits on this phone: entries in order, each photo after its entry, one tab at a time.

import * as store from "./store.js";

const ENTRY_PATIENCE_MS = 30_000;
const PHOTO_PATIENCE_MS = 180_000;
const TRY_AGAIN = new Set([401, 403, 408, 425, 429]);

export const SENDING = "stormwalk-sending";

/** How the last try went: "ok", "no-answer", "signed-out", "forbidden"; and the name of who is signed in. */
export const link = { state: "ok", name: null, sentence: "" };

let queued = null;

/** Send what can be sent. Calls made while another one waits for its turn are the same call. */
export function send(changed) {
  queued ??= navigator.locks.request(SENDING, async () => {
    queued = null;
    await sendAll(changed);
  });
  return queued;
}

async function sendAll(changed) {
  const waiting = (await store.entries()).filter((entry) => entry.state === "waiting");
  const photos = (await store.photos()).filter((photo) => !photo.entry.startsWith("draft "));
  if (!waiting.length && !photos.some((photo) => photo.state === "waiting")) {
    return;
  }
  if (await askWhoIsSignedIn()) {
    const unsent = new Set((await store.entries()).map((entry) => entry.id));
    const orphans = photos.filter((photo) => !unsent.has(photo.entry));
    if (await sendPhotos(orphans, changed)) {
      for (const entry of waiting.filter((one) => one.account === link.name)) {
        const outcome = await sendEntry(entry);
        await changed();
        if (outcome === "stop") {
          break;
        }
        const its = photos.filter((photo) => photo.entry === entry.id);
        if (outcome === "arrived" && !(await sendPhotos(its, changed))) {
          break;
        }
      }
    }
  }
  await changed();
}

async function askWhoIsSignedIn() {
  const answer = await ask("/api/me", { method: "GET" }, ENTRY_PATIENCE_MS);
  link.name = answer.status === 200 && typeof answer.body?.name === "string" ? answer.body.name : null;
  if (link.name === null) {
    heldUp(answer);
  } else {
    link.state = "ok";
  }
  return link.name !== null;
}

async function sendEntry(entry) {
  const address = entry.kind === "inspection" ? "/api/inspections" : "/api/actions";
  const headers = { "Content-Type": "application/json", ...writtenBy(entry) };
  const body = JSON.stringify(entry.values);
  const answer = await ask(address, { method: "POST", headers, body }, ENTRY_PATIENCE_MS);
  if (arrived(answer, entry.id)) {
    const arrivedBefore = answer.status === 200; // its first answer was lost on the way: logged all the same
    const told = arrivedBefore ? `Logged for boat ${entry.boat}; it had arrived already.` : answer.body.said.join(" ");
    await store.entryArrived(entry, told);
    return "arrived";
  }
  if (isRefusal(answer)) {
    const news = { state: "refused", status: answer.status, sentence: answer.body.problem };
    await store.noteEntry(entry.order, news);
    return "refused";
  }
  heldUp(answer);
  return "stop";
}

async function sendPhotos(photos, changed) {
  for (const photo of photos.filter((one) => one.state === "waiting" && one.account === link.name)) {
    const query = new URLSearchParams({ [`${photo.kind}_id`]: photo.entry, taken_at: photo.taken_at });
    const headers = { "Content-Type": photo.blob.type || "application/octet-stream", ...writtenBy(photo) };
    const address = `/api/photos/${photo.id}?${query}`;
    const answer = await ask(address, { method: "PUT", headers, body: photo.blob }, PHOTO_PATIENCE_MS);
    if (arrived(answer, photo.id)) {
      await store.removePhoto(photo.id);
    } else if (isRefusal(answer)) {
      await store.notePhoto(photo.id, { state: "refused", sentence: answer.body.problem });
    } else {
      heldUp(answer);
      return false;
    }
    await changed();
  }
  return true;
}

const writtenBy = (one) => ({ "Stormwalk-Account": encodeURIComponent(one.account) });

/** Only the yard's own answer counts: a hotel's or a proxy's page that comes in its place has no such body. */
const arrived = ({ status, body }, id) => (status === 200 || status === 201) && body?.id === id;

const isRefusal = ({ status, body }) =>
  status >= 400 && status < 500 && !TRY_AGAIN.has(status) && typeof body?.problem === "string" && !body.retry;

function heldUp({ status, body }) {
  link.state = { 401: "signed-out", 403: "forbidden" }[status] ?? "no-answer";
  link.sentence = typeof body?.problem === "string" ? body.problem : "";
}

async function ask(address, options, patience) {
  try {
    const signal = AbortSignal.timeout(patience);
    const answer = await fetch(address, { ...options, signal, cache: "no-store", redirect: "error" });
    return { status: answer.status, body: await answer.json().catch(() => null) };
  } catch {
    return { status: 0, body: null };
  }
}
