// What every page does: forms are taken over, what waits is sent, and pages are kept for when there is no network.

import { markBoats, takeJustSaved, tellJustSaved, wayBack } from "./back.js";
import { clock } from "./clock.js";
import { yardOf } from "./entry.js";
import { takeOver } from "./form.js";
import { send } from "./send.js";
import { show } from "./status.js";

const TRY_EVERY_MS = 20_000;
const MOST_PAGES = 300;

const place = document.getElementById("sync");
const account = place?.dataset.account ?? "";
const zone = place?.dataset.zone ?? "";
const keptAt = document.documentElement.dataset.keptAt;

/** Why nothing can be kept for later; "" where it can. */
const missing = !window.isSecureContext
  ? "this page came over plain http"
  : !("serviceWorker" in navigator) || !navigator.locks || !window.indexedDB
    ? "this browser, or its private window, keeps nothing"
    : "";

if (place) {
  start();
}

async function start() {
  if (missing) {
    place.dataset.offline = "off";
    document.querySelectorAll("form[data-queue]").forEach((form) => takeOver(form, account, null));
    if (window.isSecureContext && account) {
      place.textContent = `Nothing is saved on this phone for later, because ${missing}: each entry needs the network.`;
    }
    return;
  }
  place.dataset.offline = "on";
  const news = "BroadcastChannel" in window ? new BroadcastChannel("stormwalk") : null;
  const just = takeJustSaved();
  const cards = [...document.querySelectorAll("main [data-boat]")];
  const madeAt = keptAt ? Date.parse(keptAt) : performance.timeOrigin;
  const draw = async () => {
    const queue = await show(place, account, changed);
    if (cards.length) {
      markBoats(cards, yardOf(location.pathname), madeAt, queue);
    }
    if (just) {
      tellJustSaved(just, queue);
    }
  };
  const changed = async () => {
    await draw();
    news?.postMessage("changed");
  };
  const flush = () => account && send(changed).then(draw);
  news?.addEventListener("message", draw);

  const saved = async () => {
    await changed();
    await flush();
  };
  if (account) {
    document.querySelectorAll("form[data-queue]").forEach((form) => takeOver(form, account, { saved, changed, zone }));
    navigator.storage?.persist?.();
  }
  window.addEventListener("online", flush);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && flush());
  setInterval(() => document.visibilityState === "visible" && +place.dataset.waiting + +place.dataset.photosWaiting && flush(), TRY_EVERY_MS);
  tellOldCopy();
  await draw();
  if (just) {
    goToTheBoat(just, cards);
  }
  flush();
  place.dataset.ready = "yes";
  keepPages();
}

/** A line on a page that the service worker took from what it kept. */
function tellOldCopy() {
  if (keptAt) {
    document.querySelectorAll(".said").forEach((one) => one.remove());
    const line = document.createElement("p");
    line.className = "notice kept";
    line.setAttribute("role", "status");
    line.textContent = `The yard's computer does not answer: this is an older copy, kept ${clock(keptAt, zone)}.`;
    document.getElementById("content")?.before(line);
  }
}

/** On with the round: the boat that was just looked at, and below it the next, unless the list begins anew. */
function goToTheBoat(just, cards) {
  const card = cards.find((one) => one.dataset.boat === just.boat);
  if (card?.closest(".stops") || card?.classList.contains("just-done")) {
    card.scrollIntoView({ block: "start" });
  }
}

/** Let the service worker keep this page and, from a list of boats, the forms of them; of a form, the way back. */
async function keepPages() {
  navigator.serviceWorker.addEventListener("message", (event) => (place.dataset.kept = event.data.kept));
  await navigator.serviceWorker.register("/sw.js", { scope: "/", updateViaCache: "none" });
  const worker = (await navigator.serviceWorker.ready).active;
  if (account) {
    worker.postMessage({ account, keep: [location.pathname + location.search, ...waysBack(), ...formAddresses()] });
  }
}

function waysBack() {
  return [...document.querySelectorAll("form[data-queue]")].map((form) => wayBack(form, form.dataset.yard));
}

function formAddresses() {
  const addresses = new Set();
  for (const link of document.querySelectorAll("main a[href]")) {
    const url = new URL(link.getAttribute("href"), location.href); // the map's links are of SVG, whose href is no text
    const [, yard, what] = /^\/yards\/([^/]+)\/(boat|inspect|act)$/.exec(url.pathname) ?? [];
    const boat = what && (url.searchParams.get("boat") ?? url.searchParams.get("number"));
    if (boat && url.origin === location.origin && addresses.size < MOST_PAGES) {
      const form = (name) => `/yards/${yard}/${name}?${new URLSearchParams({ boat })}`;
      [url.pathname + url.search, form("inspect"), form("act")].forEach((one) => addresses.add(one));
    }
  }
  return [...addresses];
}
