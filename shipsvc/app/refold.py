"""From facts to derived rows: which items a fact touches, the fold over them, and only the differences written."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import zip_longest
from typing import Any

import sqlalchemy as sa

from shipsvc.app import reach as reached
from shipsvc.app import relations
from shipsvc.app.reach import Heard, Scope
from shipsvc.app.reach import infos_of as infos_of  # callers of refold ask for it here
from shipsvc.domain import fold
from shipsvc.domain.acts import OF_MASS, ItemInfo
from shipsvc.domain.facts import Fact, Named, Trip, in_order
from shipsvc.domain.places import Keeps
from shipsvc.domain.rulebook import Rulebook
from shipsvc.domain.second import DECIDED
from shipsvc.domain.states import NOTHING, Change, Outcome, State
from shipsvc.store import derived, events, mass, profiles, second, shipments, spans
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER


class AffectedGrew(Exception):
    """Between reading and locking, another transaction put more into the nest, or amended the same fact.

    The edge rolls back and tries again.
    """


def reach(connection: sa.Connection, subjects: Collection[str], others: Collection[str], since: datetime) -> Scope:
    """What comes out otherwise from ``since`` on where facts about the subjects do; ``others`` decide as well."""
    heard = Heard("", tuple(Named(number) for number in subjects), {})
    beside = [Heard("", (), {"into": number}) for number in others]
    return reached.reach(connection, [heard, *beside], (), since)


@dataclass(frozen=True)
class Refolded:
    """What a refold found, for the answer: the outcome of the fold and the items whose spans it rewrote."""

    outcome: Outcome
    changed: frozenset[str]


def refold(
    connection: sa.Connection,
    scope: Scope,
    fresh: Sequence[Fact],
    withdrawn: Collection[str],
    infos: Mapping[str, ItemInfo],
    recorded_at: datetime,
) -> Refolded:
    """Fold the items of ``scope`` again and write what differs, as known from ``recorded_at``.

    ``fresh`` are facts that the log does not hold yet; ``withdrawn`` the ids of those that they take the place of.
    """
    told = _stored(connection, scope)
    stored = [f for f in told if f.id not in withdrawn]
    facts = _marked(connection, [*stored, *fresh])
    infos = {**scope.infos, **infos}
    before = _by_item(spans.around(connection, scope.items, scope.since))
    start = {item: _state_at(rows, scope.since) for item, rows in before.items()}
    rules = rulebook(connection, (fact.body for fact in facts), {info.collection for info in infos.values()})
    outcome = fold.run(start, facts, infos, _labels(scope), rules, _keeps(connection, infos, start, facts))
    outcome = _within(outcome, scope.changing)
    changed = _write_spans(connection, scope, before, start, outcome, recorded_at)
    changed |= _write_items(connection, scope, stored, outcome, recorded_at)
    tables = [derived.FLAG, *(derived.OF_MASS if any(f.kind in OF_MASS for f in (*told, *fresh)) else ())]
    begins = not stored and not withdrawn
    changed |= _write_rest(connection, scope, outcome, recorded_at, tables, nothing_stored=begins)
    return Refolded(outcome, frozenset(changed))


def _marked(connection: sa.Connection, facts: Sequence[Fact]) -> list[Fact]:
    """The facts, those marked that are decisions which a second person has still to confirm."""
    decided = {fact.id for fact in facts if fact.kind in DECIDED}
    flagged = {row["event_id"] for row in second.flagged(connection, decided)} if decided else set()
    return [replace(fact, waits=True) if fact.id in flagged else fact for fact in facts]


def _within(outcome: Outcome, scope: Collection[str]) -> Outcome:
    """The outcome for the items in scope: a fact may name others too, whose beginnings the fold was not given."""
    return replace(
        outcome,
        flags=[f for f in outcome.flags if f.item in scope],
        comparisons=[c for c in outcome.comparisons if c[0] in scope],
        births=[b for b in outcome.births if b.child in scope],
        entries=[e for e in outcome.entries if e.item in scope],
        changes={item: found for item, found in outcome.changes.items() if item in scope},
    )


# ------------------------------------------------------------------------------------------------- from rows to facts
def _stored(connection: sa.Connection, scope: Scope) -> list[Fact]:
    trips = trips_of(connection, {row["shipment"] for _, _, row in scope.facts})
    return [fact_of(row, original, told_for, trips) for original, told_for, row in scope.facts]


def fact_of(row: Mapping[str, Any], original: str, first_told_for: str, trips: "Trips") -> Fact:
    """The fact that a row of the log holds; an amendment's row holds what it puts in the original's place."""
    kind, subjects, body = events.content(row)
    if row["acting_for"] != first_told_for:
        # Amended by somebody else: it stays the first teller's word, but is no longer that teller's own.
        body = {"party": first_told_for, **body}
    return Fact(
        id=original,
        kind=kind,
        subjects=subjects,
        happened_at=row["happened_at"],
        recorded_at=row["recorded_at"],
        acting_for=row["acting_for"],
        body=body,
        device=row["device"],
        boot=row["boot"],
        sequence=row["sequence"],
        place_in_request=row["place_in_request"],
        trip=trips(row["shipment"], row["happened_at"]),
    )


Trips = Callable[[str | None, datetime], Trip | None]


def trips_of(connection: sa.Connection, codes: Collection[str | None]) -> Trips:
    """A look-up of shipments as they stood at an instant: who sends, who is addressed then."""
    wanted = {code for code in codes if code}
    versions = shipments.versions(connection, wanted) if wanted else {}

    def at(code: str | None, instant: datetime) -> Trip | None:
        rows = versions.get(code or "", [])
        # A shipment may be written down after the box has left: its first version counts from the beginning.
        held = [row for row in rows if row["valid_from"] <= instant] or rows[:1]
        return Trip(held[-1]["code"], held[-1]["consignor"], held[-1]["addressee"]) if held else None

    return at


def rulebook(
    connection: sa.Connection, bodies: Iterable[Mapping[str, Any]], collections: Collection[str] = ()
) -> Rulebook:
    """The balances that the bodies of facts name, and the allowances of collections where masses are told."""
    codes: set[str] = set()
    weighs = False
    for body in bodies:
        codes |= balances_in(body)
        weighs = weighs or "mass" in body or "gross" in body or "children" in body
    named = set(collections) - {""} if weighs else set()
    return Rulebook(
        mass.balances(connection, codes) if codes else {}, mass.allowances(connection, named) if named else {}
    )


def _keeps(
    connection: sa.Connection, infos: Mapping[str, ItemInfo], start: Mapping[str, State], facts: Iterable[Fact]
) -> Keeps:
    """What the places keep that a sample without a profile may come to be stored in."""
    fresh = {item for item, info in infos.items() if info.kind == "sample" and start.get(item, NOTHING).profile is None}
    if not fresh:
        return {}
    told = {fact.text("place") for fact in facts if fact.kind == "stored"}
    stood = {state.where.place for state in start.values()} if any(fact.kind == "packed" for fact in facts) else set()
    codes = {code for code in told | stood if code}
    return profiles.kept(connection, codes) if codes else {}


def balances_in(body: Mapping[str, Any]) -> set[str]:
    """The codes of the balances that the body of a fact names."""
    entries = [body, *body.get("children", ()), *body.get("parents", ()), body.get("loss") or {}]
    return {entry["balance"] for entry in entries if isinstance(entry, Mapping) and entry.get("balance")}


def _labels(scope: Scope) -> dict[Named, str]:
    """Which container each print was on just before."""
    facts = (fact_of(row, original, told_for, lambda _code, _at: None) for original, told_for, row in scope.labels)
    return {named: str(fact.body["to"]) for fact in in_order(facts) for named in fact.subjects}


# -------------------------------------------------------------------------------------------------- from states to rows
def _by_item(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["item"], []).append(row)
    return found


def _state_at(rows: Sequence[Row], since: datetime) -> State:
    return spans.decode(rows[0]) if rows and rows[0]["from_at"] < since else NOTHING


def _write_spans(
    connection: sa.Connection,
    scope: Scope,
    before: Mapping[str, list[Row]],
    start: Mapping[str, State],
    outcome: Outcome,
    recorded_at: datetime,
) -> set[str]:
    ended: list[Row] = []
    added: list[dict[str, Any]] = []
    changed = set()
    related = set()
    for item in sorted(scope.changing):  # in the order of the table: neighbours are written faster
        rows = before.get(item, [])
        standing = {row["from_at"]: row for row in rows}
        state = start.get(item, NOTHING)
        found = _wanted(item, rows, state, outcome.changes.get(item, []), scope.since, recorded_at)
        wanted = {new["from_at"]: new for new in found}
        kept = {at for at, new in wanted.items() if at in standing and _same(standing[at], new)}
        ended += [row for at, row in standing.items() if at not in kept]
        added += [new for at, new in wanted.items() if at not in kept]
        if kept != standing.keys() | wanted.keys():
            changed.add(item)
            related |= {item} if relations.changed(rows, found) else set()
    spans.close(connection, ended, recorded_at)
    spans.add(connection, added)
    relations.settle(connection, related | (scope.in_doubt & scope.changing))
    return changed


def _wanted(
    item: str, rows: Sequence[Row], state: State, changes: Sequence[Change], since: datetime, recorded_at: datetime
) -> list[dict[str, Any]]:
    """The rows that should stand for one item from ``since`` on, the one reaching into that time included."""
    begun: list[dict[str, Any]] = []
    if rows and rows[0]["from_at"] < since:
        begun.append({**rows[0]})
    for change in changes:
        if change.state != state:
            state = change.state
            begun.append(_row(item, change))
    for row, following in zip_longest(begun, begun[1:]):
        row["to_at"] = following["from_at"] if following else FOREVER
        row["known_from"], row["known_to"] = recorded_at, FOREVER
        row["live"] = int(row["to_at"] > recorded_at)
    return begun


def _row(item: str, change: Change) -> dict[str, Any]:
    told = {"item": item, "from_at": change.at, "event_id": change.event_id, "by_item": change.by_item}
    return {**told, **spans.encode(change.state)}


_DIFFERS_ANYWAY = {"known_from", "known_to", "live"}


def _same(row: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    return all(row[name] == value for name, value in new.items() if name not in _DIFFERS_ANYWAY)


def _write_items(
    connection: sa.Connection, scope: Scope, stored: Sequence[Fact], outcome: Outcome, recorded_at: datetime
) -> set[str]:
    """Keep the finding aid true where earlier facts now mean other items: another vial, another sample in it."""
    known: dict[str, list[Row]] = {}
    for row in scope.known:
        known.setdefault(row["event_id"], []).append(row)
    stale: list[Row] = []
    fresh: list[dict[str, Any]] = []
    for fact in stored:
        rows = known[fact.id]
        meant = named_in(fact.kind, fact.subjects, fact.body) | set(outcome.resolved[fact.id])
        # What is not changing is meant as before; how things lay with it was perhaps not told to the fold.
        stale += [row for row in rows if row["item"] in scope.changing - meant]
        missing = (meant & scope.changing) - {row["item"] for row in rows}
        fresh += [{**rows[0], "item": item, "known_from": recorded_at} for item in sorted(missing)]
    events.close_item_rows(connection, stale, recorded_at)
    events.add_items(connection, fresh)
    return {row["item"] for row in [*stale, *fresh]}


def named_in(kind: str, subjects: Iterable[Named], body: Mapping[str, Any]) -> set[str]:
    """Every item number a fact names: subjects, and the containers, pieces and parents in its body."""
    numbers = {n.number for n in subjects}
    numbers |= {str(body["into"])} if body.get("into") else set()
    numbers |= {str(body["to"])} if kind == "label_attached" else set()
    return numbers | {str(e["number"]) for name in ("children", "parents") for e in body.get(name, ())}


_ROWS = {
    derived.COMPARISON: derived.comparison_rows,
    derived.PARENTAGE: derived.parentage_rows,
    derived.MOVE: derived.move_rows,
    derived.FLAG: derived.flag_rows,
}


def _write_rest(
    connection: sa.Connection,
    scope: Scope,
    outcome: Outcome,
    recorded_at: datetime,
    tables: Iterable[sa.Table],
    *,
    nothing_stored: bool,
) -> set[str]:
    changed = set()
    for table in tables:
        rows = _ROWS[table](outcome)
        if rows or not nothing_stored:
            known = [] if nothing_stored else derived.known(connection, table, scope.changing, scope.since)
            changed |= derived.replace(connection, table, known, rows, recorded_at)
    return changed
