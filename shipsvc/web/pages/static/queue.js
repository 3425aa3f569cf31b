// Facts kept on this device until the service has answered for each: in IndexedDB, so that they survive a closed
// browser. A fact leaves only when the service says that it is recorded, or when a person throws it away.
import { sha256 } from "/static/photos.js";

const NAME = "shipsvc", FACTS = "facts", MEMORY = "memory", FILES = "files", LISTS = "lists";
const SENT_AT_ONCE = 200;

function open() {
  return new Promise((done, failed) => {
    const asked = indexedDB.open(NAME, 2);
    asked.onupgradeneeded = (event) => {
      const database = asked.result;
      if (event.oldVersion < 1) {
        database.createObjectStore(FACTS, { keyPath: "id" });
        database.createObjectStore(MEMORY);
      }
      database.createObjectStore(FILES, { keyPath: "sha256" });
      database.createObjectStore(LISTS, { keyPath: "id" });
    };
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
}

// One transaction; answers once it is on disk as far as the browser tells.
async function within(store, mode, act) {
  const database = await open();
  try {
    return await new Promise((done, failed) => {
      const transaction = database.transaction(store, mode, { durability: "strict" });
      const asked = act(transaction.objectStore(store));
      transaction.oncomplete = () => done(asked && asked.result);
      transaction.onerror = transaction.onabort = () => failed(transaction.error);
    });
  } finally {
    database.close();
  }
}

export const remember = (name, what) => within(MEMORY, "readwrite", (store) => store.put(what, name));
export const remembered = (name) => within(MEMORY, "readonly", (store) => store.get(name));
export const forget = (name) => within(MEMORY, "readwrite", (store) => store.delete(name));
export const kept = async () =>
  (await within(FACTS, "readonly", (store) => store.getAll())).sort((a, b) => a.fact.time.sequence - b.fact.time.sequence);
export const keptFiles = () => within(FILES, "readonly", (store) => store.getAll());
export const keptLists = () => within(LISTS, "readonly", (store) => store.getAll());
export const discardList = (id) => within(LISTS, "readwrite", (store) => store.delete(id));
export const discard = (id) => within(FACTS, "readwrite", (store) => store.delete(id));

// UUID version 7 (RFC 9562, 5.7): 48 bits of Unix milliseconds, then random ones.
export function uuid7(milliseconds = Date.now()) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  for (let place = 5; place >= 0; place -= 1) {
    bytes[place] = milliseconds % 256;
    milliseconds = Math.floor(milliseconds / 256);
  }
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

// This device's time with its offset, as RFC 3339 has it.
export function localTime(at = new Date()) {
  const two = (figure) => String(Math.abs(figure)).padStart(2, "0");
  const offset = -at.getTimezoneOffset();
  const day = `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
  const time = `${two(at.getHours())}:${two(at.getMinutes())}:${two(at.getSeconds())}`;
  return `${day}T${time}${offset < 0 ? "-" : "+"}${two(Math.trunc(offset / 60))}:${two(offset % 60)}`;
}

// What is remembered under some names is read and changed, and facts are kept, in one transaction: two pages open at
// once never take the same. ``act`` gets what was remembered, and both stores; it must not wait for anything.
async function inOne(names, act) {
  const database = await open();
  try {
    return await new Promise((done, failed) => {
      const transaction = database.transaction([MEMORY, FACTS], "readwrite", { durability: "strict" });
      const memory = transaction.objectStore(MEMORY);
      const asked = names.map((name) => memory.get(name));
      let answer;
      asked[asked.length - 1].onsuccess = () => {
        answer = act(asked.map((one) => one.result), memory, transaction.objectStore(FACTS));
      };
      transaction.oncomplete = () => done(answer);
      transaction.onerror = transaction.onabort = () => failed(transaction.error);
    });
  } finally {
    database.close();
  }
}

// The device's name and how many facts it has counted, so many more.
const further = (before, count) => ({ name: `web-${uuid7().slice(-12)}`, ...before, count: ((before && before.count) || 0) + count });

const counted = () =>
  inOne(["device"], ([before], memory) => {
    const device = further(before, 1);
    memory.put(device, "device");
    return device;
  });

// Keep one fact; ``person`` is who notes it: nobody else can send it.
export async function keep(person, kind, subjects, actingFor, body, id = uuid7(), note = "") {
  const device = await counted();
  const time = { raw: localTime(), source: "device", sequence: device.count };
  const fact = { id, kind, subjects, time, acting_for: actingFor, body, ...(note && { note }) };
  const one = { id, person, device: device.name, fact, problem: "" };
  await within(FACTS, "readwrite", (store) => store.put(one));
  return one;
}

// ------------------------------------------------------------------------------------------------- numbers for pieces
// By prefix, the numbers that this device may still give out, in order, and the id of the block that it has asked for
// (which is remembered first: asked for again, it is the same block). They are of one person; another begins anew.
const heldBy = (person, held) => (held && held.person === person ? held : { person, blocks: {} });
const blockOf = (mine, prefix) => mine.blocks[prefix] || { free: [], asked: "" };

export const heldNumbers = async (person) => heldBy(person, await remembered("numbers")).blocks;

export const askedBlock = (person, prefix) =>
  inOne(["numbers"], ([held], memory) => {
    const mine = heldBy(person, held);
    const block = blockOf(mine, prefix);
    mine.blocks[prefix] = { ...block, asked: block.asked || uuid7() };
    memory.put(mine, "numbers");
    return mine.blocks[prefix].asked;
  });

export const holdNumbers = (person, prefix, id, numbers) =>
  inOne(["numbers"], ([held], memory) => {
    const mine = heldBy(person, held);
    const block = blockOf(mine, prefix);
    if (block.asked !== id) return;
    mine.blocks[prefix] = { free: [...block.free, ...numbers], asked: "" };
    memory.put(mine, "numbers");
  });

// Keep a split: its numbers leave the block as its facts are kept, or neither. ``said`` has prefix, owner, sample, what,
// ends and pieces ({number, mass, balance}). Answers false where those are not the next numbers any more.
export const keepSplit = (person, said) =>
  inOne(["numbers", "device"], ([held, before], memory, facts) => {
    const mine = heldBy(person, held);
    const block = blockOf(mine, said.prefix);
    const numbers = said.pieces.map((piece) => piece.number);
    if (!numbers.every((number, place) => block.free[place] === number)) return false;
    mine.blocks[said.prefix] = { ...block, free: block.free.slice(numbers.length) };
    memory.put(mine, "numbers");
    const device = further(before, 2);
    memory.put(device, "device");
    const registered = { item: "sample", form: "material", owner: said.owner, ...(said.what && { what: said.what }) };
    const told = [["registered", numbers, registered], ["divided", [said.sample], { children: said.pieces, ends: said.ends }]];
    for (const [place, [kind, subjects, body]] of told.entries()) {
      const time = { raw: localTime(), source: "device", sequence: device.count - 1 + place };
      const fact = { id: uuid7(), kind, subjects, time, acting_for: said.owner, body };
      facts.put({ id: fact.id, person, device: device.name, fact, problem: "" });
    }
    return true;
  });

// Keep a picture until it is sent; answers the hash by which facts name it.
export async function keepFile(person, actingFor, blob, name) {
  const hash = await sha256(blob);
  await within(FILES, "readwrite", (store) => store.put({ sha256: hash, person, acting_for: actingFor, blob, name, problem: "" }));
  return hash;
}

// Keep a list as it was filled in; its id makes it harmless to send it twice.
export const keepList = (person, path, fields) =>
  within(LISTS, "readwrite", (store) => store.put({ id: fields.id, person, path, fields, problem: "" }));

// What was refused, said otherwise and under a new id, at the time at which it was noted.
export async function mend(one, changes) {
  const id = uuid7();
  const mended = { ...one, id, problem: "", fact: { ...one.fact, ...changes, id } };
  await within(FACTS, "readwrite", (store) => {
    store.put(mended);
    return store.delete(one.id);
  });
  return mended;
}

// Send what this person noted. Answers {recorded, refused, left, said}; throws nothing: what fails stays.
export async function send(person, csrfFree = fetch) {
  const outcome = { recorded: [], refused: 0, said: "" };
  const files = await sendFiles(person);
  if (files) return { ...outcome, said: files };
  const waiting = (await kept()).filter((one) => one.person === person && !one.problem);
  for (let first = 0; first < waiting.length; first += SENT_AT_ONCE) {
    const batch = waiting.slice(first, first + SENT_AT_ONCE);
    const answered = await sendBatch(person, batch, csrfFree);
    if (!answered.results) return { ...outcome, said: answered.said };
    for (const [place, result] of answered.results.entries()) {
      if (result.status === "recorded") {
        await discard(batch[place].id);
        outcome.recorded.push(result);
      } else {
        await within(FACTS, "readwrite", (store) => store.put({ ...batch[place], problem: result.problem.detail }));
        outcome.refused += 1;
      }
    }
  }
  return sendLists(person, outcome);
}

// Pictures go first. One that is refused stays to be seen, and holds up nothing; answers what holds up everything.
async function sendFiles(person) {
  for (const file of await keptFiles()) {
    if (file.person !== person || file.problem) continue;
    const form = new FormData();
    form.append("acting_for", file.acting_for);
    form.append("file", file.blob, file.name);
    const address = `/scan/files?person=${encodeURIComponent(person)}`;
    const answered = await asked(address, { body: form, headers: { Accept: "application/json" } });
    if (answered.ok) await within(FILES, "readwrite", (store) => store.delete(file.sha256));
    else if (answered.lasting) await within(FILES, "readwrite", (store) => store.put({ ...file, problem: answered.said }));
    else return answered.said;
  }
  return "";
}

export const discardFile = (hash) => within(FILES, "readwrite", (store) => store.delete(hash));

async function sendLists(person, outcome) {
  for (const list of await keptLists()) {
    if (list.person !== person || list.problem) continue;
    const body = new URLSearchParams(list.fields);
    const answered = await asked(list.path, { body, headers: { Accept: "application/json" }, redirect: "manual" });
    if (answered.ok) {
      await discardList(list.id);
      outcome.recorded.push({ id: list.id, flags: [] });
    } else if (answered.lasting) {
      await within(LISTS, "readwrite", (store) => store.put({ ...list, problem: answered.said }));
      outcome.refused += 1;
    } else return { ...outcome, said: answered.said };
  }
  return outcome;
}

// One POST. ``lasting``: to send the same again would be answered the same.
async function asked(address, options) {
  let answer;
  try {
    answer = await fetch(address, { method: "POST", ...options });
  } catch {
    return { ok: false, said: "away" };
  }
  if (answer.ok || answer.type === "opaqueredirect") return { ok: true };
  if (answer.status === 401) return { ok: false, said: "signed-out" };
  const problem = await answer.json().catch(() => ({}));
  const lasting = answer.status < 500 && ![408, 425, 429].includes(answer.status);
  return { ok: false, lasting, said: problem.detail || `${answer.status}` };
}

async function sendBatch(person, batch, ask) {
  const body = { person, device: batch[0].device, device_now: localTime(), facts: batch.map((one) => one.fact) };
  try {
    const answer = await ask("/scan/facts", {
      method: "POST", headers: { "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(body),
    });
    if (answer.ok) return await answer.json();
    if (answer.status === 401) return { said: "signed-out" };
    const problem = await answer.json().catch(() => ({}));
    return { said: problem.detail || `${answer.status}` };
  } catch {
    return { said: "away" };
  }
}
