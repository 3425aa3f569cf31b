"""Holding the rows of an import against each other and against the record, before anything is told."""

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import imports_facts, imports_rows
from shipsvc.app.imports_cells import Ground
from shipsvc.app.imports_columns import Fault, Heading
from shipsvc.app.imports_facts import COLUMN_OF, Meant, Read
from shipsvc.app.imports_file import Line
from shipsvc.app.imports_rows import Entry
from shipsvc.domain import codes, errors, times
from shipsvc.store import documents, imports, items
from shipsvc.store.engine import Row
from shipsvc.store.loans import LOAN
from shipsvc.store.scratch import Known, KnownLoan, Scratch

#: As many as a loan told over HTTP has.
LOAN_LINES_MAX: Final = 500
#: Stand in for numbers that are still to be given out, where only the shape of a fact is looked at.
_ANY: Final = "A1"
_ANY_OTHER: Final = "B1"


@dataclass
class Parsed:
    """A row of the file, what it says (None where it cannot be read), and what is wrong with it."""

    line: Line
    entry: Entry | None
    faults: list[Fault]


@dataclass(frozen=True)
class Found:
    """What the record holds of things that some rows speak of."""

    told: Mapping[str, Row]
    items: Mapping[str, Row]
    aliases: Mapping[str, str]

    def registered(self, entry: Entry) -> str | None:
        """The number that this very row was brought in under before."""
        row = self.told.get(imports_facts.registered_id(entry))
        return str(json.loads(row["subjects"])[0][0]) if row and row["acting_for"] == entry.institution else None


def look_up(connection: sa.Connection, ground: Ground, entries: Sequence[Entry]) -> Found:
    """What is known of all that the rows name: in three statements, however many rows."""
    ids = [imports_facts.registered_id(entry) for entry in entries]
    spoken = {name for e in entries for name in (*e.names, e.parent, e.into) if name}
    aliases = imports.aliases(connection, ground.institution, {name[1:] for name in spoken if name.startswith("=")})
    numbers = {name for name in spoken if not name.startswith("=")} | set(aliases.values())
    return Found(imports.told(connection, ids), items.by_numbers(connection, numbers), aliases)


def resolve(name: str, found: Found, scratch: Scratch) -> Known | None:
    """The thing that a row calls by a name: one above it in the file, else one in the record."""
    above = scratch.named(name)
    if above is not None:
        return above
    number = found.aliases.get(name[1:]) if name.startswith("=") else name
    row = found.items.get(number or "")
    return Known(0, row["number"], row["kind"], None, False) if row else None


@dataclass
class Checking:
    """One pass over a file; ``chunk`` is to be called with its rows, in order."""

    ground: Ground
    heading: Heading
    scratch: Scratch
    read: Read
    loans_there: dict[str, str | None] = field(default_factory=dict)

    def chunk(self, connection: sa.Connection, rows: Sequence[Parsed]) -> None:
        """Add to each row what is wrong with it, and remember the others."""
        found = look_up(connection, self.ground, [row.entry for row in rows if row.entry])
        for row in rows:
            if row.entry and not row.faults:
                row.faults += self._against(connection, row.line.number, row.entry, found)
            self._remember(row, found)

    def _remember(self, row: Parsed, found: Found) -> None:
        line, entry = row.line.number, row.entry
        if row.faults or entry is None:
            self.scratch.add_bad(line)
            names = entry.names if entry else imports_rows.known_as(row.line, self.ground)
            self.scratch.add_names(names, Known(line, None, "", None, True))
            return
        number = entry.number or found.registered(entry)
        self.scratch.add_names(entry.names, Known(line, number, entry.kind, entry.holder, False))
        if entry.loan:
            self.scratch.put_loan(self._loan(line, entry))

    def _fault(self, line: int, column: str, why: str) -> Fault:
        return Fault(line, self.heading.called.get(column, column), why)

    def _against(self, connection: sa.Connection, line: int, entry: Entry, found: Found) -> list[Fault]:
        there = found.registered(entry)
        faults = [*self._twice(line, entry)]
        if there is None:
            faults += self._there_already(line, entry, found)
        parent, said = self._named(line, "parent", entry.parent, entry, found, {"sample"})
        faults += said
        into, said = self._named(line, "into", entry.into, entry, found, {"container", "parcel"})
        faults += said
        lost = imports_facts.lost_mass(entry)
        if lost is not None and lost.ng < 0:
            faults.append(self._fault(line, "mass", f"{entry.mass} is more than the {entry.taken} that were taken."))
        if entry.loan:
            faults += self._lent(connection, line, entry, is_new=there is None)
        if not faults:
            meant = Meant(
                entry.number or _ANY,
                parent=(parent.number or _ANY_OTHER) if parent else None,
                into=(into.number or _ANY_OTHER) if into else None,
            )
            faults += self._shape(line, imports_facts.facts_of(entry, meant))
        return faults

    def _twice(self, line: int, entry: Entry) -> Iterable[Fault]:
        for name in entry.names:
            above = self.scratch.named(name)
            if above is not None:
                column = "number" if name == entry.number else "aliases"
                yield self._fault(line, column, f"line {above.line} has {_shown(name)} too. One name is one thing.")
        if not entry.names:
            before = self.scratch.same_content(entry.key, line)
            if before is not None:
                why = f"it says the same as line {before}. If they are two things, give each a number or an old name."
                yield self._fault(line, "", why)

    def _there_already(self, line: int, entry: Entry, found: Found) -> Iterable[Fault]:
        row = found.items.get(entry.number or "")
        if row is not None and not row["provisional"]:
            why = f"{codes.display(row['number'])} is there already. Leave the row out, or amend what was told."
            yield self._fault(line, "number", why)
        for alias in entry.aliases:
            if alias in found.aliases and found.aliases[alias] != entry.number:
                why = f"{alias} is an old name of {codes.display(found.aliases[alias])} already. Leave the row out."
                yield self._fault(line, "aliases", why)

    def _named(
        self, line: int, column: str, name: str | None, entry: Entry, found: Found, kinds: Collection[str]
    ) -> tuple[Known | None, list[Fault]]:
        if name is None:
            return None, []
        if name in entry.names:
            return None, [self._fault(line, column, "that is the thing itself. Name another.")]
        other = resolve(name, found, self.scratch)
        if other is None:
            why = (
                f"there is no {_shown(name)}, neither above in the file nor in the record. Put its row above this one."
            )
            return None, [self._fault(line, column, why)]
        if other.bad:
            return None, [self._fault(line, column, f"line {other.line}, which it names, is itself to be corrected.")]
        if other.kind not in kinds:
            why = f"{_shown(name)} is a {other.kind}. Name a {' or '.join(sorted(kinds))}."
            return None, [self._fault(line, column, why)]
        return other, []

    def _shape(self, line: int, facts: Iterable[Mapping[str, Any]]) -> Iterable[Fault]:
        for fact in facts:
            try:
                self.read(fact)
            except errors.Malformed as error:
                parts = (error.pointer or "").split("/")
                column = next((COLUMN_OF[part] for part in reversed(parts) if part in COLUMN_OF), "")
                yield self._fault(line, column, str(error.facts.get("why") or error))

    # ------------------------------------------------------------------------------------------------------------ loans
    def _lent(self, connection: sa.Connection, line: int, entry: Entry, *, is_new: bool) -> Iterable[Fault]:
        code = entry.loan or ""
        signing = self._signing_id(connection, code)
        if signing is not None and (is_new or signing != loan_id(self.ground.institution, code)):
            yield self._fault(line, "loan", f"loan {code} is there already. Choose another code, or empty these cells.")
        before = self.scratch.loan(code)
        for name in ("borrower", "responsible"):
            if not entry.terms.get(name) and not (before and before.terms.get(name)):
                yield self._fault(line, name, f"say the {name} of loan {code} in its first row.")
        for name, said in entry.terms.items():
            if before and said != before.terms.get(name):
                column = "due" if name == "due_on" else name
                yield self._fault(line, column, f"line {before.line} says otherwise of loan {code}. Say it alike.")
        if before and before.lines >= LOAN_LINES_MAX:
            yield self._fault(line, "loan", f"a loan has at most {LOAN_LINES_MAX} samples. Divide it into several.")
        terms = {**(before.terms if before else {}), **entry.terms}
        if entry.holder and entry.holder.partition("/")[0] not in (self.ground.institution, terms.get("borrower")):
            yield self._fault(
                line, "holder", "a lent thing is with the lender or the borrower. Tell other hands later."
            )
        if terms.get("due_on") and self._over_before_lent(terms, entry):
            yield self._fault(line, "due", "it was due before it was lent. Correct one of the two dates.")

    def _over_before_lent(self, terms: Mapping[str, str], entry: Entry) -> bool:
        at = times.parse_span(entry.lent or entry.happened, self.ground.zone).earliest
        zone = self.ground.zones[terms["borrower"]] if terms.get("borrower") else self.ground.zone
        return times.due_end(date.fromisoformat(terms["due_on"]), zone) <= at

    def _signing_id(self, connection: sa.Connection, code: str) -> str | None:
        """By which decision a loan of that code was signed; None where there is none."""
        if code not in self.loans_there:
            row = documents.newest(connection, LOAN, code)
            self.loans_there[code] = row["signing_id"] if row else None
        return self.loans_there[code]

    def _loan(self, line: int, entry: Entry) -> KnownLoan:
        at = times.format_instant(times.parse_span(entry.lent or entry.happened, self.ground.zone).earliest)
        before = self.scratch.loan(entry.loan or "")
        if before is None:
            return KnownLoan(entry.loan or "", line, entry.terms, at, 1)
        return replace(before, earliest=min(at, before.earliest), lines=before.lines + 1)


def loan_id(institution: str, code: str) -> str:
    """The id of the decision by which an import signs a loan."""
    return imports_rows.fact_id(f"{institution} {code}", "loan_signed")


def _shown(name: str) -> str:
    return name[1:] if name.startswith("=") else codes.display(name)
