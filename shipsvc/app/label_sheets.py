"""Sheets of labels as PDF, to be printed at true size: symbols as vectors, words beside them. Pure, no database.

The same labels make the same bytes, so that a sheet can be kept by its hash. Sizes of labels are our own (common
practice, no source); the side of the symbol is told without its margin of four modules.
"""

import io
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas

from shipsvc.app import labels
from shipsvc.app.labels import BORDER, LabelText, Level, Matrix
from shipsvc.domain.errors import Malformed, Text

SizeName = Literal["vial", "jar", "bag", "box"]
#: Width of a module below which common label printers (300 dots an inch: 0.085 mm) draw it with under three dots.
MODULE_MM_MIN: Final = 0.24
#: Round the edge of the page, and between labels.
_MARGIN_MM, _GAP_MM = 8.0, 2.0
_PLAIN, _BOLD = "Helvetica", "Helvetica-Bold"
#: In place of whole cautions, where those have no room.
_SHORT: Final = {
    "dry_ice": "DRY ICE: never airtight",
    "liquid_nitrogen": "LIQUID NITROGEN: never seal",
    "inert_gas": "INERT GAS: ventilate",
    "fine_dust": "FINE DUST: enclose",
    "pressure": "PRESSURE: open slowly",
}


@dataclass(frozen=True)
class Size:
    """A label: its width, height, the side of its symbol, and the height of its largest and smallest letters, in mm;
    the error correction of the symbol: H, with which a tenth may be covered anywhere, but where that has no room."""

    width: float
    height: float
    code: float
    large: float
    small: float
    level: Level = "H"

    @property
    def columns(self) -> int:
        """How many stand side by side on a page of A4."""
        return int((A4[0] / mm - 2 * _MARGIN_MM + _GAP_MM) // (self.width + _GAP_MM))

    @property
    def rows(self) -> int:
        """How many stand one below the other."""
        return int((A4[1] / mm - 2 * _MARGIN_MM + _GAP_MM) // (self.height + _GAP_MM))


#: From a vial to a box.
SIZES: Final[dict[SizeName, Size]] = {
    "vial": Size(36, 10, 7, 2.6, 1.5, "Q"),
    "jar": Size(62, 20, 13, 4.0, 1.8),
    "bag": Size(95, 34, 22, 5.5, 1.9),
    "box": Size(95, 66, 36, 7.0, 2.2),
}


@dataclass(frozen=True)
class Printed:
    """One label of a sheet: what its symbol holds, its words, and the hazards to warn of."""

    url: str
    text: LabelText
    hazards: Sequence[str] = ()


def sheet(found: Sequence[Printed], name: SizeName, *, skip: int = 0) -> bytes:
    """A PDF of as many pages of A4 as it takes, the first ``skip`` places left free (they were used before).

    Raises Malformed where an address is too long for the size, or cautions have no room on it.
    """
    size = SIZES[name]
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=A4, invariant=1, pageCompression=1)
    canvas.setTitle("Labels")
    a_page = size.columns * size.rows
    for place, label in enumerate(found, skip % a_page):
        if place and place % a_page == 0:
            canvas.showPage()
        row, column = divmod(place % a_page, size.columns)
        left = _MARGIN_MM + column * (size.width + _GAP_MM)
        top = A4[1] / mm - _MARGIN_MM - row * (size.height + _GAP_MM)
        _draw(canvas, label, size, left, top)
    canvas.save()
    return out.getvalue()


def _draw(canvas: Any, label: Printed, size: Size, left: float, top: float) -> None:
    canvas.setStrokeGray(0.75)
    canvas.setLineWidth(0.2)
    canvas.rect(left * mm, (top - size.height) * mm, size.width * mm, size.height * mm)
    modules = labels.matrix(label.url, size.level)
    module = size.code / (len(modules) - 2 * BORDER)
    side = module * len(modules)
    if module < MODULE_MM_MIN or side > size.height:
        no_room = "the address {url} has no room in a symbol of {side} mm. Take a larger size of label."
        raise Malformed(why=Text(no_room, url=label.url, side=f"{size.code:g}"), pointer="/size")
    _symbol(canvas, modules, module, left, top - (size.height - side) / 2)
    x, width = left + side, size.width - side - 1
    lines = _lines(label, size, width)
    y = top - (size.height - sum(line.pitch for line in lines)) / 2
    for line in lines:
        y -= line.pitch
        canvas.setFillGray(0)
        canvas.setFont(line.font, line.height * mm)
        canvas.drawString(x * mm, (y + 0.25 * line.height) * mm, line.words)


def _symbol(canvas: Any, modules: Matrix, module: float, left: float, top: float) -> None:
    """All dark modules as one path, so that none is parted from its neighbour by a light seam."""
    path = canvas.beginPath()
    for row, line in enumerate(modules):
        column = 0
        while column < len(line):
            run = next((n for n, dark in enumerate(line[column:]) if not dark), len(line) - column)
            if run:
                y = top - (row + 1) * module
                path.rect((left + column * module) * mm, y * mm, run * module * mm, module * mm)
            column += max(run, 1)
    canvas.setFillGray(0)
    canvas.drawPath(path, stroke=0, fill=1)


# -------------------------------------------------------------------------------------------------------------- words
@dataclass(frozen=True)
class _Line:
    words: str
    height: float
    font: str = _PLAIN

    @property
    def pitch(self) -> float:
        return self.height * 1.15


def _lines(label: Printed, size: Size, width: float) -> list[_Line]:
    """Number and serial are never cut; cautions are given whole, else in short; what it is takes the room left."""
    text = label.text
    head = [_fitted(text.number, size.large, width)]
    kind = _wrapped(f"{text.kind} · print {text.serial}", size.small * 1.1, width)[:1]
    for cautions in (labels.cautions(*label.hazards), tuple(_SHORT[hazard] for hazard in label.hazards)):
        below = [line for one in cautions for line in _wrapped(one, size.small, width, _BOLD)]
        room = size.height - 0.6 - sum(line.pitch for line in (*head, *kind, *below))
        if room >= 0:
            return [*head, *kind, *_what(text.what, size, width, room), *below]
    why = "so many cautions have no room on a label of this size. Take a larger one, or print them apart."
    raise Malformed(why=why, pointer="/hazards")


def _what(what: str, size: Size, width: float, room: float) -> list[_Line]:
    height = size.small * 1.2
    lines, fit = _wrapped(what, height, width), int(room // (height * 1.15))
    if len(lines) <= fit:
        return lines
    return [*lines[: fit - 1], _Line(lines[fit - 1].words[:-1] + "…", height)] if fit > 0 else []


def _fitted(words: str, height: float, width: float) -> _Line:
    words = _in_font(words)
    wide = stringWidth(words, _BOLD, height)
    return _Line(words, height if wide <= width else height * width / wide, _BOLD)


def _wrapped(words: str, height: float, width: float, font: str = _PLAIN) -> list[_Line]:
    said = _in_font(words)
    characters = max(len(said), 1)
    while True:
        parts = textwrap.wrap(said, characters)
        widest = max((stringWidth(part, font, height) for part in parts), default=0)
        if widest <= width or characters <= 4:
            return [_Line(part, height, font) for part in parts]
        characters = max(4, min(characters - 1, int(characters * width / widest)))


def _in_font(words: str) -> str:
    """Words in the letters that every reader of PDF has (Windows-1252): others lose their accents, or become "?"."""
    return "".join(char if _has(char) else labels.plain_letter(char) for char in labels.printable(words))


def _has(char: str) -> bool:
    try:
        return bool(char.encode("cp1252"))
    except UnicodeEncodeError:
        return False
