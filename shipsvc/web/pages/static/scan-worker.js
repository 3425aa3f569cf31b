// Answers for the scan page where there is no network. It keeps the page's shell and what the page loads, and never an
// answer of the service about anything.
const KEPT = "shipsvc-scan-2";
const SHELL = "/scan/shell";
const LOADED = [
  SHELL, "/static/style.css", "/static/mark.svg", "/static/scan.webmanifest",
  "/static/scan.js", "/static/codes.js", "/static/queue.js", "/static/camera.js",
  "/static/door.js", "/static/pad.js", "/static/photos.js",
];

// The decoder is 1.1 MB: only where the browser has none of its own, and the page does without it if need be.
const DECODER = ["/static/vendor/barcode-detector-3.2.2.js", "/static/vendor/zxing_reader.wasm"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(LOADED)).then(() => self.skipWaiting()));
  if (!("BarcodeDetector" in self)) event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(DECODER)).catch(() => {}));
});

self.addEventListener("activate", (event) => {
  const tidied = caches.keys().then((names) => Promise.all(names.filter((n) => n !== KEPT).map((n) => caches.delete(n))));
  event.waitUntil(tidied.then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(fresh(request));
  else if (request.mode === "navigate" && url.pathname === "/scan") event.respondWith(page(request));
});

// From the network, so that a new version is never mixed with an old one for long; what came is kept.
async function fresh(request) {
  const kept = await caches.open(KEPT);
  try {
    const answer = await fetch(request);
    if (answer.ok) await kept.put(request, answer.clone());
    return answer;
  } catch (error) {
    const before = await kept.match(request, { ignoreSearch: true });
    if (before) return before;
    throw error;
  }
}

async function page(request) {
  try {
    return await fetch(request);
  } catch {
    return (await (await caches.open(KEPT)).match(SHELL)) || Response.error();
  }
}
