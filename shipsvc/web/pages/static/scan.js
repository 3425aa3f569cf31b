// The scan page: typing with help, the camera, one after another, and what is kept while there is no network.
import { read, subject } from "/static/codes.js";
import { handedOver, offerPhotos, photosOf, showSigning, signing } from "/static/door.js";
import { sampleScanned, splitting, topUp } from "/static/split.js";
import { say } from "/static/words.js";
import { discard, discardFile, discardList, keep, kept, keptFiles, keptLists, mend, remember, remembered, send } from "/static/queue.js";

const TRY_AGAIN_MS = 5000;
const $ = (id) => document.getElementById(id);
const page = $("scan");
let me = page.dataset.person
  ? { person: page.dataset.person, name: page.dataset.name, kinds: JSON.parse(page.dataset.kinds), splits: JSON.parse(page.dataset.splits) }
  : null;

// ----------------------------------------------------------------------------------------------------------- signals
let sound = null;
function signal(good) {
  if (navigator.vibrate) navigator.vibrate(good ? 80 : [80, 60, 80, 60, 80]);
  try {
    sound = sound || new AudioContext();
    const [tone, volume] = [sound.createOscillator(), sound.createGain()];
    tone.frequency.value = good ? 880 : 220;
    volume.gain.value = 0.2;
    tone.connect(volume).connect(sound.destination);
    tone.start();
    tone.stop(sound.currentTime + (good ? 0.12 : 0.4));
  } catch { /* a device without sound */ }
}

const WRONG = {
  shape: say("That is no number of ours. One looks like BRM-0010-J."),
  check: say("The check character does not fit: look at the number again."),
};

// ------------------------------------------------------------------------------------------------------ one at a time
const help = $("code-help").textContent;
$("code").addEventListener("input", () => {
  const typed = $("code").value.trim();
  const seen = read(typed);
  $("code-help").textContent = typed.length < 4 ? help : seen.number ? say("{number}: the check character fits.", seen) : WRONG[seen.wrong];
});

$("look-up").addEventListener("submit", (event) => {
  const seen = read($("code").value);
  if (seen.number) return;
  event.preventDefault();
  $("code-help").textContent = WRONG[seen.wrong];
  signal(false);
  $("code").select();
});

// A fact is kept here first and sent from here, so that a network that fails loses nothing; with a time of its own it
// goes by the form. The form's id makes a second click harmless either way.
for (const form of document.querySelectorAll("form[data-tell]")) {
  const shown = form.elements.when.value;
  form.addEventListener("submit", async (event) => {
    const again = form.dataset.sent;
    form.dataset.sent = "yes";
    const photos = [...form.querySelectorAll("[data-photos] input")].some((input) => input.files.length);
    const atOnce = form.elements.when.value === shown;
    if (again || photos || atOnce) event.preventDefault();
    if (again || !event.defaultPrevented) return;
    const hashes = await photosOf(form, me.person, form.elements.acting_for.value);
    form.elements.files.value = hashes.join(" ");
    if (!atOnce) {
      await go();
      form.submit();
      return;
    }
    const fields = Object.fromEntries(new FormData(form));
    const outcome = await note(fields.kind, fields.subject, fields.acting_for, fields, fields.id);
    if (outcome.recorded.some((one) => one.id === fields.id)) {
      window.location.assign(`/scan?code=${encodeURIComponent(fields.subject)}&told=${fields.id}`);
      return;
    }
    form.querySelector("button").disabled = true;
    $("queue").scrollIntoView();
  });
}
window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
});

// ---------------------------------------------------------------------------------------------------- one after another
const option = () => $("each-kind").selectedOptions[0];
const words = (name) => option().dataset[name].split(" ").filter(Boolean);

function fieldsFor() {
  const asked = words("asks"), needed = words("needs");
  for (const label of document.querySelectorAll("[data-field]")) {
    label.hidden = !asked.includes(label.dataset.field);
    label.querySelector("input").required = needed.includes(label.dataset.field);
  }
  for (const aside of document.querySelectorAll("[data-caution]")) aside.hidden = aside.dataset.caution !== option().value;
  const before = $("each-for").value;
  const able = Object.keys(me.kinds).filter((one) => me.kinds[one].includes(option().value));
  $("each-for").replaceChildren(...able.map((one) => new Option(one, one, false, one === before)));
}

function many() {
  const able = new Set(Object.values(me.kinds).flat());
  for (const one of [...$("each-kind").options]) if (!able.has(one.value)) one.remove();
  if (!$("each-kind").options.length) return;
  $("many").hidden = false;
  $("each-kind").addEventListener("change", fieldsFor);
  fieldsFor();
  $("each").addEventListener("submit", (event) => {
    event.preventDefault();
    told($("each-code").value);
  });
  // A hand scanner ends with Enter; in the field of the outer one that goes on to the thing, and tells nothing yet.
  $("each").addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || event.target.tagName !== "INPUT" || event.target === $("each-code")) return;
    event.preventDefault();
    $("each-code").focus();
  });
}

function bodyOf(names, fields) {
  const body = {};
  for (const name of names) {
    const said = (fields[name] || "").trim();
    if (!said) continue;
    if (name === "seals") body.seals = said.split(/[\s,]+/);
    else if (name === "into") body.into = read(said).number || said;
    else body[name] = said;
  }
  if (fields.files) body.files_sha256 = fields.files.split(" ");
  return body;
}

function asksOf(kind) {
  const found = [...$("each-kind").options].find((one) => one.value === kind);
  return found ? found.dataset.asks.split(" ").filter(Boolean) : [];
}

async function told(text) {
  const seen = read(text);
  const form = $("each");
  const into = form.elements.into;
  const outer = into.closest("label").hidden ? null : read(into.value);
  const wrong = seen.wrong ? WRONG[seen.wrong] : outer && outer.wrong ? say("The outer one: {wrong}", { wrong: WRONG[outer.wrong] }) : "";
  if (wrong || !form.checkValidity()) {
    $("each-said").textContent = wrong || say("Something that is needed is still empty.");
    signal(false);
    form.reportValidity();
    $("each-code").select();
    return;
  }
  // All of it at once: what is changed in the form meanwhile is about the next thing, and whoever has gone on to another
  // field is not called back from it. What the camera reads leaves alone what is being typed.
  const fields = Object.fromEntries(new FormData(form));
  const { value: kind, text: said } = option();
  const actingFor = $("each-for").value;
  if ($("each-code").value === text) {
    $("each-code").value = "";
    $("each-code").focus();
  }
  fields.files = (await photosOf(form, me.person, actingFor)).join(" ");
  await note(kind, subject(seen), actingFor, fields);
  $("each-count").textContent = Number($("each-count").textContent) + 1;
  $("each-said").textContent = `${seen.number}: ${said.toLowerCase()}.`;
  signal(true);
}

// -------------------------------------------------------------------------------------------------------------- queue
async function note(kind, about, actingFor, fields, id) {
  const body = bodyOf(asksOf(kind), fields);
  const one = await keep(me.person, kind, [about], actingFor, body, id);
  if (kind === "released") handedOver(me.person, one.id, about, actingFor, body);
  showSigning(me.person);
  await show();
  return go();
}

// One sending after another, so that what is noted during one goes out with the next.
let going = Promise.resolve();
function go() {
  going = going.then(sendAll);
  return going;
}

async function sendAll() {
  if (!me) return { recorded: [], refused: 0, said: "" };
  const outcome = await send(me.person);
  const said = {
    away: say("No network. They go out once it is back."),
    "signed-out": say("You are not signed in any more. Sign in, and they go out."),
  }[outcome.said] || outcome.said;
  const recorded = outcome.recorded.length ? `${say("{count} recorded.", { count: outcome.recorded.length })} ` : "";
  const refused = outcome.refused ? `${say("{count} refused: mend or throw away.", { count: outcome.refused })} ` : "";
  const flagged = outcome.recorded.filter((one) => one.flags.length).length;
  const looked = flagged ? `${say("{count} to look at.", { count: flagged })} ` : "";
  $("queue-said").textContent = `${recorded}${looked}${refused}${said}`;
  $("queue-sign-in").hidden = outcome.said !== "signed-out";
  if ($("again")) $("again").hidden = outcome.said === "away" || !(await reached());
  if (outcome.refused) signal(false);
  await show();
  return outcome;
}

// Whether the service can be asked: nothing of what the worker keeps answers this address.
const reached = () => fetch("/scan-worker.js", { cache: "no-store" }).then((answer) => answer.status < 500, () => false);

async function show() {
  const waiting = [...(await kept()), ...(await keptLists()), ...(await keptFiles())];
  $("queue-count").textContent = waiting.length;
  $("queue").hidden = !waiting.length && !$("queue-said").textContent;
  $("queue-send").hidden = !waiting.some((one) => me && one.person === me.person);
  $("queue-list").replaceChildren(...waiting.map(line));
}

// A list of receipt, or a picture: what it is, and if it was refused, why.
function other(one, made) {
  const what = document.createElement("p");
  what.textContent = one.path ? say("list · {path}", one) : say("picture · {name}", one);
  made.append(what);
  if (!one.problem) return made;
  const problem = document.createElement("p");
  problem.className = "refused";
  problem.textContent = say("Refused: {problem}", one);
  made.append(problem, button(say("Throw away"), async () => {
    await (one.path ? discardList(one.id) : discardFile(one.sha256));
    await show();
  }));
  return made;
}

function line(one) {
  const made = document.createElement("li");
  if (!one.fact) return other(one, made);
  const { kind, subjects, time, body } = one.fact;
  const told = Object.entries(body).filter(([name, said]) => said !== false && !["files_sha256", "signed"].includes(name));
  const details = told.map(([name, said]) => `${name} ${name === "children" ? said.map((one) => `${one.number} ${one.mass}`).join(", ") : said}`).join(", ");
  const what = document.createElement("p");
  what.textContent = `${kind.replace(/_/g, " ")} · ${subjects.join(", ")}${details ? ` · ${details}` : ""} · ${time.raw}`;
  made.append(what);
  if (!me || one.person !== me.person) {
    what.append(` · ${say("noted by somebody else; it goes out when they sign in here")}`);
    return made;
  }
  if (!one.problem) return made;
  const problem = document.createElement("p");
  problem.className = "refused";
  problem.textContent = say("Refused: {problem}", one);
  made.append(problem, mending(one), button(say("Throw away"), async () => {
    await discard(one.id);
    await show();
  }));
  return made;
}

const KEPT_WHOLE = { registered: true, divided: true };

// The fields of a refused fact, to be said otherwise.
function mending(one) {
  const form = document.createElement("form");
  form.className = "stack";
  const field = (name, value) => {
    const label = document.createElement("label");
    const input = document.createElement("input");
    input.name = name;
    input.value = value;
    label.append(`${name} `, input);
    form.append(label);
  };
  field("thing", one.fact.subjects.join(" "));
  field("for", one.fact.acting_for);
  for (const name of asksOf(one.fact.kind)) field(name, [one.fact.body[name] || ""].flat().join(" "));
  const go_on = document.createElement("button");
  go_on.textContent = say("Send it so");
  form.append(go_on);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const fields = Object.fromEntries(new FormData(form));
    // Of what no field is shown for, such as the pieces of a split, nothing changes.
    const body = one.fact.kind in KEPT_WHOLE ? { ...one.fact.body } : bodyOf(asksOf(one.fact.kind), fields);
    const { files_sha256, signed, party } = one.fact.body;
    Object.assign(body, files_sha256 && { files_sha256 }, signed && { signed, party });
    await mend(one, { subjects: fields.thing.split(/\s+/), acting_for: fields.for.trim(), body });
    await show();
    await go();
  });
  return form;
}

function button(text, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "quiet";
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
}

// ------------------------------------------------------------------------------------------------------------- camera
let stop = null;
if (navigator.mediaDevices && window.isSecureContext) {
  $("camera").hidden = false;
  $("camera-on").addEventListener("click", async () => {
    if (stop) {
      stop();
      stop = null;
      $("camera-on").textContent = say("Use the camera");
      return;
    }
    $("camera-said").textContent = say("Asking for the camera.");
    try {
      const { watch } = await import("/static/camera.js");
      stop = await watch($("picture"), scanned);
      $("camera-on").textContent = say("Camera off");
      $("camera-said").textContent = say("Hold the symbol into the picture.");
    } catch (error) {
      $("camera-said").textContent = say("No picture ({name}). Type the number.", error);
    }
  });
}

// What the camera reads goes to "one after another" where that was begun, or where nothing can be looked up; the outer
// one first where there is one to name.
let inTurn = Boolean($("as-whom"));
$("each").addEventListener("focusin", () => (inTurn = true));
$("look-up").addEventListener("focusin", () => (inTurn = false));

function scanned(text) {
  if (sampleScanned(text)) {
    signal(!read(text).wrong);
    return;
  }
  if (inTurn && !$("many").hidden) {
    const { into } = $("each").elements;
    if (!into.closest("label").hidden && !into.value) {
      into.value = text;
      $("each-said").textContent = say("Now the things that go into it.");
      signal(!read(text).wrong);
    } else told(text);
    return;
  }
  const seen = read(text);
  signal(!seen.wrong);
  if (seen.wrong) {
    $("camera-said").textContent = WRONG[seen.wrong];
    return;
  }
  window.location.assign(`/scan?code=${encodeURIComponent(text)}`);
}

// -------------------------------------------------------------------------------------------------------------- begin
async function begin() {
  if (me) await remember("me", me).then(keptHere);
  else me = (await remembered("me")) || null;
  if ($("as-whom")) {
    $("as-whom").textContent = me ? say("You are {name}.", me) : say("Nobody has signed in on this device yet: open this page once with a network.");
    const code = new URLSearchParams(window.location.search).get("code");
    if (code) $("each-code").value = code;
  }
  if (me) {
    many();
    offerPhotos();
    signing(() => me.person, { unsigned: say("There is no signature yet.") }, go);
    showSigning(me.person);
    splitting(me, async () => {
      await show();
      await go();
    });
  }
  $("look-up").hidden = inTurn;
  $("many-more").open = inTurn;
  $("queue-send").addEventListener("click", go);
  await show();
  await go();
  window.addEventListener("online", () => go().then(topUp));
  // Browsers say "online" before anything can be reached, or never: so it is also tried again while something waits.
  const waits = async () => [...(await kept()), ...(await keptLists()), ...(await keptFiles())].some((one) => !one.problem);
  setInterval(async () => {
    if (await waits()) await go();
    await topUp();
  }, TRY_AGAIN_MS);
  if (navigator.storage && navigator.storage.persist) navigator.storage.persist();
}

// Says so once all that the page needs without a network is on this device.
function keptHere() {
  if ("serviceWorker" in navigator) navigator.serviceWorker.ready.then(() => ($("kept-here").hidden = false));
}

if ("serviceWorker" in navigator) navigator.serviceWorker.register("/scan-worker.js", { scope: "/scan" }).catch(() => {});
begin();
