// Splitting a sample where there may be no network: the pieces get numbers that this device holds ready.
import { read } from "/static/codes.js";
import { askedBlock, heldNumbers, holdNumbers, keepSplit } from "/static/queue.js";
import { say } from "/static/words.js";

// With fewer left than this, more are asked for.
const FEW = 5;
// Digits after the point that a whole number of ng leaves to each unit.
const DIGITS = { g: 9, mg: 6, ug: 3 };
// The decimal sign of the language of the page; facts have a point.
const SIGN = new Intl.NumberFormat(document.documentElement.lang).formatToParts(0.5).find((part) => part.type === "decimal").value;
const $ = (id) => document.getElementById(id);
const form = $("split");
let me = null;
let kept = null;
let refused = false;
// Whether somebody was at this form last, so that what the camera reads is for it.
let inFront = false;

// More numbers where few are left; without a network they are asked for another time.
export async function topUp() {
  if (!me || refused) return;
  const held = await heldNumbers(me.person);
  const few = Object.keys(me.splits).filter((one) => !held[one] || held[one].free.length < FEW);
  for (const one of few) await ask(one);
  if (few.length) await showNumbers();
}

async function ask(prefix) {
  const id = await askedBlock(me.person, prefix);
  try {
    const answer = await fetch("/scan/numbers", {
      method: "POST", headers: { "Content-Type": "application/json", Accept: "application/json" },
      body: JSON.stringify({ person: me.person, id, prefix }),
    });
    if (answer.ok) await holdNumbers(me.person, prefix, id, (await answer.json()).numbers);
    else refused = answer.status < 500;
  } catch { /* no network */ }
}

const prefixOf = (number) => number.split("-")[0];

function prefix() {
  const seen = read(form.elements.sample.value);
  return seen.number && prefixOf(seen.number) in me.splits ? prefixOf(seen.number) : "";
}

// How many are ready, and a line for each piece with the number that it will get.
async function showNumbers() {
  if (!form || !me) return;
  const held = await heldNumbers(me.person);
  const of = (one) => (held[one] ? held[one].free : []);
  const counts = Object.keys(me.splits)
    .map((one) => say("Numbers ready on this device for {prefix}: {count}.", { prefix: one, count: of(one).length })).join(" ");
  if ($("numbers-ready").textContent !== counts) $("numbers-ready").textContent = counts;
  const wanted = Math.min(Number(form.elements.pieces.value) || 1, Number(form.elements.pieces.max));
  const numbers = of(prefix()).slice(0, wanted);
  // Whoever types in a line goes on in it, as long as it is the line of the same number.
  const lines = [...form.querySelectorAll("[name=mass]")];
  const shown = [...numbers, form.elements.unit.value].join(" ");
  if ($("split-pieces").dataset.shown === shown) return;
  $("split-pieces").dataset.shown = shown;
  $("split-pieces").replaceChildren(...numbers.map((number, place) => pieceLine(number, lines[place] ? lines[place].value : "")));
}

function pieceLine(number, mass) {
  const label = document.createElement("label");
  const input = document.createElement("input");
  Object.assign(input, { name: "mass", value: mass, required: true, inputMode: "decimal", autocomplete: "off" });
  input.dataset.number = number;
  label.append(say("Mass of {number}, in {unit}", { number, unit: form.elements.unit.selectedOptions[0].text }), " ", input);
  return label;
}

function massOf(typed) {
  const unit = form.elements.unit.value;
  const figures = typed.trim().replace(SIGN, ".");
  return new RegExp(`^[0-9]{1,9}([.][0-9]{1,${DIGITS[unit]}})?$`).test(figures) && Number(figures) > 0 ? `${figures} ${unit}` : "";
}

// What was filled in, or in ``wrong`` what is wrong with it.
function filledIn() {
  const seen = read(form.elements.sample.value);
  if (!prefix()) return { wrong: say("Name one of your own samples, by its number: {prefixes}.", { prefixes: Object.keys(me.splits).join(", ") }) };
  const lines = [...form.querySelectorAll("[name=mass]")];
  if (lines.length < Number(form.elements.pieces.value)) {
    return { wrong: say("So many numbers are not ready on this device. With a network it gets more.") };
  }
  const balance = form.elements.balance.value.trim();
  const pieces = lines.map((line) => ({ number: line.dataset.number, mass: massOf(line.value), ...(balance && { balance }) }));
  if (!pieces.every((piece) => piece.mass)) return { wrong: say("A mass is a figure above nothing, with a point: 12.5") };
  const what = form.elements.what.value.trim();
  return { prefix: prefix(), owner: me.splits[prefix()], sample: seen.number, what, ends: form.elements.ends.checked, pieces };
}

async function told(event) {
  event.preventDefault();
  const said = filledIn();
  if (said.wrong) {
    $("split-said").textContent = said.wrong;
    return;
  }
  if (!(await keepSplit(me.person, said))) {
    await showNumbers();
    $("split-said").textContent = say("Another page of this device took one of these numbers. Look at the numbers again.");
    return;
  }
  const pieces = said.pieces.map((piece) => `${piece.number} ${piece.mass}`).join(", ");
  $("split-said").textContent = say("Noted: {sample} was split into {pieces}.", { sample: said.sample, pieces });
  for (const input of form.querySelectorAll("[name=mass]")) input.value = "";
  form.elements.pieces.value = 1;
  form.elements.ends.checked = false;
  await showNumbers();
  await kept();
  await topUp();
}

// What was said of one sample is not said of another.
function another() {
  form.elements.what.value = "";
}

// ``who`` is here; ``noted`` is called once a split is kept.
export async function splitting(who, noted) {
  if (!who.splits || !Object.keys(who.splits).length) return;
  [me, kept] = [who, noted];
  if (form) {
    $("splitting").hidden = false;
    // What was to be looked up without a network.
    const { number } = read(new URLSearchParams(window.location.search).get("code") || "");
    if (!form.elements.sample.value && number && prefixOf(number) in me.splits) form.elements.sample.value = number;
    form.addEventListener("submit", told);
    document.addEventListener("focusin", ({ target }) => {
      if (target.closest("form")) inFront = form.contains(target);
    });
    form.elements.sample.addEventListener("input", another);
    for (const name of ["sample", "pieces", "unit"]) form.elements[name].addEventListener("input", showNumbers);
    await showNumbers();
  }
  await topUp();
}

// What the camera read, if it is for this form.
export function sampleScanned(text) {
  if (!inFront) return false;
  form.elements.sample.value = text;
  another();
  showNumbers();
  return true;
}
