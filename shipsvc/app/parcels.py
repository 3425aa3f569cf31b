"""How far shipments have come, parcel by parcel; what is coming to an institution; what is packed in what."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents
from shipsvc.app.access import Actor
from shipsvc.domain import errors
from shipsvc.store import access, shipments, successions
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER

Row = Mapping[str, Any]
#: A fact about seals: its kind, when it happened, and its body.
Told = tuple[str, datetime, Mapping[str, Any]]


@dataclass(frozen=True)
class Parcel:
    """One thing that a shipment holds: number, kind, form, what, state, confirmed_at, and who has it while it is on
    the way; and the last fact about it, until it was confirmed."""

    row: Row
    last: Row | None = None


@dataclass(frozen=True)
class Shipment:
    """A shipment at a moment. ``whole``: the reader may see more than its parcels, which is all a carrier sees."""

    row: Row
    parcels: Sequence[Parcel]
    when: When
    whole: bool = True

    @property
    def overdue(self) -> bool:
        """Whether it should have arrived, and something in it is not confirmed."""
        expected_by = self.row["expected_by"]
        return (
            expected_by is not None
            and expected_by < self.when.as_of
            and any(parcel.row["state"] != "confirmed" for parcel in self.parcels)
        )


@dataclass(frozen=True)
class Seal:
    """A seal as last told of: put_on, intact, broken, missing, replaced or opened. ``put_on_at`` None: never told."""

    seal: str
    put_on_at: datetime | None
    state: str
    state_at: datetime


@dataclass(frozen=True)
class Packed:
    """A thing with its seals and all that is packed in it; ``row`` has what it is and, of a sample, its book mass."""

    row: Row
    seals: Sequence[Seal]
    contents: Sequence["Packed"]


@dataclass(frozen=True)
class PackingList:
    """A shipment's things as they were packed when it left; as they are at ``when`` while it has not."""

    row: Row
    packed_at: datetime
    contents: Sequence[Packed]
    when: When


def read(
    connection: sa.Connection, actor: Actor, now: datetime, code: str, as_of: datetime | None, known_on: datetime | None
) -> Shipment:
    """One shipment at a moment; NotFound where there is none that the actor may see: consignor, addressee, carrier,
    a side of its loan, the owner of what is in it, or who sees all."""
    when = documents.asked(as_of, known_on, now)
    row, whole = _found(connection, actor, code, when)
    held = shipments.parcels(connection, [code], when, now)
    until = {parcel["number"]: parcel["confirmed_at"] or when.as_of for parcel in held}
    last = shipments.last_words(connection, until, when)
    return Shipment(row, [_parcel(parcel, whole, last.get(parcel["number"])) for parcel in held], when, whole)


def page(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    when: When,
    *,
    consignor: str | None = None,
    addressee: str | None = None,
    state: str | None = None,
    after: str = "",
    limit: int = 50,
) -> list[Shipment]:
    """Up to ``limit`` shipments that the actor may see, in the order of their codes, behind ``after``; ``state`` is
    that of any parcel in it. Without the last words about the parcels."""
    asked: dict[str, Any] = {"consignor": consignor, "addressee": addressee, "state": state}
    visible = None if actor.sees_all else shipments.sees(actor.institutions)
    rows = shipments.page(connection, when, now, visible, **asked, after=after, limit=limit)
    held = _by_shipment(connection, rows, when, now)
    wholes = {row["code"]: _sees_whole(connection, actor, row, when) for row in rows}
    return [
        Shipment(row, [_parcel(parcel, wholes[code]) for parcel in held[code]], when, wholes[code])
        for row in rows
        for code in [row["code"]]
    ]


def arriving(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    when: When,
    institution: str,
    *,
    after: tuple[datetime, str] | None = None,
    limit: int = 50,
) -> list[tuple[Shipment, Sequence[Packed], str]]:
    """What is coming to an institution, a desk of it, or one that it took over from, and not confirmed wholly, the
    first expected in front, each with what is packed in it and who answers for the addressee. NotYourInstitution
    unless the actor is of it or sees all."""
    if institution not in actor.institutions and not actor.sees_all:
        raise errors.NotYourInstitution(institution=institution, pointer="/institution")
    heirs = successions.heirs(connection, when)
    rows = shipments.arriving(connection, when, now, heirs.family(institution), after=after, limit=limit)
    held = _by_shipment(connection, rows, when, now)
    found: list[tuple[Shipment, Sequence[Packed], str]] = []
    for row in rows:
        parcels = [Parcel(parcel) for parcel in held[row["code"]]]
        nest = _nest(connection, actor, row, [parcel.row["number"] for parcel in parcels], when, now, {})
        found.append((Shipment(row, parcels, when), nest, heirs.of(row["addressee"])))
    return found


def place_of(shipment: Shipment) -> tuple[datetime, str]:
    """Where a shipment stands among those that are coming: the ``after`` of the next one."""
    return shipment.row["expected_by"] or FOREVER, shipment.row["code"]


def packing_list(
    connection: sa.Connection, actor: Actor, now: datetime, code: str, as_of: datetime | None, known_on: datetime | None
) -> PackingList:
    """What is in what, with the seals told so far. A carrier sees the parcels, not what is in them. NotFound."""
    when = documents.asked(as_of, known_on, now)
    row, whole = _found(connection, actor, code, when)
    tops = sorted(shipments.contents(connection, code, when))
    packed_at = shipments.released_at(connection, code, tops, when) or when.as_of
    then = replace(when, as_of=packed_at)
    inner = [r["number"] for r in shipments.nested(connection, tops, then, now)] if whole else []
    seals = _seals(connection, [*tops, *inner], when, packed_at)
    nest = _nest(connection, actor, row, tops, then, now, seals, whole=whole)
    return PackingList(row, packed_at, nest, when)


# ----------------------------------------------------------------------------------------------------- who sees what
def _found(connection: sa.Connection, actor: Actor, code: str, when: When) -> tuple[Row, bool]:
    visible = None if actor.sees_all else shipments.sees(actor.institutions)
    row = shipments.in_force(connection, code, when, visible)
    if row is None:
        raise errors.NotFound(what="shipment", name=code)
    return row, _sees_whole(connection, actor, row, when)


def _sees_whole(connection: sa.Connection, actor: Actor, row: Row, when: When) -> bool:
    if actor.sees_all or row["carrier"] not in actor.institutions:
        return True
    return shipments.in_force(connection, row["code"], when, shipments.sees_whole(actor.institutions)) is not None


def _parcel(row: Row, whole: bool, last: Row | None = None) -> Parcel:
    """Where a parcel went after the addressee confirmed it is no matter of the shipment's; a carrier is not told
    what is in it."""
    hidden: dict[str, Any] = {}
    if row["state"] == "confirmed":
        hidden |= {"certain": None, "claimed": None}
    if not whole:
        hidden |= {"what": ""}
    return Parcel({**row, **hidden}, last)


def _by_shipment(connection: sa.Connection, rows: Sequence[Row], when: When, now: datetime) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {row["code"]: [] for row in rows}
    for parcel in shipments.parcels(connection, found, when, now):
        found[parcel["shipment"]].append(parcel)
    return found


# ------------------------------------------------------------------------------------------------------------ the nest
def _nest(
    connection: sa.Connection,
    actor: Actor,
    shipment: Row,
    tops: Collection[str],
    when: When,
    now: datetime,
    seals: Mapping[str, Sequence[Seal]],
    *,
    whole: bool = True,
) -> list[Packed]:
    """The tops and what is in them, as far as the consignor or the actor has to do with it."""
    below = shipments.nested(connection, tops, when, now) if whole else []
    parties = {shipment["consignor"], *actor.institutions}
    related = {number for number, _ in access.pairs_among(connection, {r["number"] for r in below}, parties)}
    children: dict[str, list[Row]] = defaultdict(list)
    for row in below:
        if actor.sees_all or row["number"] in related:
            children[row["parent"]].append(row)
    themselves = shipments.themselves(connection, tops, when, now)

    return [
        _packed(row if whole else {**row, "what": "", "mass_ng": None}, children, seals)
        for row in (themselves[number] for number in tops if number in themselves)
    ]


def _packed(row: Row, children: Mapping[str, Sequence[Row]], seals: Mapping[str, Sequence[Seal]]) -> Packed:
    inner = [_packed(child, children, seals) for child in children.get(row["number"], ())]
    return Packed(row, seals.get(row["number"], ()), inner)


def _seals(
    connection: sa.Connection, numbers: Collection[str], when: When, packed_at: datetime
) -> dict[str, list[Seal]]:
    told: dict[str, list[Told]] = defaultdict(list)
    for row in shipments.told_of(connection, numbers, when, ("sealed", "seal_checked", "opened")):
        told[row["item"]].append((row["kind"], row["happened_at"], row["said"]))
    return {number: seals_of(facts, packed_at) for number, facts in told.items()}


def seals_of(facts: Iterable[Told], packed_at: datetime) -> list[Seal]:
    """The seals of one thing by the facts about it, in order. What was opened before it was packed counts no more."""
    found: dict[str, Seal] = {}
    for kind, at, body in facts:
        if kind == "opened":
            opened = {name: replace(seal, state="opened", state_at=at) for name, seal in found.items()}
            found = opened if at > packed_at else {}
        elif kind == "sealed":
            found |= {name: Seal(name, at, "put_on", at) for name in body["seals"]}
        else:
            for checked in body["seals"]:
                before = found.get(checked["seal"])
                put_on_at = before.put_on_at if before else None
                found[checked["seal"]] = Seal(checked["seal"], put_on_at, checked["state"], at)
    return list(found.values())
