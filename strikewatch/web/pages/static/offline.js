// Lets the page Log be opened without a connection, as it was when last loaded. Signing out clears it.
const CACHE = "strikewatch-write";
const wanted = (url) => url.origin === location.origin && (url.pathname === "/write" || url.pathname.startsWith("/static/"));

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method === "POST" && url.pathname === "/sign-out") event.waitUntil(caches.delete(CACHE));
  if (event.request.method !== "GET" || !wanted(url)) return;
  event.respondWith((async () => {
    const cache = await caches.open(CACHE);
    try {
      const response = await fetch(event.request);
      if (response.ok && !response.redirected) await cache.put(event.request, response.clone());
      return response;
    } catch (error) {
      const cached = await cache.match(event.request, { ignoreVary: true });
      if (cached) return cached;
      throw error;
    }
  })());
});
