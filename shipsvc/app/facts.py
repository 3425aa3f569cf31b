"""What was told: one fact with its times, its amendments and its proof, for those who may read it."""

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from itertools import pairwise
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app.access import Actor, outside_only, sees
from shipsvc.app.history import HANDLING, WITHHELD
from shipsvc.domain import codes, errors
from shipsvc.domain.facts import Named
from shipsvc.store import facts
from shipsvc.store.access import Outsider
from shipsvc.store.engine import Row

#: Decisions about a loan, which only its two sides read: a loan may be confidential (rulings 16).
OF_A_LOAN: Final = frozenset({"loan_signed", "due_set", "recalled"})
#: Members of bodies that hold an item number.
_NUMBERS: Final = frozenset({"into", "number"})


@dataclass(frozen=True)
class Wording:
    """What a fact says, in one of its versions; numbers are written as people see them.

    It happened between ``happened_at`` and ``happened_latest``, UTC, by a clock that was set right where it could be;
    ``time_raw`` is what was told.
    """

    kind: str
    subjects: tuple[str, ...]
    time_raw: str
    time_source: str
    uncertainty_s: int
    sequence: int | None
    boot: str
    happened_at: datetime
    happened_latest: datetime
    body: Mapping[str, Any]


@dataclass(frozen=True)
class Amended:
    """One amendment: what held before it, and what in its place from then on (None: nothing)."""

    id: str
    recorded_at: datetime
    actor: str
    acting_for: str
    because: str
    before: Wording | None
    after: Wording | None


@dataclass(frozen=True)
class Account:
    """A row of the log as it was told, what it says, and what became of it.

    ``row`` has the columns of the log, with ``note`` and ``salt``; ``items`` are those that may be seen. A fact that is
    not theirs comes without note and flags.
    """

    row: Row
    wording: Wording
    flags: tuple[str, ...]
    amendments: tuple[Amended, ...]
    in_force: Wording | None
    items: tuple[str, ...]


def read(connection: sa.Connection, actor: Actor, event_id: str, now: datetime) -> Account:
    """One fact or decision. NotFound where there is none, or none that the actor may see: the two look alike.

    Whoever did not tell it and does not own what it bears on reads it without what is not theirs (rulings 16).
    """
    row = facts.find(connection, event_id, Outsider(actor.institutions, now), sees_all=actor.sees_all)
    if row is None or not _may_read(connection, actor, row):
        raise errors.NotFound(what="fact", name=event_id)
    original = row["amends"] or row["id"]
    items = facts.items(connection, original, partial(sees, actor))
    if not _may_handle(connection, actor, row, items):
        raise errors.NotFound(what="fact", name=event_id)
    eyes = _Eyes(bool(row["theirs"]), frozenset(items))
    told, amendments = as_told(row), _amendments(facts.versions(connection, original))
    in_force = amendments[-1].after if amendments else told
    return Account(
        row=row if eyes.whole else {**row, "note": None, "salt": None},
        wording=eyes.read(told),
        flags=tuple(json.loads(row["answer"])["flags"]) if eyes.whole else (),
        amendments=tuple(replace(a, before=eyes.maybe(a.before), after=eyes.maybe(a.after)) for a in amendments),
        in_force=eyes.maybe(in_force),
        items=tuple(codes.display(number) for number in items),
    )


def told_among(
    connection: sa.Connection, actor: Actor, ids: Collection[str], now: datetime
) -> list[tuple[Row, Wording]]:
    """Those of the facts that ``read`` shows the actor, in the order of ids: row and words as it shows them."""
    rows = facts.find_many(connection, ids, Outsider(actor.institutions, now), sees_all=actor.sees_all)
    originals = {row["amends"] or row["id"] for row in rows}
    items = facts.items_of_many(connection, originals, partial(sees, actor))
    found = []
    for row in rows:
        about = items.get(row["amends"] or row["id"], ())
        if _may_read(connection, actor, row) and _may_handle(connection, actor, row, about):
            eyes = _Eyes(bool(row["theirs"]), frozenset(about))
            shown = row if eyes.whole else {**row, "note": None, "salt": None}
            found.append((shown, eyes.read(as_told(row))))
    return found


@dataclass(frozen=True)
class _Eyes:
    """Who reads: the whole of it, or without other people's items, purposes and results."""

    whole: bool
    items: frozenset[str]

    def maybe(self, said: Wording | None) -> Wording | None:
        return said and self.read(said)

    def read(self, said: Wording) -> Wording:
        if self.whole:
            return said
        subjects = tuple(subject for subject in said.subjects if codes.parse_seen(subject).number in self.items)
        return replace(said, subjects=subjects, body=self._body(said.body))

    def _body(self, body: Mapping[str, Any]) -> dict[str, Any]:
        return {name: self._member(name, value) for name, value in body.items() if name not in WITHHELD}

    def _member(self, name: str, value: Any) -> Any:
        if name == "replacement" and value:
            return None  # what the amendments say, cut to what may be read
        if name in {"children", "parents"}:
            return [piece for piece in value if codes.parse(piece["number"]) in self.items]
        return value


def _may_read(connection: sa.Connection, actor: Actor, row: Row) -> bool:
    if row["kind"] not in OF_A_LOAN or actor.sees_all or row["acting_for"] in actor.institutions:
        return True
    loan = json.loads(row["body"]).get("loan") or ""
    return facts.party_to_loan(connection, loan, actor.institutions)


def _may_handle(connection: sa.Connection, actor: Actor, row: Row, items: Collection[str]) -> bool:
    """Whether a courier or an authority may read it of the parcels that it bears on; all others may."""
    if row["theirs"] or row["kind"] in HANDLING:
        return True
    return not items or not outside_only(connection, actor, items) >= set(items)


def _amendments(versions: Sequence[Row]) -> tuple[Amended, ...]:
    wordings = [as_told(versions[0]), *(_replacement(row) for row in versions[1:])]
    found = zip(versions[1:], pairwise(wordings), strict=True)
    return tuple(_amended(row, before, after) for row, (before, after) in found)


def _amended(row: Row, before: Wording | None, after: Wording | None) -> Amended:
    because = json.loads(row["body"])["because"]
    return Amended(row["id"], row["recorded_at"], row["actor"], row["acting_for"], because, before, after)


def as_told(row: Row) -> Wording:
    """What a row of the log says, in the words of whoever told it."""
    return _wording(row, row["kind"], json.loads(row["subjects"]), json.loads(row["body"]))


def _replacement(row: Row) -> Wording | None:
    new = json.loads(row["body"])["replacement"]
    return _wording(row, new["kind"], new["subjects"], new["body"]) if new else None


def _wording(row: Row, kind: str, subjects: Sequence[tuple[str, int | None]], body: Mapping[str, Any]) -> Wording:
    seen = tuple(_seen(Named(number, serial)) for number, serial in subjects)
    as_stored = ("time_raw", "time_source", "uncertainty_s", "sequence", "boot", "happened_at", "happened_latest")
    return Wording(kind=kind, subjects=seen, body=_shown(body, kind), **{name: row[name] for name in as_stored})


def _seen(named: Named) -> str:
    """A subject as it was seen: the print that was scanned, else the number."""
    return codes.print_code(named.number, named.serial) if named.serial else codes.display(named.number)


def _shown(value: Any, kind: str) -> Any:
    """What a body holds, with its item numbers as people see them."""
    if isinstance(value, Mapping):
        kind = value.get("kind", kind)  # of what an amendment puts in the place of another
        return {name: _member(name, inner, kind) for name, inner in value.items()}
    return [_shown(inner, kind) for inner in value] if isinstance(value, list) else value


def _member(name: str, value: Any, kind: str) -> Any:
    if name == "subjects":
        return [_seen(Named(number, serial)) for number, serial in value]
    is_number = name in _NUMBERS or (name == "to" and kind == "label_attached")
    return codes.display(value) if is_number and value else _shown(value, kind)
