"""Cases: what they are about, what was said in them, which of them hold an item, and which a cause has opened."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store import access, locks
from shipsvc.store.access import ITEM, Outsider
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_cases import CaseCause, CaseEntry, CaseFile, CaseItem, CaseRecord

CASE = table(CaseRecord)
CAUSE = table(CaseCause)
ABOUT = table(CaseItem)
ENTRY = table(CaseEntry)
FILE = table(CaseFile)
#: Cases of an owner that rules open are opened by one transaction at a time.
_LOCK = "cases of {}"


# -------------------------------------------------------------------------------------------------------------- clauses
def visible_to(outsider: Outsider) -> sa.ColumnElement[bool]:
    """A clause on a version: one of the institutions owns what it is about, or opened it; or it is not internal, and
    something that it is about was theirs to read of when it was found."""
    theirs = outsider.institutions
    # A case of its own inside: from two selects further out the day could not be told from those of all other cases.
    first = CASE.alias("first_version")
    about = ABOUT.join(ITEM, ITEM.c.number == ABOUT.c.item).join(first, first.c.code == ABOUT.c.case_code)
    readable = access.may_read(ABOUT.c.item, first.c.found_at, ITEM.c.kind, outsider)
    concerns = sa.select(ABOUT.c.case_code).select_from(about).where(first.c.version == 1, readable)
    open_to_them = sa.and_(CASE.c.internal.is_(sa.false()), CASE.c.code.in_(concerns))
    return sa.or_(CASE.c.owner.in_(theirs), CASE.c.opened_by.in_(theirs), open_to_them)


def about_item(number: str) -> sa.ColumnElement[bool]:
    """A clause on a version: the case is about this thing."""
    return sa.exists().where(ABOUT.c.case_code == CASE.c.code, ABOUT.c.item == number)


def _in_force(when: When) -> sa.ColumnElement[bool]:
    later = CASE.alias("later")
    last = sa.select(sa.func.max(later.c.version)).where(
        later.c.code == CASE.c.code, later.c.valid_from <= when.as_of, later.c.recorded_at <= when.known_on
    )
    return CASE.c.version == last.scalar_subquery()


# -------------------------------------------------------------------------------------------------------------- reading
def items(connection: sa.Connection, codes: Collection[str], when: When) -> dict[str, list[str]]:
    """What each of the cases was about at the moment, in the order of numbers."""
    wanted = sa.select(ABOUT.c.case_code, ABOUT.c.item).where(
        ABOUT.c.case_code.in_(codes), ABOUT.c.from_at <= when.as_of, ABOUT.c.recorded_at <= when.known_on
    )
    found: dict[str, list[str]] = {code: [] for code in codes}
    for row in rows(connection, wanted.order_by(ABOUT.c.item)):
        found[row["case_code"]].append(row["item"])
    return found


def readable_items(connection: sa.Connection, code: str, found_at: datetime, outsider: Outsider) -> set[str]:
    """Those of a case's things of which they may read what befell them when it was found."""
    wanted = sa.select(ABOUT.c.item).select_from(ABOUT.join(ITEM, ITEM.c.number == ABOUT.c.item))
    readable = access.may_read(ABOUT.c.item, sa.literal(found_at, CASE.c.found_at.type), ITEM.c.kind, outsider)
    return set(connection.execute(wanted.where(ABOUT.c.case_code == code, readable)).scalars())


def entries(connection: sa.Connection, codes: Collection[str], when: When) -> dict[str, list[Row]]:
    """What was said in each of the cases until the moment, in order, with ``files``, the hashes that it names."""
    wanted = sa.select(ENTRY).where(
        ENTRY.c.case_code.in_(codes), ENTRY.c.said_at <= when.as_of, ENTRY.c.recorded_at <= when.known_on
    )
    named: dict[tuple[str, int], list[str]] = {}
    for row in rows(connection, sa.select(FILE).where(FILE.c.case_code.in_(codes)).order_by(FILE.c.sha256)):
        named.setdefault((row["case_code"], row["line"]), []).append(row["sha256"])
    found: dict[str, list[Row]] = {code: [] for code in codes}
    for row in rows(connection, wanted.order_by(ENTRY.c.line)):
        found[row["case_code"]].append({**row, "files": named.get((row["case_code"], row["line"]), [])})
    return found


def last_line(connection: sa.Connection, code: str) -> int:
    """The number of the last entry of a case; 0 where there is none."""
    wanted = sa.select(sa.func.max(ENTRY.c.line)).where(ENTRY.c.case_code == code)
    return int(connection.execute(wanted).scalar_one() or 0)


def naming_file(connection: sa.Connection, sha256: str, visible: sa.ColumnElement[bool]) -> Sequence[Row]:
    """Entries of cases in their newest version that name a file: ``owner`` and ``opened_by`` of the case, and
    ``acting_for`` and ``shared`` of the entry."""
    same = sa.and_(FILE.c.case_code == ENTRY.c.case_code, FILE.c.line == ENTRY.c.line)
    joined = FILE.join(ENTRY, same).join(CASE, CASE.c.code == FILE.c.case_code)
    columns = (CASE.c.owner, CASE.c.opened_by, ENTRY.c.acting_for, ENTRY.c.shared)
    wanted = sa.select(*columns).select_from(joined)
    return rows(connection, wanted.where(FILE.c.sha256 == sha256, _in_force(When(FOREVER, FOREVER)), visible))


def holding(connection: sa.Connection, numbers: Collection[str], when: When) -> Sequence[Row]:
    """The cases that hold any of the things at the moment: ``item``, ``code``, ``owner``, ``opened_by``, ``internal``;
    in order."""
    columns = (ABOUT.c.item, CASE.c.code, CASE.c.owner, CASE.c.opened_by, CASE.c.internal)
    wanted = sa.select(*columns).select_from(ABOUT.join(CASE, CASE.c.code == ABOUT.c.case_code))
    wanted = wanted.where(
        ABOUT.c.item.in_(numbers),
        ABOUT.c.from_at <= when.as_of,
        ABOUT.c.recorded_at <= when.known_on,
        CASE.c.hold.is_(sa.true()),
        CASE.c.state != "closed",
        _in_force(when),
    )
    return rows(connection, wanted.order_by(ABOUT.c.item, CASE.c.code))


def held_codes(
    connection: sa.Connection, number: str, when: When, visible: sa.ColumnElement[bool] | None
) -> Sequence[str]:
    """The cases that hold a thing at the moment, as far as they are visible, in order."""
    wanted = sa.select(CASE.c.code).select_from(ABOUT.join(CASE, CASE.c.code == ABOUT.c.case_code))
    clauses = [ABOUT.c.item == number, ABOUT.c.from_at <= when.as_of, ABOUT.c.recorded_at <= when.known_on]
    clauses += [CASE.c.hold.is_(sa.true()), CASE.c.state != "closed", _in_force(when)]
    clauses += [] if visible is None else [visible]
    return list(connection.execute(wanted.where(*clauses).order_by(CASE.c.code)).scalars())


def undecided_of_loan(connection: sa.Connection, loan: str) -> Sequence[str]:
    """Cases of a loan that nobody has decided yet, in order."""
    wanted = sa.select(CASE.c.code).where(
        CASE.c.loan == loan, CASE.c.state.in_(("open", "contained")), _in_force(When(FOREVER, FOREVER))
    )
    return list(connection.execute(wanted.order_by(CASE.c.code)).scalars())


def loans_at(connection: sa.Connection, numbers: Collection[str], at: datetime) -> set[str]:
    """The loans that the things were on at an instant, as known now."""
    wanted = sa.select(SPAN.c.loan).distinct()
    held = (SPAN.c.known_to == FOREVER, SPAN.c.from_at <= at, SPAN.c.to_at > at, SPAN.c.loan.is_not(None))
    return set(connection.execute(wanted.where(SPAN.c.item.in_(numbers), *held)).scalars())


# --------------------------------------------------------------------------------------------------------------- causes
def opened_for(connection: sa.Connection, rule: str, key: str, owner: str) -> Row | None:
    """The first version of the case that is there for a cause."""
    cause = (CAUSE.c.rule == rule, CAUSE.c.key == key, CAUSE.c.owner == owner, CASE.c.version == 1)
    joined = CASE.join(CAUSE, CAUSE.c.case_code == CASE.c.code)
    return first_row(connection, sa.select(CASE).select_from(joined).where(*cause))


def causes(connection: sa.Connection, rule: str, owner: str) -> Sequence[Row]:
    """All causes that a rule ever found of an owner: ``key``, the ``code`` of the case, and its ``state`` now; the
    oldest first."""
    joined = CAUSE.join(CASE, CASE.c.code == CAUSE.c.case_code)
    wanted = sa.select(CAUSE.c.key, CASE.c.code, CASE.c.state).select_from(joined)
    wanted = wanted.where(CAUSE.c.rule == rule, CAUSE.c.owner == owner, _in_force(When(FOREVER, FOREVER)))
    return rows(connection, wanted.order_by(CAUSE.c.recorded_at, CAUSE.c.key))


def named_people(connection: sa.Connection, codes: Collection[str]) -> dict[str, list[str]]:
    """Whom the rules' words name by id, by case; cases that name nobody are left out."""
    wanted = sa.select(CAUSE.c.case_code, CAUSE.c.person).distinct()
    found: dict[str, list[str]] = {}
    for row in rows(connection, wanted.where(CAUSE.c.case_code.in_(codes), CAUSE.c.person.is_not(None))):
        found.setdefault(row["case_code"], []).append(row["person"])
    return found


def add_causes(connection: sa.Connection, causes: Iterable[Mapping[str, Any]]) -> None:
    """Cases are there for these causes too, none of which any case was there for."""
    connection.execute(sa.insert(CAUSE), [dict(cause) for cause in causes])


# -------------------------------------------------------------------------------------------------------------- writing
def hold_owner(connection: sa.Connection, owner: str) -> None:
    """Let no other transaction open a case of this owner by a rule until this one has ended; after all other locks but
    that of a case that is there."""
    locks.hold(connection, _LOCK.format(owner))


def add_items(connection: sa.Connection, code: str, numbers: Iterable[str], told: Mapping[str, Any]) -> None:
    """The case is about these things too; those that it was about already are left out."""
    known = set(connection.execute(sa.select(ABOUT.c.item).where(ABOUT.c.case_code == code)).scalars())
    fresh = [{**told, "case_code": code, "item": number} for number in sorted(set(numbers) - known)]
    if fresh:
        connection.execute(sa.insert(ABOUT), fresh)


def add_entry(connection: sa.Connection, entry: Mapping[str, Any], files: Collection[str]) -> None:
    """One more thing that somebody said, and the files that it names."""
    connection.execute(sa.insert(ENTRY), entry)
    key = {name: entry[name] for name in ("case_code", "line", "actor")}
    named = [{**key, "sha256": one} for one in sorted(set(files))]
    if named:
        connection.execute(sa.insert(FILE), named)
