"""Reading one row of an import: what its cells say, in our words, and what is wrong with them."""

import re
import uuid
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, fields
from datetime import date
from functools import cached_property
from typing import Any, Final

from shipsvc.app import imports_cells
from shipsvc.app.imports_cells import Ground, Wrong
from shipsvc.app.imports_columns import Fault
from shipsvc.app.imports_file import Line
from shipsvc.domain import codes, errors, times
from shipsvc.domain.mass import POWER_OF_UNIT, Mass
from shipsvc.domain.seal import canonical

#: Names the ids of all that is brought in (RFC 9562, version 5): the same content has the same ids for ever.
_NAMESPACE: Final = uuid.UUID("5b0c6f6e-7a3b-5d3e-9c64-2f1f7f6f2f10")
FORMS: Final = frozenset("material vial bag jar box overpack other".split())
KINDS: Final = frozenset({"sample", "container", "parcel"})
MATERIALS: Final = frozenset({"chip", "powder", "sealed"})
_LENGTHS: Final = {"what": 400, "note": 4000, "purpose": 500, "responsible": 500, "source": 200, "confidence": 150}
_NUMBER = r"[+\-−]?[0-9]+(?:[.,][0-9]+)*"
_MASS = re.compile(
    rf"(?P<about>about|ca\.|~|≈)?\s*(?P<mass>{_NUMBER})\s*(?P<unit>[a-zµμ]{{1,2}})?"
    rf"(?:\s*(?:±|\+-|\+/-)\s*(?P<width>{_NUMBER})\s*(?P<width_unit>[a-zµμ]{{1,2}})?)?"
)


@dataclass(frozen=True)
class Entry:
    """One row in our words. Other things (``parent``, ``into``) stand as numbers, or as old names behind a "="."""

    institution: str
    number: str | None
    aliases: tuple[str, ...]
    kind: str
    form: str
    prefix: str
    happened: str
    what: str | None = None
    material: str | None = None
    parent: str | None = None
    taken: str | None = None
    into: str | None = None
    place: str | None = None
    holder: str | None = None
    mass: str | None = None
    how: str | None = None
    plus_minus: str | None = None
    balance: str | None = None
    loan: str | None = None
    lent: str | None = None
    terms: Mapping[str, str] = field(default_factory=dict)
    note: str | None = None
    why: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """What other rows may call it."""
        return ((self.number,) if self.number else ()) + tuple(f"={alias}" for alias in self.aliases)

    @cached_property
    def key(self) -> str:
        """What tells this row from every other: whose it is and all that it says."""
        said = {one.name: getattr(self, one.name) for one in fields(self)}
        filled = {name: list(v) if isinstance(v, tuple) else v for name, v in said.items() if v}
        return canonical(filled).decode()


def fact_id(key: str, part: str) -> str:
    """The id of one of the facts that a row makes."""
    return str(uuid.uuid5(_NAMESPACE, f"{part}\n{key}"))


@dataclass
class _Cells:
    """The filled cells of a row; reading one that is wrong leaves a fault and nothing else."""

    line: Line
    ground: Ground
    called: Mapping[str, str]
    units: Mapping[str, str]
    faults: list[Fault] = field(default_factory=list)

    def wrong(self, column: str, why: str) -> None:
        self.faults.append(Fault(self.line.number, self.called.get(column, column), why))

    def read(self, column: str, reading: Callable[[str], Any]) -> Any:
        text = self.line.filled.get(column)
        if text is None:
            return None
        try:
            return reading(text)
        except (Wrong, errors.ShipsvcError) as error:
            self.wrong(column, str(error))
            return None

    def text(self, column: str) -> str | None:
        found: str | None = self.read(column, lambda text: imports_cells.words(text, _LENGTHS[column]))
        return found


def read(
    line: Line, ground: Ground, called: Mapping[str, str], units: Mapping[str, str]
) -> tuple[Entry | None, list[Fault]]:
    """What a row says, or None and all that is wrong with it."""
    cells = _Cells(line, ground, called, units, list(line.faults))
    number, old = cells.read("number", lambda text: imports_cells.own_number(text, ground)) or (None, None)
    aliases = tuple(dict.fromkeys([*([old] if old else []), *(cells.read("aliases", imports_cells.aliases) or ())]))
    kind, form, prefix = _what_it_is(cells, number)
    said: dict[str, Any] = {name: cells.text(name) for name in ("what", "note")}
    entry = Entry(
        institution=ground.institution,
        number=number,
        aliases=aliases,
        kind=kind,
        form=form,
        prefix=prefix,
        happened=_happened(cells),
        material=cells.read("material", lambda text: imports_cells.one_of(text, MATERIALS)),
        parent=cells.read("parent", lambda text: imports_cells.reference(text, ground)),
        into=cells.read("into", lambda text: imports_cells.reference(text, ground)),
        place=cells.read("place", lambda text: imports_cells.known(text, ground.places, "place", "POST /v1/places")),
        holder=cells.read("holder", lambda text: imports_cells.party(text, ground)),
        **_masses(cells),
        **_loan(cells),
        **said,
        why=_provenance(cells),
    )
    _fits(cells, entry)
    return (None if cells.faults else entry), cells.faults


# --------------------------------------------------------------------------------------------------------------- names
def known_as(line: Line, ground: Ground) -> list[str]:
    """What other rows may call a row that is itself no good, as far as can be told."""
    found = [line.filled.get("number", ""), *re.split(r"[;|]", line.filled.get("aliases", ""))]
    names = []
    for text in filter(None, map(str.strip, found)):
        with suppress(Wrong, errors.Malformed):
            names.append(imports_cells.reference(text, ground))
    return names


def _provenance(cells: _Cells) -> str | None:
    """On what paper it stands, and how sure that is (an old ledger may be hard to read)."""
    paper, sure = cells.text("source"), cells.text("confidence")
    said = [f"on paper: {paper}" if paper else "", f"confidence: {sure}" if sure else ""]
    return "; ".join(filter(None, said)) or None


def _what_it_is(cells: _Cells, number: str | None) -> tuple[str, str, str]:
    """Kind, form and prefix: each follows from the others as far as it is left out."""
    ground = cells.ground
    prefix = (
        codes.prefix_of(number)
        if number
        else cells.read("prefix", lambda text: imports_cells.prefix(text, ground)) or ""
    )
    kind = cells.read("kind", lambda text: imports_cells.one_of(text, KINDS | FORMS))
    form = cells.read("form", lambda text: imports_cells.one_of(text, FORMS))
    if kind in FORMS:
        kind, form = {"material": "sample", "overpack": "parcel"}.get(kind, "container"), form or kind
    if not kind and form:
        kind = {"material": "sample", "overpack": "parcel"}.get(form, "container")
    if not kind and prefix:
        kind = "sample" if ground.prefixes.get(prefix) else "container"
    if not kind and "kind" not in cells.line.filled:
        cells.wrong("kind", "say what it is: sample, container or parcel.")
    kind = kind or "sample"
    if not prefix and "prefix" not in cells.line.filled:
        prefix = _only_prefix(cells, kind)
    if prefix in ground.prefixes and (ground.prefixes[prefix] is None) == (kind == "sample"):
        meant = "packaging" if kind == "sample" else "samples"
        cells.wrong("kind", f"numbers under {prefix} are for {meant}. Change the number, the prefix or the kind.")
    return kind, form or {"sample": "material", "parcel": "overpack"}.get(kind, "other"), prefix


def _only_prefix(cells: _Cells, kind: str) -> str:
    fitting = [p for p, collection in cells.ground.prefixes.items() if (collection is not None) == (kind == "sample")]
    if len(fitting) == 1:
        return fitting[0]
    which = f"one of {', '.join(sorted(fitting))}" if fitting else "after claiming one"
    cells.wrong("prefix", f"it needs a number. Say under which prefix: {which}.")
    return ""


# --------------------------------------------------------------------------------------------------------------- times
def _happened(cells: _Cells) -> str:
    if "date" not in cells.line.filled:
        if cells.ground.date is None:
            cells.wrong("date", "say when: a day, a month or a year; or give --date for all rows without one.")
        return cells.ground.date or ""
    return str(cells.read("date", lambda text: imports_cells.moment(text, cells.ground)))


# ---------------------------------------------------------------------------------------------------------------- mass
def _masses(cells: _Cells) -> dict[str, Any]:
    mass, width, about = cells.read("mass", lambda text: _mass(text, "mass", cells)) or (None, None, False)
    taken, _, _ = cells.read("mass taken", lambda text: _mass(text, "mass taken", cells)) or (None, None, False)
    beside, _, _ = cells.read("plus minus", lambda text: _mass(text, "plus minus", cells)) or (None, None, False)
    how = cells.read("how", imports_cells.how)
    balance = cells.read(
        "balance", lambda text: imports_cells.known(text, cells.ground.balances, "balance", "POST /v1/balances")
    )
    width = width or beside
    if (mass or taken) and not how:
        how = "weighed" if balance else "estimated" if width or about else "declared"
    found = {"mass": mass, "taken": taken, "how": how, "plus_minus": width, "balance": balance}
    return found if mass or taken else {}


def _mass(text: str, column: str, cells: _Cells) -> tuple[str, str | None, bool]:
    """A mass with its unit, half its width if the cell says that, and whether it says "about"."""
    found = _MASS.fullmatch(text.replace("\u00a0", " "))
    if found is None:
        raise Wrong(f'"{text}" is no mass. Write a plain number and its unit, such as 512.0 mg.')
    unit = found["unit"] or cells.units.get(column)
    if unit not in POWER_OF_UNIT:
        raise Wrong(f'"{text}" has no unit that is known. Write kg, g, mg, ug or ng here or in the heading.')
    mass = f"{imports_cells.figure(found['mass'], cells.ground.decimal)} {unit}"
    if Mass.parse(mass).ng < 0:
        raise Wrong(f"{text} is less than nothing.")
    _same_mark(text, cells)
    width = (
        found["width"] and f"{imports_cells.figure(found['width'], cells.ground.decimal)} {found['width_unit'] or unit}"
    )
    if width:
        Mass.parse(width)
    return mass, width, bool(found["about"])


def _same_mark(text: str, cells: _Cells) -> None:
    """A file that writes 512,3 in one line may mean 1204 by 1.204 in another."""
    marks = cells.ground.marks
    for mark in set(re.findall(r"[.,]", text)):
        other = "," if mark == "." else "."
        if other in marks:
            raise Wrong(f'{text} has "{mark}" where line {marks[other]} has "{other}". Write all masses alike.')
        marks.setdefault(mark, cells.line.number)


# ---------------------------------------------------------------------------------------------------------------- loans
def _loan(cells: _Cells) -> dict[str, Any]:
    code = cells.read("loan", imports_cells.code)
    borrower = cells.read("borrower", lambda text: imports_cells.party(text, cells.ground).partition("/")[0])
    found = {"borrower": borrower, "due_on": cells.read("due", imports_cells.due)}
    found |= {name: cells.text(name) for name in ("responsible", "purpose")}
    terms = {name: text for name, text in found.items() if text}
    lent = cells.read("lent", lambda text: imports_cells.moment(text, cells.ground))
    if "loan" not in cells.line.filled:
        if terms or lent:
            cells.wrong("loan", "the row says something about a loan. Give the loan a code, such as L-08.")
        return {}
    return {"loan": code, "terms": terms, "lent": lent}


def _fits(cells: _Cells, entry: Entry) -> None:
    """Cells that cannot stand together."""
    if entry.kind != "sample":
        for column in ("parent", "mass", "mass taken", "material", "loan"):
            if column in cells.line.filled:
                cells.wrong(column, f"only samples have that, and this is a {entry.kind}. Empty the cell.")
    if "mass taken" in cells.line.filled and "parent" not in cells.line.filled:
        cells.wrong("parent", "say what the mass was taken from.")
    if entry.terms.get("borrower") == cells.ground.institution:
        cells.wrong("borrower", "nobody lends to themselves.")
    due = entry.terms.get("due_on")
    if due and not cells.faults:
        _not_over(cells, date.fromisoformat(due), entry)


def _not_over(cells: _Cells, due: date, entry: Entry) -> None:
    lent = times.parse_span(entry.lent or entry.happened, cells.ground.zone).earliest
    zone = cells.ground.zones[entry.terms.get("borrower", cells.ground.institution)]
    if times.due_end(due, zone) <= lent:
        cells.wrong("due", "it was due before it was lent. Correct one of the two dates.")
