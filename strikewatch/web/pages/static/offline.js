// Lets the sheet to write down be opened where there is no line: as it was when last seen. Signing out clears it.
const KEPT = "strikewatch-write";
const wanted = (url) => url.origin === location.origin && (url.pathname === "/write" || url.pathname.startsWith("/static/"));

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method === "POST" && url.pathname === "/sign-out") event.waitUntil(caches.delete(KEPT));
  if (event.request.method !== "GET" || !wanted(url)) return;
  event.respondWith((async () => {
    const kept = await caches.open(KEPT);
    try {
      const answer = await fetch(event.request);
      if (answer.ok && !answer.redirected) await kept.put(event.request, answer.clone());
      return answer;
    } catch (error) {
      const old = await kept.match(event.request, { ignoreVary: true });
      if (old) return old;
      throw error;
    }
  })());
});
