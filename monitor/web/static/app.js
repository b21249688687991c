// What every page does: forms are taken over, what waits is sent, and pages are kept for when there is no network.

import { takeOver } from "./form.js";
import { send } from "./send.js";
import { show } from "./status.js";

const TRY_EVERY_MS = 20_000;
const MOST_PAGES = 300;

const place = document.getElementById("sync");
const account = place?.dataset.account ?? "";

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
  const draw = () => show(place, account, changed);
  const changed = async () => {
    await draw();
    news?.postMessage("changed");
  };
  const flush = () => account && send(changed).then(draw);
  news?.addEventListener("message", draw);

  const saved = async () => {
    await changed();
    flush();
  };
  if (account) {
    document.querySelectorAll("form[data-queue]").forEach((form) => takeOver(form, account, { saved, changed }));
    navigator.storage?.persist?.();
  }
  window.addEventListener("online", flush);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && flush());
  setInterval(() => document.visibilityState === "visible" && +place.dataset.waiting + +place.dataset.photosWaiting && flush(), TRY_EVERY_MS);
  tellOldCopy();
  await draw();
  flush();
  place.dataset.ready = "yes";
  keepPages();
}

/** A line on a page that the service worker took from what it kept. */
function tellOldCopy() {
  const keptAt = document.documentElement.dataset.keptAt;
  if (keptAt) {
    document.querySelectorAll(".said").forEach((one) => one.remove());
    const line = document.createElement("p");
    line.className = "notice kept";
    line.textContent = `The yard's computer does not answer: this is an older copy, kept ${new Date(keptAt).toLocaleString()}.`;
    document.getElementById("content")?.before(line);
  }
}

/** Let the service worker keep this page and, from a list of boats, the forms of them. */
async function keepPages() {
  navigator.serviceWorker.addEventListener("message", (event) => (place.dataset.kept = event.data.kept));
  await navigator.serviceWorker.register("/sw.js", { scope: "/", updateViaCache: "none" });
  const worker = (await navigator.serviceWorker.ready).active;
  if (account) {
    worker.postMessage({ account, keep: [location.pathname + location.search, ...formAddresses()] });
  }
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
