// Whoever is to sign in is nobody yet: the device forgets who was here. What they noted stays until they come again.
import { forget } from "/static/queue.js";

if (window.indexedDB) forget("me").catch(() => {});
if (window.caches) caches.delete("shipsvc-lists").catch(() => {});
