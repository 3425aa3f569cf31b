"""The columns that an import knows: how their headings may be written, and the unit that a heading may give."""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from shipsvc.domain.mass import POWER_OF_UNIT


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong with a cell, and what to do about it; ``column`` as the file calls it, "" for the whole line."""

    line: int
    column: str
    why: str

    def __str__(self) -> str:
        return f"line {self.line}{', ' if self.column else ''}{self.column}: {self.why}"


#: What each column is called, in the first place and otherwise. All are documented in README.md.
COLUMNS: Mapping[str, tuple[str, ...]] = {
    "number": ("item number", "sample number", "item", "no", "nr"),
    "aliases": ("alias", "old number", "old name", "other name", "other names"),
    "kind": ("type",),
    "form": (),
    "what": ("description", "title"),
    "material": (),
    "prefix": (),
    "parent": ("parent number", "split from", "taken from"),
    "mass taken": (),
    "into": ("container", "vial", "packed in", "packed into", "in"),
    "place": ("storage place", "stored in", "location"),
    "holder": ("held by",),
    "mass": (),
    "how": ("method", "how known"),
    "plus minus": ("+-", "±", "plusminus"),
    "balance": (),
    "date": ("happened", "happened at", "happened on", "when"),
    "loan": ("loan code",),
    "borrower": (),
    "responsible": ("responsible person",),
    "due": ("due date", "due on"),
    "lent": ("lent on", "loan date"),
    "purpose": (),
    "source": ("paper",),
    "confidence": (),
    "note": ("notes", "remark", "remarks", "comment"),
}
#: Written by --skip-bad beside the rows it left out; read past when those are mended and brought in again.
REPORTED = frozenset({"line", "reason"})
WITH_UNIT = frozenset({"mass", "mass taken", "plus minus"})
_CALLED = {other: name for name, others in COLUMNS.items() for other in (name, *others)}
_UNIT = re.compile(r"[\s_]*[(\[]\s*([a-zµμ]{1,2})\s*[)\]]$|[\s_]+([a-zµμ]{1,2})$")
_BETWEEN = re.compile(r"[\s_./-]+")


@dataclass(frozen=True)
class Heading:
    """Which column each cell of a row belongs to (None: left out), as the file calls it, and its unit."""

    line: int
    columns: Sequence[str | None]
    called: Mapping[str, str]
    units: Mapping[str, str]


def recognised(cells: Sequence[str]) -> int:
    """How many of the cells are headings that we know."""
    return sum(_column(cell)[0] is not None for cell in cells)


def read(cells: Sequence[str], line: int, ignored: Collection[str]) -> tuple[Heading, list[Fault]]:
    """The heading of a file, and what is wrong with it; ``ignored`` are headings that are to be left out."""
    left_out = {_plain(name) for name in ignored} | REPORTED | {""}
    columns: list[str | None] = []
    called: dict[str, str] = {}
    units: dict[str, str] = {}
    faults = []
    for cell in cells:
        plain = _plain(cell)
        name, unit = (None, None) if plain in left_out else _column(cell)
        columns.append(name)
        if name is None and plain not in left_out:
            faults.append(Fault(line, cell.strip(), _unknown(plain)))
        elif name in called:
            faults.append(Fault(line, cell.strip(), f'"{called[name]}" is the same column. Leave one of them out.'))
        elif name:
            called[name] = cell.strip()
            units |= {name: unit} if unit else {}
    return Heading(line, columns, called, units), faults


def _plain(cell: str) -> str:
    return _BETWEEN.sub(" ", cell.strip().casefold()).strip() if cell.strip() != "+-" else "+-"


def _column(cell: str) -> tuple[str | None, str | None]:
    """The column that a heading means, and the unit in it: ``Mass (mg)`` and ``mass_mg`` are mass in mg."""
    if found := _CALLED.get(_plain(cell)):
        return found, None
    match = _UNIT.search(cell.strip())
    unit = (match[1] or match[2]) if match else None
    if match is None or unit not in POWER_OF_UNIT:
        return None, None
    found = _CALLED.get(_plain(cell.strip()[: match.start()]))
    return (found, unit) if found in WITH_UNIT else (None, None)


def _unknown(plain: str) -> str:
    near = get_close_matches(plain, _CALLED, 1)
    meant = f' Is it "{_CALLED[near[0]]}"?' if near else ""
    return f"no column is called that.{meant} Rename it, or leave it out with --ignore."
