// Keeps pages for when the yard's computer cannot be reached. Entries are not its business: pages send those themselves.
// The server puts FILES before this text: the style and scripts of this version.

const PAGES = "stormwalk-pages";
const STATIC = "stormwalk-static";
const KEPT_AT = "Stormwalk-Kept-At";
const PATIENCE_MS = 4000;
const FRESH_MS = 20 * 60_000;
const AT_ONCE = 2;
const MOST_KEPT = 600;

/** Pages worth keeping: a yard's lists and forms. Never sign-in, accounts, owners, photos or anything of /api. */
const WORTH_KEEPING = /^\/(?:yards\/[^/]+\/(?:walk|map|log|boat|inspect|act|correct|sheet)?)?$/;
const FORM = /\/(?:inspect|act)$/;
const VERSIONED = /^\/(?:app|static)\/[0-9a-f]+\//;

/** Counts up when kept pages are thrown away, so that no answer asked for before is kept after. */
let era = 0;

self.addEventListener("install", (event) => {
  const fetchAll = caches.open(STATIC).then((cache) => cache.addAll(FILES));
  event.waitUntil(fetchAll.then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(forgetOtherVersions().then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) {
    return;
  }
  if (request.method === "POST" && ["/sign-out", "/account"].includes(url.pathname)) {
    event.waitUntil(forgetPages());
  } else if (request.method === "GET" && VERSIONED.test(url.pathname)) {
    event.respondWith(versioned(request));
  } else if (request.method === "GET" && request.mode === "navigate") {
    navigate(event, url);
  }
});

self.addEventListener("message", (event) => {
  const { account, keep } = event.data;
  event.waitUntil(answerPage(event.source, account, keep));
});

/** A page that was being loaded while this worker was activated could not be claimed then: it asks, so claim it now. */
async function answerPage(page, account, keep) {
  await self.clients.claim();
  page?.postMessage({ kept: await keepFor(account, keep) });
}

async function forgetOtherVersions() {
  const cache = await caches.open(STATIC);
  for (const request of await cache.keys()) {
    if (!FILES.includes(new URL(request.url).pathname)) {
      await cache.delete(request);
    }
  }
  await forgetPages(); // they name the style and scripts of the version that made them
}

async function forgetPages() {
  era += 1;
  await caches.delete(PAGES);
}

async function versioned(request) {
  const cache = await caches.open(STATIC);
  const kept = await cache.match(request, { ignoreVary: true });
  if (kept) {
    return kept;
  }
  const answer = await fetch(request);
  if (answer.ok) {
    await cache.put(request, answer.clone());
  }
  return answer;
}

/** The network's page; the kept one where the network fails or takes longer than anybody waits. */
function navigate(event, url) {
  const asked = era;
  const answer = fetch(event.request);
  const stored = answer.then((page) => keepPage(url, page, asked)).catch(() => {});
  event.waitUntil(stored);
  event.respondWith(
    (async () => {
      const kept = await keptPage(url);
      if (!kept) {
        return answer.catch(() => insteadOf(url));
      }
      const late = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS, null));
      const first = await Promise.race([answer.catch(() => null), late]);
      return first && first.status < 500 ? first : asOldCopy(kept);
    })(),
  );
}

const isWorthKeeping = (url) => WORTH_KEEPING.test(url.pathname) && !url.searchParams.has("format");
const addressOf = (url) => url.pathname + url.search;

/** A kept page. A form serves whatever else its address says: its script reads that there. */
async function keptPage(url) {
  const cache = await caches.open(PAGES);
  const exact = await cache.match(addressOf(url), { ignoreVary: true });
  if (exact || !FORM.test(url.pathname)) {
    return exact;
  }
  const boat = new URLSearchParams({ boat: url.searchParams.get("boat") ?? "" });
  return cache.match(`${url.pathname}?${boat}`, { ignoreVary: true });
}

/** Keep a page that came as it was asked for; called before anybody reads it, so that its copy is whole. */
async function keepPage(url, page, asked) {
  const isPage = page.ok && page.type === "basic" && !page.redirected;
  if (!isPage || !isWorthKeeping(url) || !page.headers.get("Content-Type")?.startsWith("text/html")) {
    return false;
  }
  const copy = page.clone();
  const headers = new Headers(copy.headers);
  headers.set(KEPT_AT, new Date().toISOString());
  const made = new Response(await copy.blob(), { headers });
  const cache = await caches.open(PAGES);
  if (asked !== era) {
    return false;
  }
  await cache.put(addressOf(url), made);
  return true;
}

async function asOldCopy(kept) {
  const html = (await kept.text()).replace("<html", `<html data-kept-at="${kept.headers.get(KEPT_AT)}"`);
  return new Response(html, { headers: kept.headers });
}

/** For a page that was never kept: from the start page to a yard that was, else a sentence. */
async function insteadOf(url) {
  if (url.pathname === "/") {
    const cache = await caches.open(PAGES);
    const yard = (await cache.keys()).find((request) => /^\/yards\/[^/]+\/$/.test(new URL(request.url).pathname));
    if (yard) {
      return Response.redirect(yard.url);
    }
  }
  const html = `<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><meta name="color-scheme" content="light dark">
<title>No connection</title>
<style>body{font:1.1rem/1.5 system-ui,sans-serif;margin:.8rem}a{display:inline-block;padding:.6rem 0}</style><h1>No connection</h1>
<p>The yard's computer does not answer, and this page was not kept on this phone.
What you have logged is safe: it waits here and is sent later.</p><p><a href="/">To the list that was kept</a></p>`;
  return new Response(html, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
}

/** Keep pages for an account, a few at a time; those of another account go first. How many are kept now. */
async function keepFor(account, addresses) {
  const owner = await caches.open("stormwalk-account");
  const before = await (await owner.match("/account-kept-for"))?.text();
  if (before !== account) {
    await forgetPages();
    await owner.put("/account-kept-for", new Response(account));
  }
  const asked = era;
  const left = addresses.map((address) => new URL(address, self.location.origin)).filter(isWorthKeeping);
  const worker = async () => {
    for (let url = left.shift(); url && asked === era; url = left.shift()) {
      const keptAt = Date.parse((await keptPage(url))?.headers.get(KEPT_AT) ?? "");
      if (keptAt > Date.now() - FRESH_MS) {
        continue;
      }
      try {
        await keepPage(url, await fetch(url, { cache: "no-store" }), asked);
      } catch {
        return; // no network any more: what is kept so far is kept
      }
    }
  };
  await Promise.all(Array.from({ length: AT_ONCE }, worker));
  const cache = await caches.open(PAGES);
  const keys = await cache.keys();
  await Promise.all(keys.slice(0, Math.max(0, keys.length - MOST_KEPT)).map((key) => cache.delete(key)));
  return Math.min(keys.length, MOST_KEPT);
}
