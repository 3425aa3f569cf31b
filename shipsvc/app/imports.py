"""Bringing in what already exists: rows of a file, checked and then told through the one door, batch by batch.

The file is read twice, as a stream. The first time every row is held against the rows above it and the record
(``imports_check``); only then is anything told. Ids follow from the institution and what a row says, so that the same
row told again is the same facts again, and changes nothing.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from itertools import islice
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import imports_cells, imports_check, imports_facts, imports_rows, loans, numbers, record
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.app.imports_cells import Ground
from shipsvc.app.imports_check import Found, Parsed, loan_id
from shipsvc.app.imports_columns import Fault
from shipsvc.app.imports_facts import Meant, Read
from shipsvc.app.imports_file import Table
from shipsvc.app.imports_rows import Entry
from shipsvc.app.loans import Agreement
from shipsvc.app.told import Answer, Envelope, Told
from shipsvc.domain import errors
from shipsvc.store import documents, imports, institutions
from shipsvc.store.loans import LOAN
from shipsvc.store.scratch import KnownLoan, Scratch

#: Rows that are told in one transaction: at most five facts each, so that it ends before it is rolled back.
ROWS: Final = 100
Clock = Callable[[], datetime]


@dataclass
class Counts:
    """What became of rows, facts, other names and loans: stored now, or there before (replayed)."""

    rows: int = 0
    rows_replayed: int = 0
    facts: int = 0
    facts_replayed: int = 0
    aliases: int = 0
    loans: int = 0

    def add(self, other: "Counts") -> None:
        """Count these as well."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))


def ground(
    connection: sa.Connection, actor: Actor, institution: str, now: datetime, decimal: str | None, day: str | None
) -> Ground:
    """What the rows of an institution are read against. NotYourInstitution, NotFound, Malformed for ``day``."""
    actor.may_speak_for(institution)
    zones = institutions.all_zones(connection)
    if institution not in zones:
        raise errors.NotFound(what="institution", name=institution)
    found = Ground(
        institution,
        imports.prefixes(connection, institution),
        imports.codes(connection, imports.PLACE, institution),
        imports.codes(connection, imports.BALANCE, institution),
        zones,
        now,
        decimal,
    )
    return found if day is None else imports_cells.with_day(found, day)


def parsed(table: Table, ground: Ground) -> Iterator[Parsed]:
    """The rows of a file as they are read, one after the other."""
    ground.marks.clear()
    for line in table.lines():
        entry, faults = imports_rows.read(line, ground, table.heading.called, table.heading.units)
        yield Parsed(line, entry, faults)


def in_chunks(rows: Iterator[Parsed]) -> Iterator[list[Parsed]]:
    """The same, a transaction's worth at a time."""
    while chunk := list(islice(rows, ROWS)):
        yield chunk


def tell(
    connection: sa.Connection,
    actor: Actor,
    now: Clock,
    ground: Ground,
    scratch: Scratch,
    read: Read,
    rows: Sequence[Parsed],
) -> Counts:
    """Tell what some rows say, all that are good. RuleForbids, naming the line, where the door does not take a fact."""
    entries = {row.line.number: row.entry for row in rows if row.entry and not scratch.is_bad(row.line.number)}
    found = imports_check.look_up(connection, ground, list(entries.values()))
    numbered = _numbers(connection, actor, found, entries)
    facts: list[tuple[int, Told]] = []
    for line, entry in entries.items():
        scratch.number_names(entry.names, numbered[line])
        if entry.loan:
            _remember_line(scratch, line, entry, numbered[line])
        meant = _meant(entry, numbered[line], found, scratch)
        facts += [(line, read(raw)) for raw in imports_facts.facts_of(entry, meant)]
    counts = _tell(connection, actor, now, facts)
    counts.rows = len(entries)
    counts.rows_replayed = sum(found.registered(e) is not None for e in entries.values())
    counts.aliases = _add_aliases(connection, actor, now, ground, found, entries, numbered)
    return counts


def lend(
    connection: sa.Connection, actor: Actor, now: Clock, ground: Ground, scratch: Scratch, read: Read, loan: KnownLoan
) -> Counts:
    """Sign a loan of the file unless that was done before, and tell that its samples left for the borrower."""
    counts = Counts()
    lines = scratch.loan_lines(loan.code)
    if documents.newest(connection, LOAN, loan.code) is None:
        terms = loan.terms
        agreement = Agreement(
            code=loan.code,
            lender=ground.institution,
            borrower=terms["borrower"],
            responsible=terms["responsible"],
            purpose=terms.get("purpose", ""),
            lines=[number for number, _ in lines],
            zone=None,
            returned_when="received_by_lender",
            term_months=None,
            due_on=date.fromisoformat(terms["due_on"]) if terms.get("due_on") else None,
        )
        at = datetime.fromisoformat(loan.earliest)
        decision = Decision(loan_id(ground.institution, loan.code), "Brought in from earlier records", at, "import")
        loans.sign(connection, actor, now, agreement, decision)
        counts.loans = 1
    raws = [
        imports_facts.released(said["key"], ground.institution, number, loan.terms["borrower"], said["at"])
        for number, said in lines
        if said["left"]
    ]
    facts = [(loan.line, read(raw)) for raw in raws]
    counts.add(_tell(connection, actor, now, facts))
    return counts


def _numbers(connection: sa.Connection, actor: Actor, found: Found, entries: Mapping[int, Entry]) -> dict[int, str]:
    """The number of each row: its own, the one it was given before, or a new one."""
    numbered: dict[int, str] = {}
    wanting: dict[str, list[int]] = {}
    for line, entry in entries.items():
        number = entry.number or found.registered(entry)
        if number:
            numbered[line] = number
        else:
            wanting.setdefault(entry.prefix, []).append(line)
    for prefix, lines in sorted(wanting.items()):
        numbered |= dict(zip(lines, numbers.take(connection, actor, prefix, len(lines)), strict=True))
    return numbered


def _meant(entry: Entry, number: str, found: Found, scratch: Scratch) -> Meant:
    parent = imports_check.resolve(entry.parent, found, scratch) if entry.parent else None
    into = imports_check.resolve(entry.into, found, scratch) if entry.into else None
    return Meant(
        number,
        parent=parent.number if parent else None,
        parent_holder=parent.holder if parent else None,
        into=into.number if into else None,
    )


def _remember_line(scratch: Scratch, line: int, entry: Entry, number: str) -> None:
    left = entry.holder is None or entry.holder.partition("/")[0] != entry.institution
    said = {"key": entry.key, "at": entry.lent or entry.happened, "left": left}
    scratch.add_loan_line(entry.loan or "", line, number, said)


def _tell(connection: sa.Connection, actor: Actor, now: Clock, facts: Sequence[tuple[int, Told]]) -> Counts:
    """Through the one door. What another person of the institution brought in is not said once more."""
    counts = Counts()
    told = imports.told(connection, [fact.id for _, fact in facts])
    fresh = [(line, fact) for line, fact in facts if not _by_another(told.get(fact.id), fact, actor)]
    counts.facts_replayed = len(facts) - len(fresh)
    results = record.tell(connection, actor, now, Envelope(), [fact for _, fact in fresh])
    for (line, _), result in zip(fresh, results, strict=True):
        if not isinstance(result, Answer):
            said = Fault(line, "", str(result))
            raise errors.RuleForbids(why=f"{said} What stands above it is stored; mend it and run the command again.")
        counts.facts_replayed += result.replayed
        counts.facts += not result.replayed
    return counts


def _by_another(row: Mapping[str, Any] | None, fact: Told, actor: Actor) -> bool:
    return row is not None and row["acting_for"] == fact.acting_for and row["actor"] != actor.person


def _add_aliases(
    connection: sa.Connection,
    actor: Actor,
    now: Clock,
    ground: Ground,
    found: Found,
    entries: Mapping[int, Entry],
    numbered: Mapping[int, str],
) -> int:
    at = now()
    added = [
        {
            "institution": ground.institution,
            "alias": alias,
            "item": numbered[line],
            "recorded_at": at,
            "actor": actor.person,
        }
        for line, entry in entries.items()
        for alias in entry.aliases
        if alias not in found.aliases
    ]
    imports.add_aliases(connection, added)
    return len(added)
