"""Labels: a QR symbol (ISO/IEC 18004) beside words that a person can read. Pure rendering, no database.

What a symbol holds is a short URL such as ``HTTPS://S.EXAMPLE.ORG/S/BRM0001L.2.K3F9A1XY``: number with check
character, serial of the print, authenticity tag. It is written in capitals because the alphanumeric mode of QR knows
no others, and takes 5.5 bits a character instead of 8 (table 2 of the standard). RFC 3986 (3.1, 3.2.2) lets scheme
and host be written either way; the path is case-sensitive, so the page of a scan *is* ``/S/``, in capitals, and a
prefix that a base URL brings along keeps its case (and costs the larger byte mode, if it has small letters).

A vial of 7 to 10 mm takes a symbol of at most version 3: 29 modules and 2 x 4 of margin, at 0.25 mm, are 9.25 mm;
version 2 is 8.25 mm. At level Q version 3 holds 47 characters, which leaves 17 for the host beside a number of eight
characters, a serial of one digit and the tag.
"""

import hashlib
import hmac
import io
import re
import textwrap
import unicodedata
from dataclasses import dataclass
from html import escape
from itertools import groupby
from typing import Final, Literal
from urllib.parse import urlsplit

from PIL import Image, ImageDraw, ImageFont
from qrcode.constants import ERROR_CORRECT_H, ERROR_CORRECT_M, ERROR_CORRECT_Q
from qrcode.main import QRCode

from shipsvc.domain.errors import Malformed, Text

#: Quiet zone of a QR symbol, in modules (ISO/IEC 18004, 5.3.8 in the edition of 2015; from memory).
BORDER: Final = 4
#: 40 bits: a guess at the scan page is right once in 10^12.
TAG_LENGTH: Final = 8
PATH: Final = "/S/"

Matrix = list[list[bool]]
#: Error correction: about 15, 25 or 30 % of the codewords (ISO/IEC 18004).
Level = Literal["M", "Q", "H"]

_ECC: Final = {"M": ERROR_CORRECT_M, "Q": ERROR_CORRECT_Q, "H": ERROR_CORRECT_H}
# Base 32 without the letters I, L, O (read as digits) and U: Crockford's alphabet, all of it in QR's alphanumeric set.
_ALPHABET: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_AS_READ: Final = str.maketrans("OIL", "011")
_PRINT_CODE: Final = re.compile(r"[0-9A-Z.]+")
# The font that Pillow brings holds these beside ASCII (tried); all else would be printed as an empty box.
_IN_FONT: Final = frozenset("·°±…")
# "u" for micro is what ISO 2955 wrote where the sign is missing (from memory).
_STAND_IN: Final = str.maketrans("µμ−–—", "uu---")

LAST_LINE: Final = (
    "A reminder, not an instruction: local codes and trained, licensed staff decide. If unsure, stop and ask."
)
_CAUTIONS: Final = {
    "dry_ice": (
        "DRY ICE, UN 1845, -78.5 °C. Never in an airtight vessel: it bursts. Vented outer box.",
        "1 kg gives about 540 L of gas that displaces air: ventilate room and vehicle.",
        "Insulated gloves, eye protection. By air: trained shipper, class 9 mark, net kg on the box.",
    ),
    "liquid_nitrogen": (
        "LIQUID NITROGEN, -196 °C. Never seal. Keep upright. Not in a lift with people.",
        "1 L gives about 690 L of gas. Below 19.5 % oxygen do not enter; there is no warning before fainting.",
        "Cold burns: face shield, loose insulated gloves.",
    ),
    "inert_gas": (
        "NITROGEN OR ARGON inside. Open only where it is ventilated; never put the head inside.",
        "Oxygen deficiency gives no warning. On an oxygen alarm leave; no rescue without air supply.",
    ),
    "fine_dust": (
        "FINE DUST. Open in an enclosure with extraction; no dry sweeping.",
        "Respirable crystalline silica may be present: fitted respirator by the local programme.",
    ),
    "pressure": (
        "PRESSURE. Let it equalise slowly; what was filled cold can burst when warm, also after a flight.",
        "Keep relief valves clear; eye protection.",
    ),
}
HAZARDS: Final = tuple(_CAUTIONS)


def cautions(*hazards: str) -> tuple[str, ...]:
    """Short reminders for each of the hazards (of ``HAZARDS``), one closing line after them all, none without hazard.

    The numbers are those of the service's own list of cautions; a label replaces no marking that the law asks for.
    Raises Malformed for a hazard that is not in the list.
    """
    for hazard in hazards:
        if hazard not in _CAUTIONS:
            known = ", ".join(HAZARDS)
            raise Malformed(
                why=Text("there are no cautions for {hazard}; there are for {known}", hazard=hazard, known=known)
            )
    lines = [line for hazard in dict.fromkeys(hazards) for line in _CAUTIONS[hazard]]
    return (*lines, LAST_LINE) if lines else ()


@dataclass(frozen=True)
class LabelText:
    """The words beside the symbol: display number (BRM-0001-L), serial of the print, kind of container, content."""

    number: str
    serial: int
    kind: str
    what: str = ""
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Form:
    """How a label is made: error correction, width of a module in mm, width of the words in modules."""

    level: Level
    module_mm: float
    words: int


#: Level Q on vials: part of a curved symbol is seen at an angle (common practice, no source).
VIAL: Final = Form("Q", 0.25, 46)
STANDARD: Final = Form("M", 0.5, 96)


def form_for(kind: str) -> Form:
    """The form for a kind of container."""
    return VIAL if kind == "vial" else STANDARD


def authenticity_tag(secret: bytes, print_code: str) -> str:
    """The first 40 bits of HMAC-SHA256 (RFC 2104) over the print code, in base 32. The secret is for labels alone.

    It tells a label of ours from one that somebody made up; whoever copies a label copies its tag with it.
    """
    digest = hmac.new(secret, print_code.encode(), hashlib.sha256).digest()
    number = int.from_bytes(digest, "big") >> (len(digest) * 8 - TAG_LENGTH * 5)
    return "".join(_ALPHABET[number >> shift & 31] for shift in range(5 * (TAG_LENGTH - 1), -1, -5))


def tag_matches(secret: bytes, print_code: str, tag: str) -> bool:
    """Whether a tag as scanned or typed (small letters, O for 0, I or L for 1) is the right one; in constant time."""
    typed = tag.upper().translate(_AS_READ).encode("utf-8", "surrogatepass")
    return hmac.compare_digest(typed, authenticity_tag(secret, print_code).encode())


def label_url(base_url: str, print_code: str, tag: str) -> str:
    """What the symbol holds: base URL with scheme and host in capitals, ``/S/``, print code (BRM0001L.2), tag.

    Raises Malformed for a base URL that is not http(s)://host[:port][/prefix] or a print code with other characters.
    """
    base = urlsplit(base_url)
    if base.scheme not in {"http", "https"} or not base.hostname or base.query or base.fragment or "@" in base.netloc:
        why = Text("{url} is not the address of a service, such as https://ship.example.org", url=base_url)
        raise Malformed(why=why)
    if not _PRINT_CODE.fullmatch(print_code):
        raise Malformed(why=Text("{code} is not the code of a print, such as BRM0001L.2", code=print_code))
    return f"{base.scheme.upper()}://{base.netloc.upper()}{base.path.rstrip('/')}{PATH}{print_code}.{tag}"


def matrix(url: str, level: Level) -> Matrix:
    """The smallest symbol that holds the URL, dark modules true, its margin of four modules included."""
    code = QRCode(error_correction=_ECC[level], border=BORDER)
    code.add_data(url, optimize=0)  # one mode for the whole: the split into several is not smaller for our URLs
    code.make(fit=True)
    return [[bool(dark) for dark in row] for row in code.get_matrix()]


@dataclass(frozen=True)
class _Line:
    """One line of words: height of its letters in modules, the words."""

    size: int
    words: str

    @property
    def pitch(self) -> float:
        """From the top of this line to that of the next, in modules."""
        return self.size * 1.2


def svg(url: str, text: LabelText, *, form: Form | None = None) -> str:
    """A complete label, sized in mm, of paths and words alone: no script, no style, no outside reference."""
    form = form or form_for(text.kind)
    modules = matrix(url, form.level)
    lines = _lines(text, form)
    width = len(modules) + form.words + BORDER
    height = max(len(modules), _height(lines))
    size = (
        f'width="{width * form.module_mm:g}mm" height="{height * form.module_mm:g}mm" viewBox="0 0 {width} {height:g}"'
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img"><title>{escape(printable(text.number))}</title>'
        f'<path d="M0 0h{width}v{height:g}h-{width}z" fill="#fff"/>'
        f'<path d="{strokes(modules)}" stroke="#000" shape-rendering="crispEdges"/>'
        f'<g font-family="monospace" fill="#000">{_svg_words(lines, len(modules))}</g></svg>'
    )


def png(url: str, text: LabelText, *, form: Form | None = None, pixels: int = 8) -> bytes:
    """The same label as a grey PNG, ``pixels`` to a module, its resolution set so that it prints at true size."""
    form = form or form_for(text.kind)
    modules = matrix(url, form.level)
    lines = [_Line(line.size, _in_font(line.words)) for line in _lines(text, form)]
    fonts = {line.size: ImageFont.load_default(line.size * pixels) for line in lines}
    words = max(fonts[line.size].getlength(line.words) for line in lines)
    width = (len(modules) + BORDER) * pixels + int(words)
    image = Image.new("L", (width, int(max(len(modules), _height(lines)) * pixels)), 255)
    image.paste(_pixels(modules, pixels), (0, 0))
    draw = ImageDraw.Draw(image)
    top = float(BORDER)
    for line in lines:
        draw.text((len(modules) * pixels, top * pixels), line.words, fill=0, font=fonts[line.size])
        top += line.pitch
    out = io.BytesIO()
    dots = pixels * 25.4 / form.module_mm
    image.save(out, "PNG", optimize=True, dpi=(dots, dots))
    return out.getvalue()


def _lines(text: LabelText, form: Form) -> list[_Line]:
    """Number, serial and kind are never cut; what it is gets three lines; cautions are given whole."""
    what = _wrapped(text.what, 5, form)
    if len(what) > 3:
        what = [*what[:2], _Line(5, what[2].words[:-3] + "...")]
    small = [line for caution in text.cautions for line in _wrapped(caution, 4, form)]
    head = [_Line(7, printable(text.number)), *_wrapped(f"{text.kind} · print {text.serial}", 5, form)]
    return [*head, *what, *small]


def _wrapped(words: str, size: int, form: Form) -> list[_Line]:
    """Lines that fit the width; a letter is 0.6 of its height wide, as in most fonts of one width."""
    return [_Line(size, part) for part in textwrap.wrap(printable(words), int(form.words / (0.6 * size)))]


def _height(lines: list[_Line]) -> float:
    return round(sum(line.pitch for line in lines) + 2 * BORDER, 1)


def printable(words: str) -> str:
    """Without control, format, surrogate and unassigned characters: XML forbids some, others turn the text about."""
    return "".join(" " if unicodedata.category(char)[0] == "C" else char for char in words)


def _in_font(words: str) -> str:
    """Words in the letters that Pillow's font has: accents go, what has no Latin letter becomes a question mark."""
    plain = words.translate(_STAND_IN)
    return "".join(char if char.isascii() or char in _IN_FONT else plain_letter(char) for char in plain)


def plain_letter(char: str) -> str:
    """A letter without its accent; "?" for one that has no Latin letter."""
    return unicodedata.normalize("NFKD", char).encode("ascii", "ignore").decode() or "?"


def strokes(modules: Matrix) -> str:
    """The dark modules as horizontal strokes one module wide, along the middle of each row."""
    return "".join(f"M0 {y}.5{_row(row)}" for y, row in enumerate(modules) if any(row))


def _row(row: list[bool]) -> str:
    runs = [(dark, len(list(run))) for dark, run in groupby(row)]
    return "".join(f"{'h' if dark else 'm'}{length}{'' if dark else ' 0'}" for dark, length in runs[:-1])


def _svg_words(lines: list[_Line], left: int) -> str:
    parts, top = [], float(BORDER)
    for line in lines:
        parts.append(f'<text x="{left}" y="{top + line.size:.1f}" font-size="{line.size}">{escape(line.words)}</text>')
        top += line.pitch
    return "".join(parts)


def _pixels(modules: Matrix, pixels: int) -> Image.Image:
    """The symbol as an image, every module a square of ``pixels`` by ``pixels``."""
    image = Image.new("L", (len(modules), len(modules)))
    image.putdata([0 if dark else 255 for row in modules for dark in row])
    return image.resize((len(modules) * pixels, len(modules) * pixels), Image.Resampling.NEAREST)
