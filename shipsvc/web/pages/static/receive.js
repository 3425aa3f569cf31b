// The list at the door: photographs, and a list that is kept on the device for where there is no network.
import { keepFile, keepList, keptLists, remember, remembered, send } from "/static/queue.js";
import { offerPhotos } from "/static/door.js";
import { redrawn } from "/static/photos.js";
import { say } from "/static/words.js";

const LISTS = "shipsvc-lists", PHOTOS_MAX = 6, TRY_AGAIN_MS = 5000, A_WHILE_MS = 60_000;
const form = document.getElementById("list");
const kept = document.getElementById("kept");
const path = window.location.pathname;

if (form) begin();

async function begin() {
  const { person, zone, now, fresh } = form.dataset;
  // How far this device's clock is behind the service's, as of when the list came from there.
  if (fresh === "yes") await remember(`skew ${path}`, Date.parse(now) - Date.now());
  const skew = (await remembered(`skew ${path}`)) || 0;
  const shown = form.elements.when.value;
  offerPhotos();

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (form.dataset.sent) return;
    form.dataset.sent = "yes";
    for (const input of form.querySelectorAll("[data-photos] input")) {
      const field = form.elements[input.dataset.into];
      const hashes = field.value.split(" ").filter(Boolean);
      for (const file of [...input.files].slice(0, PHOTOS_MAX - hashes.length)) {
        hashes.push(await keepFile(person, form.elements.acting_for.value, await redrawn(file), "photo.jpg"));
      }
      field.value = hashes.join(" ");
      input.value = "";
    }
    const old = fresh !== "yes" || Date.now() + skew - Date.parse(now) > A_WHILE_MS;
    if (old && form.elements.when.value === shown) form.elements.when.value = clock(Date.now() + skew, zone);
    const outcome = await send(person);
    if (outcome.said !== "away") {
      form.submit();
      return;
    }
    await keepList(person, path, { ...Object.fromEntries(new FormData(form)), person });
    kept.textContent = say("No network. The list is kept on this device and goes out once it is back, from here or from the scan page.");
    kept.scrollIntoView();
    setInterval(again, TRY_AGAIN_MS);
  });

  // Offered last, and only where pressing it is heeded.
  const keep = document.getElementById("keep-list");
  keep.addEventListener("click", async () => {
    await (await caches.open(LISTS)).add(path);
    kept.textContent = say("Kept. Open this page again at the door, also without a network.");
  });
  if ("caches" in window && "serviceWorker" in navigator) {
    keep.hidden = fresh !== "yes";
    await navigator.serviceWorker.register("/scan-worker.js", { scope: "/receive" }).catch(() => {});
  }

  async function again() {
    if (!(await keptLists()).some((one) => one.path === path && !one.problem)) return;
    const outcome = await send(person);
    if (outcome.recorded.length) window.location.assign(path);
    else if (outcome.refused) kept.textContent = say("It was refused. Open this page anew, and fill the list in again.");
  }
}

// The time there, as the field holds it.
function clock(milliseconds, zone) {
  const parts = new Intl.DateTimeFormat("sv-SE", { timeZone: zone, dateStyle: "short", timeStyle: "medium" });
  return parts.format(new Date(milliseconds)).replace(" ", "T");
}
