"""A layout guessed from the beginning of a table, with all that the guess leaves open said beside it."""

import csv
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from shipsvc.domain.layouts import EPOCH_MS, EPOCH_S, ISO, Column, Layout
from shipsvc.domain.quantities import QUANTITIES, units

#: Lines that are looked at.
LINES_MAX: Final = 200
_ISO: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}.*")
_OFFSET: Final = re.compile(r".*(?:[Zz]|[+-][0-9]{2}:?[0-9]{2})")
_DATE: Final = re.compile(r"(?P<a>[0-9]{1,4})(?P<sep>[./-])(?P<b>[0-9]{1,2})(?P=sep)(?P<c>[0-9]{2,4})(?P<rest>.*)")
_CLOCK: Final = re.compile(r"[0-9]{1,2}:[0-9]{2}(?P<s>:[0-9]{2}(?:[.,][0-9]+)?)?(?P<half> ?[AaPp]\.?[Mm]\.?)?")
_FIGURE: Final = re.compile(r"[+-]?[0-9]*[.,]?[0-9]+")
#: Words of headings, the more telling ones first.
_WORDS: Final[Mapping[str, str]] = {
    "frost_point": r"frost|dew",
    "relative_humidity": r"humid|\brh\b|%\s?rh|\br\.?\s?h\b",
    "oxygen": r"oxygen|\bo2\b|o₂",
    "pressure": r"press|\bmbar\b|\bhpa\b|\bkpa\b|\bpsi\b",
    "shock": r"shock|accel|m/s2|m/s²",
    "light": r"light|\blux\b|\bk?lx\b|illum",
    "temperature": r"temp|°\s?[cf]|deg\s?[cf]|celsius|fahrenheit|kelvin|\bt\b",
}
_UNITS: Final[Sequence[tuple[str, str]]] = (
    (r"°\s?f|deg\s?f|fahrenheit|\(f\)", "[degF]"),
    (r"kelvin|\bk\b", "K"),
    (r"°\s?c|deg\s?c|celsius|\(c\)|\bcel\b", "Cel"),
    (r"\bppb\b", "[ppb]"),
    (r"\bppm\b", "[ppm]"),
    (r"\bkpa\b", "kPa"),
    (r"\bhpa\b", "hPa"),
    (r"\bmbar\b", "mbar"),
    (r"\bpsi\b", "[psi]"),
    (r"\bpa\b", "Pa"),
    (r"m/s2|m/s²", "m/s2"),
    (r"\bg\b", "[g]"),
    (r"\bklx\b", "klx"),
    (r"\blux\b|\blx\b", "lx"),
    (r"%", "%"),
)


@dataclass(frozen=True, slots=True)
class Guess:
    """A layout (None: nothing fits), the cells of the line above the readings, and what is to be looked at."""

    layout: Layout | None
    headings: tuple[str, ...]
    unsure: tuple[str, ...]


def guess(text: str, measured: Sequence[str]) -> Guess:
    """The layout that the beginning of a table most likely has, for a source that measures these quantities."""
    lines = text.splitlines()[:LINES_MAX]
    delimiter = _delimiter(lines)
    rows = list(csv.reader(lines, delimiter=delimiter))
    first = next((n for n, row in enumerate(rows) if _is_data(row)), None)
    if first is None:
        return Guess(None, (), ("no line was found that begins with a time and holds a figure",))
    data = [row for row in rows[first:] if _is_data(row)]
    headings = tuple(cell.strip() for cell in rows[first - 1]) if first else ()
    unsure: list[str] = []
    times, form = _times(data, unsure)
    if not times:
        return Guess(None, headings, ("no column of times was found",))
    decimal = _decimal(data, times, delimiter)
    columns = _columns(data, headings, times, measured, unsure)
    if not columns:
        return Guess(None, headings, (*unsure, f"no column was found for {', '.join(measured)}"))
    if form not in {EPOCH_S, EPOCH_MS} and not all(_OFFSET.fullmatch(row[times[0]].strip()) for row in data):
        unsure.append("times have no offset: they are read in the zone of the source")
    at = tuple(column + 1 for column in times)
    return Guess(Layout(columns, at, form, None, delimiter, decimal, first), headings, tuple(unsure))


def _delimiter(lines: Sequence[str]) -> str:
    """What cuts most lines into the same number of cells, and into the most."""

    def score(delimiter: str) -> tuple[int, int]:
        widths = Counter(len(row) for row in csv.reader(lines, delimiter=delimiter) if len(row) > 1)
        width, often = max(widths.items(), key=lambda one: (one[1], one[0]), default=(0, 0))
        return often, width

    # A decimal comma cuts lines evenly as well; so the comma is taken only where nothing else does as often.
    return max((";", "\t", "|", ","), key=lambda one: (score(one)[0], one != ",", score(one)[1]))


def _is_data(row: Sequence[str]) -> bool:
    cells = [cell.strip() for cell in row]
    return any(_is_time(cell) for cell in cells) and sum(bool(_FIGURE.fullmatch(cell)) for cell in cells) > 0


def _is_time(cell: str) -> bool:
    return bool(_ISO.fullmatch(cell) or _DATE.fullmatch(cell) or (cell.isdigit() and len(cell) in {10, 13}))


def _cells(data: Sequence[Sequence[str]], column: int) -> list[str]:
    return [row[column].strip() for row in data if column < len(row)]


def _times(data: Sequence[Sequence[str]], unsure: list[str]) -> tuple[tuple[int, ...], str]:
    """The columns of time, counted from 0, and how they are written."""
    column = next((n for n in range(len(data[0])) if all(map(_is_time, _cells(data, n)))), None)
    if column is None:
        return (), ""
    cells = _cells(data, column)
    if all(map(_ISO.fullmatch, cells)):
        return (column,), ISO
    if all(cell.isdigit() for cell in cells):
        return (column,), EPOCH_S if len(cells[0]) == 10 else EPOCH_MS
    clocks = _cells(data, column + 1)
    beside = len(clocks) == len(data) and all(map(_CLOCK.fullmatch, clocks))
    found = [match for cell in cells if (match := _DATE.fullmatch(cell))]
    of_day = clocks if beside else [match["rest"].strip() for match in found]
    if not all(map(_CLOCK.fullmatch, of_day)):
        return (), ""
    return (column, column + 1) if beside else (column,), f"{_date(found, unsure)} {_clock(of_day[0])}"


def _date(found: Sequence[re.Match[str]], unsure: list[str]) -> str:
    sep = found[0]["sep"]
    if len(found[0]["a"]) == 4:
        return f"YYYY{sep}MM{sep}DD"
    year = "YYYY" if len(found[0]["c"]) == 4 else "YY"
    if any(int(match["b"]) > 12 for match in found):
        return f"MM{sep}DD{sep}{year}"
    if not any(int(match["a"]) > 12 for match in found):
        unsure.append("day and month may be the other way round")
    return f"DD{sep}MM{sep}{year}"


def _clock(cell: str) -> str:
    match = _CLOCK.fullmatch(cell)
    seconds = ":ss" if match and match["s"] else ""
    half = match["half"] if match else None
    between = " " if half and half.startswith(" ") else ""
    return f"hh:mm{seconds}{between}AM" if half else f"HH:mm{seconds}"


def _decimal(data: Sequence[Sequence[str]], times: Sequence[int], delimiter: str) -> str:
    others = [cell.strip() for row in data for n, cell in enumerate(row) if n not in times]
    figures = [cell for cell in others if _FIGURE.fullmatch(cell)]
    return "," if delimiter != "," and any("," in cell for cell in figures) else "."


def _columns(
    data: Sequence[Sequence[str]],
    headings: Sequence[str],
    times: Sequence[int],
    measured: Sequence[str],
    unsure: list[str],
) -> tuple[Column, ...]:
    plain = [n for n in range(len(data[0])) if n not in times and _is_figures(_cells(data, n))]
    found: dict[int, Column] = {}
    for n in plain:
        words = headings[n].lower() if n < len(headings) else ""
        taken = {column.quantity for column in found.values()}
        quantity = next((q for q, pattern in _WORDS.items() if q not in taken and re.search(pattern, words)), None)
        if quantity is not None and quantity in measured:
            found[n] = Column(n + 1, quantity, _unit(quantity, words, n + 1, unsure))
    left = [q for q in measured if q not in {column.quantity for column in found.values()}]
    free = [n for n in plain if n not in found]
    if len(left) == 1 and len(free) == 1:
        unsure.append(f"column {free[0] + 1} is taken for {left[0]} in {QUANTITIES[left[0]]}: its heading does not say")
        found[free[0]] = Column(free[0] + 1, left[0], QUANTITIES[left[0]])
    return tuple(found[n] for n in sorted(found))


def _is_figures(cells: Sequence[str]) -> bool:
    figures = sum(bool(_FIGURE.fullmatch(cell)) for cell in cells)
    return figures > 0 and 2 * figures > len(cells)


def _unit(quantity: str, words: str, column: int, unsure: list[str]) -> str:
    known = units(quantity)
    said = next((unit for pattern, unit in _UNITS if unit in known and re.search(pattern, words)), None)
    if said is None:
        unsure.append(f"the unit of column {column} is taken for {known[0]}: its heading does not say")
    return said or known[0]
