// Photographs for a fact, and a signature for what was handed over on this device.
import { keep, keepFile } from "/static/queue.js";
import { pad } from "/static/pad.js";
import { able, redrawn } from "/static/photos.js";

const SIGNED_WITHIN_MS = 3600 * 1000;
const GIVEN = "given";
const $ = (id) => document.getElementById(id);

export function offerPhotos() {
  for (const label of document.querySelectorAll("[data-photos]")) label.hidden = !able;
}

// Keeps what was chosen in the form; answers the hashes by which the fact names them.
export async function photosOf(form, person, actingFor) {
  const hashes = [];
  for (const input of form.querySelectorAll("[data-photos] input")) {
    for (const file of input.files) hashes.push(await keepFile(person, actingFor, await redrawn(file), "photo.jpg"));
    input.value = "";
  }
  return hashes;
}

// What was handed over and not signed for yet, in this tab; an hour later it is the taker's own affair.
const given = () => JSON.parse(sessionStorage.getItem(GIVEN) || "[]").filter((one) => Date.now() - one.at < SIGNED_WITHIN_MS);
const remember = (list) => sessionStorage.setItem(GIVEN, JSON.stringify(list));

export function handedOver(person, id, subject, actingFor, body) {
  remember([...given(), { person, id, subject, actingFor, to: body.to, shipment: body.shipment, at: Date.now() }]);
}

// Those of the last taker: one signature is for one of them.
function together(person) {
  const mine = given().filter((one) => one.person === person);
  const last = mine[mine.length - 1];
  return last ? mine.filter((one) => one.to === last.to && one.actingFor === last.actingFor) : [];
}

let drawing = null;
export function showSigning(person) {
  const section = $("signing");
  const things = able && person ? together(person) : [];
  section.hidden = !things.length;
  if (!things.length) return;
  drawing = drawing || pad(section.querySelector("canvas"));
  $("signing-what").textContent = things.map((one) => one.subject).join(", ");
  $("signing-whom").textContent = things[0].to;
}

// ``sent`` is called once all is kept.
export function signing(person, words, sent) {
  const form = $("signing").querySelector("form");
  const done = (things) => {
    const over = new Set(things.map((one) => one.id));
    remember(given().filter((one) => !over.has(one.id)));
    form.reset();
    drawing.clear();
    showSigning(person());
  };
  const told = document.querySelector(".done");
  if (told) told.after($("signing"));
  $("signing-again").addEventListener("click", () => drawing.clear());
  $("signing-not").addEventListener("click", () => done(together(person())));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const things = together(person());
    if (drawing.isEmpty()) {
      $("signing-said").textContent = words.unsigned;
      return;
    }
    $("signing-said").textContent = "";
    const file = await keepFile(person(), things[0].actingFor, await drawing.blob(), "signature.png");
    for (const one of things) {
      const body = { party: one.to, from: one.actingFor, files_sha256: [file], signed: { release: one.id, how: "drawn" } };
      if (one.shipment) body.shipment = one.shipment;
      await keep(person(), "accepted", [one.subject], one.actingFor, body, undefined, `Signed by ${form.elements.signer.value.trim()}`);
    }
    done(things);
    await sent();
  });
}
