"""Reports of handovers that are still open, shipments that are silent, and stretches that only one side told of."""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import sqlalchemy as sa

from shipsvc.app import access
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, Key, heirs, seconds
from shipsvc.domain import codes, errors
from shipsvc.domain.facts import same_institution
from shipsvc.domain.successions import Heirs
from shipsvc.store import facts, items, reads, reads_record
from shipsvc.store.engine import Row, rows
from shipsvc.store.tables_derived import OUT_LINES

#: A shipment is silent this long after it was expected (trade.md 2.6).
SILENT_AFTER = timedelta(hours=24)
#: What one side alone has told. Two own words that disagree are ``disputed``, and both sides spoke.
ONE_SIDED = frozenset({"giver_only", "taker_only", "declared", "held"})
NEST_DEPTH_MAX = 64
DAY = timedelta(days=1)


# ------------------------------------------------------------------------------------------------------ open handovers
def open_handovers(connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int) -> list[Entry]:
    """Handovers that somebody has still to speak to: outermost things with what lies in them, in the order of items."""
    when = asked.moment
    clauses: list[reads.Clause] = [] if actor.sees_all else [reads.party_to(actor.institutions, asked.as_of)]
    found = rows(connection, reads.open_handovers(when, after[0] if after else "", limit, *clauses))
    inside = _inside(connection, when, found, clauses)
    numbers = {row["item"] for row in found}
    infos = items.by_numbers(connection, numbers)
    begun = _begun(reads.custody_until(connection, when, numbers)) if numbers else {}
    outside = access.outside_only(connection, actor, numbers)
    answering = heirs(connection, asked)
    shown = (
        (row, _handover(row, begun[row["item"]], inside[row["item"]], infos[row["item"]], asked, answering))
        for row in found
    )
    untold = {"what": "", "loan": None}
    since = {row["item"]: access.held_since(actor, infos[row["item"]], row) for row in found}
    return [
        Entry((item,), {**one, "certain_since": since[item], **(untold if item in outside else {})})
        for item, one in ((row["item"], one) for row, one in shown)
    ]


def _inside(
    connection: sa.Connection, when: reads.Moment, outermost: Iterable[Row], clauses: Sequence[reads.Clause]
) -> dict[str, list[str]]:
    """What lies in each thing, however deep, and is in the very same state: its handover is the same one."""
    found: dict[str, list[str]] = defaultdict(list)
    layer = {row["item"]: (row["item"], _state(row)) for row in outermost}
    for _ in range(NEST_DEPTH_MAX):
        if not layer:
            break
        below = {}
        for row in reads.contents(connection, when, layer, *clauses):
            top, state = layer[row["parent"]]
            if _state(row) == state:
                found[top].append(row["item"])
                below[row["item"]] = (top, state)
        layer = below
    return found


def _state(row: Row) -> tuple[str, str | None, str | None]:
    return row["handover"], row["certain"], row["claimed"]


def _begun(custody: Iterable[Row]) -> dict[str, Row]:
    """The span with which each item came into the state that it is in, from its spans, newest first."""
    found: dict[str, Row] = {}
    left = set()
    for row in custody:
        item = row["item"]
        last = found.get(item)
        if last is None or (item not in left and _state(row) == _state(last) and row["to_at"] == last["from_at"]):
            found[item] = row
        else:
            left.add(item)
    return found


def _handover(row: Row, begun: Row, inside: Sequence[str], info: Row, asked: Asked, answering: Heirs) -> dict[str, Any]:
    words = [word for word in json.loads(row["words"]) if same_institution(word["taker"], row["claimed"])]
    silent = _silent(row, words)
    return {
        "item": codes.display(row["item"]),
        "what": info["what"],
        "state": row["handover"],
        "certain": row["certain"],
        "claimed": row["claimed"],
        "since": begun["from_at"],
        "days_open": (asked.as_of - begun["from_at"]) // DAY,
        "silent_sides": list(silent),
        "waiting_for": sorted(set(silent.values())),
        "ask": _ask(answering, silent.values()),
        "event_id": begun["event_id"],
        "shipment": next((word["shipment"] for word in reversed(words) if word["shipment"]), None),
        "loan": row["loan"] if row["line"] in OUT_LINES else None,
        "contents": [codes.display(number) for number in sorted(inside)],
    }


def _ask(answering: Heirs, parties: Iterable[str]) -> list[str]:
    """The institutions that answer for the parties at that moment."""
    return sorted({answering.of(party) for party in parties})


def _silent(row: Row, words: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """Which sides have not spoken for themselves, and who they are. In a dispute both have."""
    if row["claimed"] is None or row["handover"] == "disputed":
        return {}
    if row["handover"] in {"held", "rejected"}:
        return {"taker": row["claimed"]}
    spoken = {word["side"] for word in words if word["own"]}
    giver = next((word["giver"] for word in reversed(words) if word["giver"]), None) or row["certain"]
    sides = {"giver": giver, "taker": row["claimed"]}
    return {side: party for side, party in sides.items() if side not in spoken and party}


# ---------------------------------------------------------------------------------------------------- silent shipments
def silent_shipments(
    connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int
) -> list[Entry]:
    """Shipments that have not arrived and of which nothing was told to have happened since they were overdue a day.

    A hold is a word, and while one lasts the shipment is not silent (rulings 27, 28). In the order of their codes.
    """
    visible = None if actor.sees_all else reads_record.shipment_visible(actor.institutions)
    found: list[Entry] = []
    behind = after[0] if after else ""
    while len(found) < limit:
        late = asked.as_of - SILENT_AFTER
        shipments = reads_record.not_arrived(connection, asked.moment, late, visible, behind, limit)
        for shipment in shipments:
            fields = _silence(connection, asked, shipment)
            if fields and not _tells_loan(connection, actor, fields["loan"]):
                fields["loan"] = None
            found += [Entry((shipment["code"],), fields)] if fields else []
        if len(shipments) < limit:
            break
        behind = shipments[-1]["code"]
    return found[:limit]


def _tells_loan(connection: sa.Connection, actor: Actor, loan: str | None) -> bool:
    return actor.sees_all or loan is None or facts.party_to_loan(connection, loan, actor.institutions)


def _silence(connection: sa.Connection, asked: Asked, shipment: Row) -> dict[str, Any] | None:
    """What is said of a shipment that is silent; None where it is not, after all."""
    when, silent_from = asked.moment, shipment["expected_by"] + SILENT_AFTER
    numbers = _nest(connection, when, reads_record.items_on(connection, when, shipment["code"]), silent_from)
    spans = reads.spans_at(connection, when, numbers)
    outermost = [row for row in spans if row["parent"] not in numbers]
    if outermost and all(_is_with(row, shipment["addressee"]) for row in outermost):
        return None
    answering = heirs(connection, asked)
    begun = reads_record.first_said(connection, shipment["code"]) or shipment["valid_from"]
    since = min(begun, shipment["valid_from"])
    word = reads_record.last_word(connection, when, numbers, since)
    if any(row["handover"] == "held" for row in spans) or (word and word["happened_at"] > silent_from):
        return None
    certain = sorted({row["certain"] for row in outermost if row["certain"]})
    claimed = sorted({row["claimed"] for row in outermost if row["claimed"]})
    return {
        **{name: shipment[name] for name in ("consignor", "addressee", "carrier", "loan", "expected_by")},
        "shipment": shipment["code"],
        "answers": answering.of(shipment["addressee"]),
        "silent_since": silent_from,
        "last_word_at": word["happened_at"] if word else None,
        "last_word": word["kind"] if word else None,
        "last_word_by": word["acting_for"] if word else None,
        "event_id": word["event_id"] if word else None,
        "age_s": seconds(asked.as_of - word["happened_at"]) if word else None,
        "certain": certain,
        "claimed": claimed,
        "ask": _ask(answering, {*certain, *claimed}),
        "items": [codes.display(row["item"]) for row in outermost],
    }


def _nest(connection: sa.Connection, when: reads.Moment, named: set[str], since: datetime) -> set[str]:
    """The named things and all that lay in them from ``since`` on: what was taken out since was heard of by that."""
    found, layer = set(named), set(named)
    while layer:
        layer = reads.inside_since(connection, when, layer, since) - found
        found |= layer
    return found


def _is_with(row: Row, addressee: str) -> bool:
    """Whether the addressee certainly has it, or says so itself."""
    says_so = row["handover"] == "taker_only" and same_institution(row["claimed"], addressee)
    return same_institution(row["certain"], addressee) or says_so


# ------------------------------------------------------------------------------------------------ one-sided stretches
@dataclass(frozen=True)
class Stretch:
    """From when to when (None: still) an item was so, within the time asked about."""

    since: datetime
    until: datetime | None
    length: timedelta
    state: str
    certain: str | None
    claimed: str | None
    event_id: str


def one_sided(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    number: str,
    from_at: datetime | None = None,
    to_at: datetime | None = None,
) -> list[Stretch]:
    """The stretches of an item's custody that were told by one side only, by the record as known then, oldest first.

    NotFound for an item that is not there or not the actor's to see. Who does not own it sees those of the time in
    which it held, owed or was to receive it (rulings 16).
    """
    end = min(to_at or asked.as_of, asked.as_of)
    runs = _runs(_theirs(connection, actor, asked, number))
    clipped = (_clipped(run, from_at, end, asked.as_of) for run in runs if _has_one_side(run[0]))
    return [stretch for stretch in clipped if stretch]


def stretches(connection: sa.Connection, actor: Actor, asked: Asked, number: str) -> list[Stretch]:
    """Who had an item and who was said to have it, from its first custody on, whichever sides spoke; the rest as for
    ``one_sided``."""
    runs = _runs(_theirs(connection, actor, asked, number))
    clipped = (_clipped(run, None, asked.as_of, asked.as_of) for run in runs if run[0]["certain"] or run[0]["claimed"])
    return [stretch for stretch in clipped if stretch]


def _theirs(connection: sa.Connection, actor: Actor, asked: Asked, number: str) -> Sequence[Row]:
    """The spans of an item that the actor may read of, oldest first; NotFound."""
    info = reads.sees_item(connection, number, access.sees(actor, reads.ITEM.c.number))
    if info is None:
        raise errors.NotFound(what="item", name=codes.display(number))
    spans = reads.spans_of(connection, number, asked.moment.known_on)
    if actor.sees_all or info["owner"] in actor.institutions:
        return spans
    theirs = reads.time_of(connection, number, actor.institutions)
    return [row for row in spans if any(start <= row["from_at"] < stop for start, stop in theirs)]


def _has_one_side(row: Row) -> bool:
    """Not where an authority has said itself that it holds it."""
    return row["handover"] in ONE_SIDED and not (row["handover"] == "held" and row["claimed"] is None)


def _runs(spans: Sequence[Row]) -> list[list[Row]]:
    """Spans that follow upon one another in the same state of custody, together."""
    found: list[list[Row]] = [[row] for row in spans[:1]]
    for before, row in pairwise(spans):
        if before["to_at"] == row["from_at"] and _state(before) == _state(row):
            found[-1].append(row)
        else:
            found.append([row])
    return found


def _clipped(run: Sequence[Row], from_at: datetime | None, end: datetime, as_of: datetime) -> Stretch | None:
    first, last = run[0], run[-1]
    since = max(first["from_at"], from_at or first["from_at"])
    until = min(last["to_at"], end)
    if since >= until:
        return None
    lasts = last["to_at"] > as_of and until == as_of
    state, certain, claimed = _state(first)
    return Stretch(since, None if lasts else until, until - since, state, certain, claimed, first["event_id"])
