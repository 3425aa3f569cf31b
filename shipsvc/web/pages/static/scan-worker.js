// Answers for the scan page where there is no network. It keeps the page's shell and what the page loads, and no answer
// of the service but the lists at the door that somebody asks it to keep.
const KEPT = "shipsvc-scan-3";
// Lists that somebody asked this device to keep; they go when somebody signs out.
const LISTS = "shipsvc-lists";
const SHELL = "/scan/shell";
const LOADED = [
  SHELL, "/static/style.css", "/static/mark.svg", "/static/scan.webmanifest",
  "/static/scan.js", "/static/codes.js", "/static/queue.js", "/static/camera.js",
  "/static/door.js", "/static/pad.js", "/static/photos.js", "/static/receive.js", "/static/split.js", "/static/words.js",
];

// The decoder is 1.1 MB: only where the browser has none of its own, and the page does without it if need be.
const DECODER = ["/static/vendor/barcode-detector-3.2.2.js", "/static/vendor/zxing_reader.wasm"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(LOADED)).then(() => self.skipWaiting()));
  if (!("BarcodeDetector" in self)) event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(DECODER)).catch(() => {}));
});

self.addEventListener("activate", (event) => {
  const tidied = caches.keys().then((names) => Promise.all(names.filter((n) => n !== KEPT && n !== LISTS).map((n) => caches.delete(n))));
  event.waitUntil(tidied.then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (url.pathname.startsWith("/static/")) event.respondWith(fresh(request));
  else if (request.mode === "navigate" && url.pathname === "/scan") event.respondWith(page(request));
  else if (request.mode === "navigate" && url.pathname.startsWith("/receive/")) event.respondWith(list(request));
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

// A list that was kept says so, since its script must not take its clock for the service's.
async function list(request) {
  try {
    return await fetch(request);
  } catch {
    const kept = await (await caches.open(LISTS)).match(request, { ignoreSearch: true });
    if (!kept) return page(request);
    const text = (await kept.text()).replace('data-fresh="yes"', 'data-fresh="no"');
    return new Response(text, { headers: kept.headers });
  }
}
