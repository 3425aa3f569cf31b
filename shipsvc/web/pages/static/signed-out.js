// Whoever is to sign in is nobody yet: the device forgets who was here. What they noted stays until they come again.
import { forget } from "/static/queue.js";

// Numbers that it held ready stay reserved, and are given to nobody.
if (window.indexedDB) for (const name of ["me", "numbers"]) forget(name).catch(() => {});
if (window.caches) caches.delete("shipsvc-lists").catch(() => {});
