// Keeps the page's own files, so that it opens without a network and shows that it is not connected. Never data.
const NAME = "groundbox-shell";
const FILES = ["/", "/page.css", "/page.js", "/draw.js", "/figures.js", "/hold.js", "/lanes.js", "/voice.js", "/past.js", "/plan.js", "/mark.svg", "/manifest.json"];

self.addEventListener("install", (event) => event.waitUntil(caches.open(NAME).then((cache) => cache.addAll(FILES)).then(() => self.skipWaiting())));
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (event) => {
  const path = new URL(event.request.url).pathname;
  if (event.request.method !== "GET" || !FILES.includes(path)) return;
  event.respondWith(fetch(event.request).then((answer) => {
    const copy = answer.clone();
    if (answer.ok && !answer.redirected) caches.open(NAME).then((cache) => cache.put(path, copy));
    return answer;
  }).catch(() => caches.match(path)));
});
