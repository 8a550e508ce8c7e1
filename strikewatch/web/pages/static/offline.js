// The installed page without a connection: the page Log and what it needs are kept, as last loaded; every other page
// becomes the page Offline. Alerts are never kept, so that old ones cannot pass for present ones. What is there is always
// asked of the server first. Signing out clears everything and ends notifications on this device.
const CACHE = "strikewatch-write";
const OFFLINE = "/offline";
const MOST_KEPT = 40; // pages of hammers
const kept = (url) => url.origin === location.origin && (url.pathname === "/write" || url.pathname.startsWith("/static/"));

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(keep([OFFLINE, "/write"]).catch(() => {}));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

// The page Log asks for the pages of the other hammers to be kept, too.
self.addEventListener("message", (event) => {
  if (event.data?.keep) event.waitUntil(keep([OFFLINE, ...event.data.keep.slice(0, MOST_KEPT)]).catch(() => {}));
});

async function keep(paths) {
  const cache = await caches.open(CACHE);
  for (const path of paths) {
    const response = await fetch(path, { credentials: "same-origin" });
    if (response.ok && !response.redirected) await cache.put(path, response);
  }
}

self.addEventListener("fetch", (event) => {
  const { request } = event, url = new URL(request.url);
  if (request.method === "POST" && url.pathname === "/sign-out") event.waitUntil(forget());
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (kept(url) || request.mode === "navigate") event.respondWith(answer(request, url));
});

async function answer(request, url) {
  const cache = await caches.open(CACHE);
  try {
    const response = await fetch(request);
    if (kept(url) && response.ok && !response.redirected) await cache.put(request, response.clone());
    return response;
  } catch (error) {
    const found = kept(url) && (await cache.match(request, { ignoreVary: true }));
    if (found && request.mode !== "navigate") return found;
    const page = found || (request.mode === "navigate" && (await cache.match(OFFLINE, { ignoreVary: true })));
    if (!page) throw error;
    // The page says that it is an old one.
    const html = (await page.text()).replace("<body ", `<body data-kept="${page.headers.get("date") ?? ""}" `);
    return new Response(html, { status: 200, headers: page.headers });
  }
}

async function forget() {
  const subscription = await self.registration.pushManager?.getSubscription();
  await subscription?.unsubscribe(); // its push service then says so, and the processor removes it
  await caches.delete(CACHE);
}

self.addEventListener("push", (event) => {
  const { title, body, tag, url, silent } = event.data.json();
  const options = { body, tag, silent, renotify: !silent, icon: "/static/mark.svg", badge: "/static/mark.svg", data: { url } };
  event.waitUntil(self.registration.showNotification(title, options));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil((async () => {
    const pages = await self.clients.matchAll({ type: "window" });
    for (const page of pages) {
      try {
        await page.focus();
        return await page.navigate(event.notification.data.url);
      } catch { /* not one that this service worker controls */ }
    }
    await self.clients.openWindow(event.notification.data.url);
  })());
});
