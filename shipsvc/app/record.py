"""The one door for facts: find the id, lock the items, fold, flag, append - one transaction, committed by the edge."""

import hashlib
import json
import secrets
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import (
    amend,
    case_flags,
    contact_flags,
    drift_alarms,
    files,
    kinds,
    reach,
    refold,
    reserve,
    rulebooks,
    second,
)
from shipsvc.app.access import Actor
from shipsvc.app.refold import AffectedGrew as AffectedGrew  # callers of record ask for it here
from shipsvc.app.told import Answer, Envelope, Result, Told
from shipsvc.domain import errors, times
from shipsvc.domain.acts import OF_MASS
from shipsvc.domain.facts import ABOUT_LOGGERS, Fact
from shipsvc.domain.seal import canonical
from shipsvc.domain.states import Raised
from shipsvc.store import access, derived, events, institutions, items
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: Skew below this is the network's, not the clock's (rulings 5).
SKEW_APPLIED = timedelta(seconds=2)
SKEW_FLAGGED = timedelta(minutes=2)
FUTURE_TOLERATED = timedelta(minutes=2)
EPOCH = kinds.EPOCH
#: What rules are asked about last: of which kinds facts were recorded, what they changed, and when.
Recorded = tuple[set[str], frozenset[str], datetime]
#: How often whoever calls ``tell`` tries again before they give up.
ATTEMPTS: Final = 8


@dataclass
class Accepted:
    """A fact that will be recorded: the row of the log as far as it is known, and what goes with it."""

    told: Told
    row: dict[str, Any]
    flags: dict[str, str] = field(default_factory=dict)
    #: Flags that are written down, but are nothing to the teller.
    kept: dict[str, str] = field(default_factory=dict)
    said: set[str] = field(default_factory=set)
    salt: str | None = None
    old_items: frozenset[str] = frozenset()
    old_happened_at: datetime | None = None

    @property
    def numbers(self) -> set[str]:
        """Every number the fact names."""
        content = self.told.content
        return refold.named_in(content.kind, content.subjects, content.body) if content else set()

    @property
    def since(self) -> datetime:
        """The earliest instant at which anything can come out otherwise."""
        happened_at: datetime = self.row["happened_at"]
        return min(happened_at, self.old_happened_at or happened_at)


def tell(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    envelope: Envelope,
    facts: Sequence[Told],
) -> list[Result]:
    """Record facts, in order, each answered on its own: an Answer, or the error that it failed with.

    Same id and same words give the first answer again; nothing is stored for a fact that failed.
    Raises AffectedGrew when a concurrent transaction changed a nest on the way: roll back and call again.
    """
    known = events.by_ids(connection, [told.id for told in facts])
    zones = _zones(connection, facts)
    clock = now()
    results: dict[int, Result] = {}
    waiting: dict[int, Accepted] = {}
    unwritten: set[str | None] = set()
    failed: set[str] = set()
    after: list[Recorded] = []
    for place, told in enumerate(facts):
        if told.id in unwritten or (told.amends and told.amends in unwritten):
            # It repeats or amends one of this request that is not in the log yet.
            results |= _record(connection, now, waiting, after)
            waiting, unwritten = {}, set()
            known |= events.by_ids(connection, [told.id])
        try:
            if told.id in known:
                results[place] = _replayed(known[told.id], told, actor)
            else:
                _depends_on_failed(told, failed)
                waiting[place] = _accept(connection, actor, clock, envelope, told, place, zones)
                unwritten |= {told.id, told.amends}
        except errors.ShipsvcError as error:
            results[place] = error
            failed.add(told.id)
    if waiting:
        results |= _record(connection, now, waiting, after)
    for recorded in after:
        drift_alarms.sound(connection, *recorded)
    return [results[place] for place in range(len(facts))]


def append(connection: sa.Connection, actor: Actor, now: Callable[[], datetime], told: Told) -> Mapping[str, Any]:
    """Write one decision of ours into the same log, by the same path. Raises what ``tell`` would answer with."""
    (result,) = tell(connection, actor, now, Envelope(), [told])
    if isinstance(result, errors.ShipsvcError):
        raise result
    return result.body


def _zones(connection: sa.Connection, facts: Iterable[Told]) -> Mapping[str, str]:
    """The zones of the institutions that gave a bare date: only then does it matter where they are."""
    where = {told.acting_for for told in facts if times.is_date((told.content or told).when.raw)}
    return institutions.zones(connection, where) if where else {}


# ------------------------------------------------------------------------------------------------------- said before?
def _digest(told: Told, salt: str | None) -> str:
    """Of what the client said: its words, with a note only as a salted hash, so that the note can be erased."""
    return _sha256({**told.request, "note": _salted(told.note, salt)})


def _salted(note: str | None, salt: str | None) -> str | None:
    return hashlib.sha256(f"{salt}{note}".encode()).hexdigest() if note else None


def _sha256(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(canonical(content)).hexdigest()


def _replayed(row: Mapping[str, Any], told: Told, actor: Actor) -> Answer:
    if row["actor"] != actor.person or row["request_digest"] != _digest(told, row["salt"]):
        raise errors.IdUsedForOtherFact(id=told.id)
    return Answer(json.loads(row["answer"]), replayed=True)


def _depends_on_failed(told: Told, failed: Collection[str]) -> None:
    """What amends or confirms a fact that failed in this request cannot stand."""
    for needed in (told.amends, told.body.get("fact")):
        if needed in failed:
            raise errors.DependsOnFailed(id=needed)


# ---------------------------------------------------------------------------------------------------------- acceptance
def _accept(
    connection: sa.Connection,
    actor: Actor,
    clock: datetime,
    envelope: Envelope,
    told: Told,
    place: int,
    zones: Mapping[str, str],
) -> Accepted:
    actor.may_speak_for(told.acting_for)
    content = told.content or told
    actor.may_tell(content.kind, told.acting_for)
    span, flags = _happened(content, envelope, clock, zones.get(told.acting_for, "UTC"))
    if absent := files.missing(connection, content.body, told.acting_for):
        flags["file_missing"] = absent
    salt = secrets.token_hex(16) if told.note else None
    row = {
        "id": told.id,
        "kind": told.kind,
        "happened_at": span.earliest,
        "happened_latest": span.latest,
        "time_raw": content.when.raw,
        "time_source": content.when.source,
        "uncertainty_s": content.when.uncertainty_s,
        "actor": actor.person,
        "acting_for": told.acting_for,
        "device": envelope.device,
        "boot": content.when.boot or envelope.boot,
        "sequence": content.when.sequence,
        "place_in_request": place,
        "subjects": _text([[n.number, n.serial] for n in told.subjects]),
        "body": _text(_body(told)),
        "amends": told.amends,
        "shipment": content.body.get("shipment"),
        "confirms": content.body.get("fact") if content.kind == "confirmed" else None,
        "logger": content.body.get("logger") if content.kind in ABOUT_LOGGERS else None,
        "request_digest": _digest(told, salt),
        "note_digest": _salted(told.note, salt),
    }
    accepted = Accepted(told, row, flags, salt=salt)
    if told.amends:
        original = amend.original_of(connection, actor, told)
        accepted.old_items, accepted.old_happened_at = original.items, original.happened_at
    return accepted


def _body(told: Told) -> Mapping[str, Any]:
    if not told.amends:
        return told.body
    new = told.replacement
    subjects = [[n.number, n.serial] for n in new.subjects] if new else []
    content = {"kind": new.kind, "subjects": subjects, "body": new.body} if new else None
    return {**told.body, "replacement": content}


def _text(content: Any) -> str:
    return canonical(content).decode()


def _happened(told: Told, envelope: Envelope, clock: datetime, zone: str) -> tuple[times.Span, dict[str, str]]:
    """When it happened, by the device's clock set right against ours (design section 5), and what to flag."""
    span = times.parse_span(told.when.raw, zone)
    flags = {}
    if told.when.source == "device" and envelope.device_now is not None:
        skew = times.skew(clock, envelope.device_now)
        if told.when.boot not in (None, envelope.boot):
            flags["time_unsure"] = "the device was started anew between the scan and the upload"
        elif abs(skew) > SKEW_APPLIED:
            span = times.Span(times.corrected(span.earliest, skew), times.corrected(span.latest, skew))
            if abs(skew) > SKEW_FLAGGED:
                flags["clock_skew"] = f"{skew.total_seconds():+.0f} s"
    if span.earliest > clock + FUTURE_TOLERATED:
        flags["future"] = "it drives nothing until its time"
    return span, flags


# ----------------------------------------------------------------------------------------------------------- recording
def _record(
    connection: sa.Connection, now: Callable[[], datetime], accepted: Mapping[int, Accepted], after: list[Recorded]
) -> dict[int, Result]:
    facts = list(accepted.values())
    numbers = {n for fact in facts for n in fact.numbers | fact.old_items}
    named = kinds.named(connection, [fact.told.content or fact.told for fact in facts], numbers)
    scope = _scope(connection, facts, named)
    newest = items.lock(connection, scope.items)
    if connection.dialect.name != "sqlite":
        scope, earlier = _scope(connection, facts, named), scope
        if scope.items - earlier.items or not all(amend.is_newest(connection, fact.told) for fact in facts):
            raise AffectedGrew
    recorded_at = max(now(), (newest or EPOCH) + timedelta(microseconds=1))
    for fact in facts:
        _stamp(fact, recorded_at)
    second.settle(connection, facts, recorded_at)
    if any(fact.row["kind"] in OF_MASS or fact.told.amends for fact in facts):
        rulebooks.share(connection)
    fresh = _facts(connection, facts)
    withdrawn = {fact.told.amends for fact in facts if fact.told.amends}
    kinds.settle(connection, named, scope.in_doubt, fresh, withdrawn)
    infos = refold.infos_of(items.by_numbers(connection, scope.in_doubt)) if scope.in_doubt else {}
    found = refold.refold(connection, scope, fresh, withdrawn, infos, recorded_at)
    _flag(connection, facts, found.outcome.flags)
    reserve.flag_floor(connection, facts, found.outcome.resolved, found.changed, recorded_at)
    contact_flags.flag_contacts(connection, facts, found.outcome)
    case_flags.flag_held(connection, facts, found.outcome.resolved, found.changed, recorded_at)
    _write(connection, facts, found.outcome.resolved, recorded_at)
    meant = {item for fact in fresh for item in found.outcome.resolved[fact.id]}
    items.touch(connection, numbers | meant | found.changed, recorded_at)
    after.append(({fact.told.kind for fact in facts}, found.changed, recorded_at))
    return {place: Answer(json.loads(fact.row["answer"])) for place, fact in accepted.items()}


def _flag(connection: sa.Connection, facts: Sequence[Accepted], raised: Sequence[Raised]) -> None:
    """Add what the fold flagged to the answers, but only for those who have to do with the item now."""
    if not raised:
        return
    tellers = {fact.told.acting_for for fact in facts}
    now = facts[0].row["recorded_at"]
    related = access.pairs_among(connection, {flag.item for flag in raised}, tellers, since=now)
    for fact in facts:
        for flag in raised:
            if flag.event_id == (fact.told.amends or fact.told.id) and (flag.item, fact.told.acting_for) in related:
                fact.said.add(flag.code)


def _scope(connection: sa.Connection, facts: Sequence[Accepted], named: Mapping[str, Row]) -> reach.Scope:
    contents = [fact.told.content for fact in facts if fact.told.content]
    fresh = [reach.Heard(content.kind, content.subjects, content.body) for content in contents]
    gone = reach.in_force(connection, {fact.told.amends for fact in facts if fact.told.amends})
    since = min(fact.since for fact in facts)
    doubtful = kinds.in_doubt(named, fresh, gone)
    if doubtful:
        # What a thing is decides on all that was ever told of it.
        since = min(since, events.first_happened(connection, doubtful) or since)
    confirmed, decided_at = second.reaches(connection, facts)
    return reach.reach(connection, [*fresh, *confirmed], gone, min(since, decided_at or since), doubtful)


def _stamp(fact: Accepted, recorded_at: datetime) -> None:
    row = fact.row
    row["recorded_at"] = recorded_at
    row["late_s"] = max(0, int((recorded_at - row["happened_latest"]).total_seconds()))
    sealed = {
        "request": row["request_digest"],
        "actor": row["actor"],
        "acting_for": row["acting_for"],
        "happened_at": times.format_instant(row["happened_at"]),
        "recorded_at": times.format_instant(recorded_at),
    }
    row["digest"] = _sha256(sealed)


def _row_digest(row: Mapping[str, Any]) -> str:
    """Of all that is recorded, so that no part of it can be changed unnoticed: the words sent are not kept (D6)."""
    return _sha256({name: times.format_instant(v) if isinstance(v, datetime) else v for name, v in row.items()})


def _facts(connection: sa.Connection, accepted: Iterable[Accepted]) -> list[Fact]:
    """The facts in force that the accepted ones make, each under the id of its original."""
    trips = refold.trips_of(connection, {fact.row["shipment"] for fact in accepted})
    found: dict[str, Fact] = {}
    for one in accepted:
        original = one.told.amends or one.told.id
        found.pop(original, None)
        if one.told.content:
            found[original] = refold.fact_of(one.row, original, _first_teller(connection, one), trips)
    return list(found.values())


def _first_teller(connection: sa.Connection, one: Accepted) -> str:
    if not one.told.amends:
        return one.told.acting_for
    return str(events.by_ids(connection, [one.told.amends])[one.told.amends]["acting_for"])


def _write(
    connection: sa.Connection,
    facts: Sequence[Accepted],
    resolved: Mapping[str, tuple[str, ...]],
    recorded_at: datetime,
) -> None:
    notes = []
    rows = []
    flags = []
    for fact in facts:
        told = fact.told
        fact.row["answer"] = _text(_answer(fact))
        fact.row["row_digest"] = _row_digest(fact.row)
        if told.note and fact.salt:
            notes.append({"event_id": told.id, "text": told.note, "salt": fact.salt})
        rows += _item_rows(fact, resolved.get(told.amends or told.id, ()), recorded_at)
        first = next(iter(sorted(fact.numbers | fact.old_items)), "")
        flags += [
            {"item": first, "event_id": told.id, "code": c, "detail": d} for c, d in (fact.flags | fact.kept).items()
        ]
    events.close_items(connection, [fact.told.amends for fact in facts if fact.told.amends], recorded_at)
    events.add(connection, [fact.row for fact in facts], notes)
    files.note_names(connection, [fact.row for fact in facts])
    rulebooks.note_balances(connection, [fact.told for fact in facts])
    events.add_items(connection, rows)
    derived.add(connection, derived.FLAG, flags, recorded_at)


def _item_rows(fact: Accepted, resolved: Iterable[str], recorded_at: datetime) -> list[dict[str, Any]]:
    content = fact.told.content
    if content is None:
        return []
    return [
        {
            "item": number,
            "event_id": fact.told.amends or fact.told.id,
            "source_id": fact.told.id,
            "happened_at": fact.row["happened_at"],
            "kind": content.kind,
            "known_from": recorded_at,
            "known_to": FOREVER,
        }
        for number in sorted(fact.numbers | set(resolved))
    ]


def _answer(fact: Accepted) -> dict[str, Any]:
    return {
        "id": fact.told.id,
        "status": "recorded",
        "recorded_at": times.format_instant(fact.row["recorded_at"]),
        "happened_at": times.format_instant(fact.row["happened_at"]),
        "flags": sorted(fact.flags.keys() | fact.said),
    }
