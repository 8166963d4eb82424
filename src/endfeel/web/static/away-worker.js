/* When the server gives no answer at all: the page of words that says so. It keeps that page and nothing of a visit. */
"use strict";
const NAME = "endfeel-away-" + VERSION, KEPT = SHELL;
self.addEventListener("install", (event) => {
  /* recordings and all else that a page asks for go straight to the server, without waking this worker */
  if (event.addRoutes) event.addRoutes(["cors", "same-origin"].map((mode) => ({ condition: { requestMode: mode }, source: "network" }))).catch(() => {});
  event.waitUntil(caches.open(NAME).then((cache) => cache.addAll(KEPT)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith("endfeel-") && name !== NAME) await caches.delete(name);
    if (self.registration.navigationPreload) await self.registration.navigationPreload.enable();
    await self.clients.claim();
  })());
});
self.addEventListener("fetch", (event) => {
  const asked = event.request;
  const path = new URL(asked.url).pathname;
  if (asked.mode === "navigate") {
    event.respondWith((async () => {
      try { return (await event.preloadResponse) || (await fetch(asked)); }
      catch { return away(asked.method !== "GET"); }
    })());
  } else if (KEPT.includes(path)) {
    event.respondWith(fetch(asked).catch(async () => (await caches.match(path)) || Response.error()));
  }
});
/* the page of words; posted: a form was sent, so asking again would send it twice, and the page goes back to the form */
async function away(posted) {
  const kept = await caches.match(KEPT[0]);
  if (!kept || !posted) return kept || Response.error();
  return new Response((await kept.text()).replace("<html ", "<html data-posted "), { headers: kept.headers });
}
