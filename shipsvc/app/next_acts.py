"""What somebody who has a thing in hand most likely wants to tell of it next: by how it stands, and by their roles."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import parcels
from shipsvc.app.access import Actor
from shipsvc.app.items import Shown
from shipsvc.app.parcels import Parcel
from shipsvc.domain import errors
from shipsvc.domain.facts import institution_of, same_institution
from shipsvc.store import shipments
from shipsvc.store.engine import Row

#: What is told by a scan and a few words; first those that anybody may need for a thing that nothing is known of.
TOLD_BY_SCAN = (
    "seen accepted released stored taken_out packed unpacked opened sealed condition_noted not_seen found".split()
)


#: What of it is offered to roles with one step of the way; they may tell more (``access.ONLY``), and do so elsewhere.
OFFERED: Mapping[str, frozenset[str]] = {
    "preparator": frozenset("seen taken_out stored packed unpacked opened condition_noted not_seen found".split()),
    "registrar": frozenset("seen condition_noted not_seen found".split()),
}


@dataclass(frozen=True)
class Act:
    """A fact that may be told: its kind, for whom, and what of it is known beforehand (members of its body)."""

    kind: str
    acting_for: str
    known: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Trip:
    """A shipment that holds a thing, and how far that thing has come; ``top``: it is named on the shipment itself."""

    row: Row
    parcel: Parcel
    top: bool


def trip_of(connection: sa.Connection, actor: Actor, now: datetime, numbers: Sequence[str]) -> Trip | None:
    """The shipment, not confirmed yet, that holds the first of the numbers or what it is in (the other numbers)."""
    written = shipments.written_on(connection, numbers)
    for item, code in sorted(written, key=lambda pair: (-numbers.index(pair[0]), pair[1]), reverse=True):
        try:
            found = parcels.read(connection, actor, now, code, None, None)
        except errors.NotFound:
            continue
        for parcel in found.parcels:
            if parcel.row["number"] == item and parcel.row["state"] != "confirmed":
                return Trip(found.row, parcel, item == numbers[0])
    return None


def acts(actor: Actor, shown: Shown | None, trip: Trip | None) -> list[Act]:
    """What the actor may tell, the likeliest first; nothing for those who only read. ``shown`` None: not theirs to see,
    which is no reason not to tell."""
    found: dict[str, Act] = {}
    for act in (*_likely(actor, shown, trip), *_all(actor, shown)):
        if act.kind not in found and _is_offered(actor, act.kind, act.acting_for):
            found[act.kind] = act
    return list(found.values())


def may_tell(actor: Actor, kind: str, institution: str) -> bool:
    """Whether they may tell this kind of fact for the institution."""
    try:
        actor.may_speak_for(institution)
        actor.may_tell(kind, institution)
    except errors.NotAllowed:
        return False
    return True


def may_report(actor: Actor, institution: str) -> bool:
    """Whether they may open a case for the institution, or say something in one."""
    try:
        actor.may_report(institution)
    except errors.NotAllowed:
        return False
    return True


def _is_offered(actor: Actor, kind: str, institution: str) -> bool:
    held = {role for where, role in actor.roles if where == institution}
    return may_tell(actor, kind, institution) and any(kind in OFFERED.get(role, TOLD_BY_SCAN) for role in held)


def kinds(actor: Actor) -> dict[str, list[str]]:
    """By institution, the kinds that they may tell for it by a scan."""
    found = {
        one: [kind for kind in TOLD_BY_SCAN if _is_offered(actor, kind, one)] for one in sorted(actor.institutions)
    }
    return {institution: told for institution, told in found.items() if told}


def _likely(actor: Actor, shown: Shown | None, trip: Trip | None) -> Iterator[Act]:
    standing = shown.standing if shown else None
    if standing is None:
        if trip is not None:
            yield from _taken(actor, trip, trip.parcel.row["certain"])
        return
    span = standing.span
    holder = institution_of(span["certain"])
    claimed = institution_of(span["claimed"])
    if claimed in actor.institutions and claimed != holder:
        yield _accepted(str(claimed), span["certain"], trip)
    if trip is not None:
        yield from _taken(actor, trip, span["certain"])
    if holder in actor.institutions:
        if trip is not None and trip.top and span["parent"] is None:
            yield from _given(str(holder), trip)
        yield from _kept(str(holder), span)


def _accepted(institution: str, giver: str | None, trip: Trip | None) -> Act:
    known = {"from": giver} if giver else {}
    return Act("accepted", institution, known | ({"shipment": trip.row["code"]} if trip else {}))


def _taken(actor: Actor, trip: Trip, holder: str | None) -> Iterator[Act]:
    """Who is to have it next, and has not yet: the carrier while it is with its sender, then the addressee."""
    row = trip.row
    addressee, carrier = str(institution_of(row["addressee"])), row["carrier"]
    if addressee in actor.institutions and not same_institution(holder, addressee):
        yield _accepted(addressee, holder or carrier, trip)
    if carrier in actor.institutions and same_institution(holder, row["consignor"]):
        yield _accepted(carrier, row["consignor"], trip)


def _given(holder: str, trip: Trip) -> Iterator[Act]:
    """Who has it, and is to hand it on."""
    row = trip.row
    to = {row["consignor"]: row["carrier"], row["carrier"]: row["addressee"]}.get(holder)
    if to is not None and not same_institution(holder, row["addressee"]):
        yield Act("released", holder, {"to": to, "shipment": row["code"]})


def _kept(holder: str, span: Row) -> Iterator[Act]:
    """Who keeps it: out of its place, and back; who stores nothing, as a courier, hands it on."""
    place = {"place": span["place"]} if span["place"] else {}
    if span["status"] == "stored":
        yield Act("taken_out", holder, place)
    if span["parent"] is not None:
        yield Act("unpacked", holder)
    yield Act("stored", holder, place)
    yield Act("released", holder)


def _all(actor: Actor, shown: Shown | None) -> Iterator[Act]:
    """For whoever holds it first, where the actor speaks for several."""
    span = shown.standing.span if shown and shown.standing else {"certain": None, "claimed": None}
    held = {institution_of(span["certain"]), institution_of(span["claimed"])}
    ordered = sorted(actor.institutions, key=lambda one: (one not in held, one))
    yield from (Act(kind, one) for kind in TOLD_BY_SCAN for one in ordered)
