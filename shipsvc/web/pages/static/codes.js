// Item numbers as shipsvc/domain/codes.py reads them: a number with its check character (ISO/IEC 7064 MOD 37,36), a
// print code, or the address on a label. The service checks again; this is for the moment of typing.
const ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";

export function checkCharacter(text) {
  let product = 36;
  for (const character of text) product = (((product + ALPHABET.indexOf(character)) % 36 || 36) * 2) % 37;
  return ALPHABET[(((1 - product) % 36) + 36) % 36];
}

const asDigits = (text) => text.replace(/O/g, "0").replace(/[IL]/g, "1");

// {number: "BRM-0010-J", serial: 2 or null} or {wrong: "shape" | "check"}.
export function read(text) {
  let last = text.trim();
  if (last.includes("/")) last = last.split(/[?#]/)[0].replace(/\/+$/, "").split("/").pop();
  const [typed, serial, tag, ...more] = last.toUpperCase().split(".");
  const serialTyped = serial === undefined ? null : asDigits(serial);
  const badSerial = serialTyped !== null && !(/^[0-9]{1,9}$/.test(serialTyped) && Number(serialTyped) > 0);
  if (more.length || badSerial || (tag !== undefined && !/^[0-9A-Z_-]{1,64}$/.test(tag))) return { wrong: "shape" };
  const plain = typed.replace(/[\s\u2010-\u2014\u2212-]+/g, "");
  const body = plain.slice(0, -1);
  const check = plain.slice(-1).replace("O", "0").replace("I", "1");
  let shaped = false;
  for (let cut = Math.min(6, body.length); cut > 0; cut -= 1) {
    if (!/^[A-HJ-NP-Z]+$/.test(body.slice(0, cut)) || !/^[0-9OIL]{1,8}$/.test(body.slice(cut))) continue;
    shaped = true;
    const digits = asDigits(body.slice(cut));
    if (checkCharacter(body.slice(0, cut) + digits) === check)
      return { number: `${body.slice(0, cut)}-${digits}-${check}`, serial: serialTyped ? Number(serialTyped) : null };
  }
  return { wrong: shaped ? "check" : "shape" };
}

// As a fact names what was scanned: the print where one was read, else the number.
export const subject = (seen) => (seen.serial ? `${seen.number.replace(/-/g, "")}.${seen.serial}` : seen.number);
