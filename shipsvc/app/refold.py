"""From facts to derived rows: which items a fact touches, the fold over them, and only the differences written."""

import json
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain import fold
from shipsvc.domain.acts import ItemInfo
from shipsvc.domain.book import Balances
from shipsvc.domain.facts import Fact, Named, Trip, institution_of
from shipsvc.domain.fold import NOTHING, Change, Outcome, State
from shipsvc.store import access, derived, events, items, mass, shipments, spans
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER


@dataclass(frozen=True)
class Scope:
    """Which items to fold again, and from when on."""

    items: frozenset[str]
    since: datetime


def reach(connection: sa.Connection, subjects: Collection[str], others: Collection[str], since: datetime) -> Scope:
    """The subjects, all that is nested in them from ``since`` on, and all that any of it is nested in (rulings 9)."""
    inside = _closure(subjects, lambda found: spans.nested_in(connection, found, since))
    both = inside | set(others)
    return Scope(frozenset(_closure(both, lambda found: spans.parents_of(connection, found, since))), since)


def _closure(start: Collection[str], further: Callable[[set[str]], set[str]]) -> set[str]:
    found, fresh = set(start), set(start)
    while fresh:
        fresh = further(fresh) - found
        found |= fresh
    return found


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
    stored = [f for f in _stored(connection, scope) if f.id not in withdrawn]
    facts = [*stored, *fresh]
    before = _by_item(spans.around(connection, scope.items, scope.since))
    start = {item: _state_at(rows, scope.since) for item, rows in before.items()}
    outcome = fold.run(start, facts, infos, _labels(connection, scope), _balances(connection, facts))
    outcome = _within(outcome, scope.items)
    changed = _write_spans(connection, scope, before, outcome, recorded_at)
    _write_items(connection, scope, stored, outcome, recorded_at)
    _write_rest(connection, scope, outcome, recorded_at, nothing_stored=not stored and not withdrawn)
    _relate(connection, outcome)
    return Refolded(outcome, changed)


def _within(outcome: Outcome, scope: Collection[str]) -> Outcome:
    """The outcome for the items in scope: a fact may name others too, whose beginnings the fold was not given."""
    return replace(
        outcome,
        flags=[f for f in outcome.flags if f.item in scope],
        comparisons=[c for c in outcome.comparisons if c[0] in scope],
        births=[b for b in outcome.births if b.child in scope],
        changes={item: found for item, found in outcome.changes.items() if item in scope},
    )


# ------------------------------------------------------------------------------------------------- from rows to facts
def _stored(connection: sa.Connection, scope: Scope) -> list[Fact]:
    rows = events.timeline(connection, scope.items, scope.since)
    trips = trips_of(connection, {row["shipment"] for _, _, row in rows})
    return [fact_of(row, original, told_for, trips) for original, told_for, row in rows]


def fact_of(row: Mapping[str, Any], original: str, first_told_for: str, trips: "Trips") -> Fact:
    """The fact that a row of the log holds; an amendment's row holds what it puts in the original's place."""
    body, kind, subjects = json.loads(row["body"]), row["kind"], json.loads(row["subjects"])
    if kind == "amended":
        content = body["replacement"]
        kind, subjects, body = content["kind"], content["subjects"], content["body"]
    if row["acting_for"] != first_told_for:
        # Amended by somebody else: it stays the first teller's word, but is no longer that teller's own.
        body = {"party": first_told_for, **body}
    return Fact(
        id=original,
        kind=kind,
        subjects=tuple(Named(number, serial) for number, serial in subjects),
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


def _balances(connection: sa.Connection, facts: Iterable[Fact]) -> Balances:
    codes = {code for fact in facts for code in _codes(fact.body)}
    return mass.balances(connection, codes) if codes else {}


def _codes(body: Mapping[str, Any]) -> set[str]:
    entries = [body, *body.get("children", ()), *body.get("parents", ()), body.get("loss") or {}]
    return {entry["balance"] for entry in entries if isinstance(entry, Mapping) and entry.get("balance")}


def _labels(connection: sa.Connection, scope: Scope) -> dict[Named, str]:
    attached: dict[Named, str] = {}
    for row in events.labels_before(connection, scope.items, scope.since):
        fact = fact_of(row, row["id"], row["acting_for"], lambda _code, _at: None)
        attached.update({named: str(fact.body["to"]) for named in fact.subjects})
    return attached


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
    outcome: Outcome,
    recorded_at: datetime,
) -> frozenset[str]:
    ended: list[Row] = []
    added: list[dict[str, Any]] = []
    changed = set()
    for item in scope.items:
        rows = before.get(item, [])
        wanted = _wanted(item, rows, outcome.changes.get(item, []), scope.since, recorded_at)
        kept = [row for row in rows if any(_same(row, new) for new in wanted)]
        fresh = [new for new in wanted if not any(_same(row, new) for row in kept)]
        ended += [row for row in rows if row not in kept]
        added += fresh
        if fresh or len(kept) < len(rows):
            changed.add(item)
    spans.close(connection, ended, recorded_at)
    spans.add(connection, added)
    return frozenset(changed)


def _wanted(
    item: str, rows: Sequence[Row], changes: Sequence[Change], since: datetime, recorded_at: datetime
) -> list[dict[str, Any]]:
    """The rows that should stand for one item from ``since`` on, the one reaching into that time included."""
    begun: list[dict[str, Any]] = []
    if rows and rows[0]["from_at"] < since:
        begun.append({**rows[0]})
    state = _state_at(rows, since)
    for change in changes:
        if change.state != state:
            state = change.state
            begun.append(_row(item, change))
    for row, following in zip(begun, [*begun[1:], None], strict=True):
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
) -> None:
    """Keep the finding aid true where earlier facts now mean other items: another vial, another sample in it."""
    facts = {f.id: f for f in stored if all(n.number in scope.items for n in f.subjects)}
    known = _rows_by_event(events.items_of(connection, facts) if facts else [])
    stale: list[Row] = []
    fresh: list[dict[str, Any]] = []
    for event_id, fact in facts.items():
        rows = known[event_id]
        meant = named_in(fact.kind, fact.subjects, fact.body) | set(outcome.resolved[event_id])
        stale += [row for row in rows if row["item"] not in meant]
        missing = meant - {row["item"] for row in rows}
        fresh += [{**rows[0], "item": item, "known_from": recorded_at} for item in sorted(missing)]
    events.close_item_rows(connection, stale, recorded_at)
    events.add_items(connection, fresh)


def _rows_by_event(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(row["event_id"], []).append(row)
    return found


def named_in(kind: str, subjects: Iterable[Named], body: Mapping[str, Any]) -> set[str]:
    """Every item number a fact names: subjects, and the containers, pieces and parents in its body."""
    numbers = {n.number for n in subjects}
    numbers |= {str(body["into"])} if body.get("into") else set()
    numbers |= {str(body["to"])} if kind == "label_attached" else set()
    return numbers | {str(e["number"]) for name in ("children", "parents") for e in body.get(name, ())}


def _write_rest(
    connection: sa.Connection, scope: Scope, outcome: Outcome, recorded_at: datetime, *, nothing_stored: bool
) -> None:
    found = {
        derived.COMPARISON: derived.comparison_rows(outcome),
        derived.PARENTAGE: derived.parentage_rows(outcome),
        derived.FLAG: derived.flag_rows(outcome),
    }
    for table, rows in found.items():
        if rows or not nothing_stored:
            known = [] if nothing_stored else derived.known(connection, table, scope.items, scope.since)
            derived.replace(connection, table, known, rows, recorded_at)


def _relate(connection: sa.Connection, outcome: Outcome) -> None:
    """Whoever holds, owes, lends or is handed a thing has to do with it. A stranger's bare claim is not enough."""
    pairs = set()
    for item, changes in outcome.changes.items():
        for change in changes:
            held, line = change.state.custody, change.state.line
            named = held.claimed if held.state in {"giver_only", "declared", "held"} else None
            parties = (held.certain, named, line.lender, line.borrower)
            pairs |= {(item, where) for where in map(institution_of, parties) if where}
    access.relate(connection, pairs)


def infos_of(connection: sa.Connection, numbers: Collection[str]) -> dict[str, ItemInfo]:
    """What kind of thing each number names."""
    rows = items.by_numbers(connection, numbers)
    return {number: ItemInfo(row["kind"], row["form"], row["owner"]) for number, row in rows.items()}


def with_facts(infos: Mapping[str, ItemInfo], facts: Iterable[Fact]) -> dict[str, ItemInfo]:
    """The infos as the registrations among ``facts`` describe them."""
    known = dict(infos)
    for fact in facts:
        if fact.kind == "registered":
            for named in fact.subjects:
                info = known.get(named.number, ItemInfo("container"))
                kind = fact.text("item") or info.kind
                form = fact.text("form") or ("material" if kind == "sample" else info.form)
                known[named.number] = replace(info, kind=kind, form=form, owner=fact.text("owner") or fact.party)
    return known
