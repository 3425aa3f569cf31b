"""Whether what a shipment held stayed cold and dry: the conditions of each sample from its packing to its arrival."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import conditions, parcels
from shipsvc.app.access import Actor
from shipsvc.app.conditions import Conditions
from shipsvc.app.parcels import Packed
from shipsvc.store import descent
from shipsvc.store.documents import When
from shipsvc.store.engine import Row

#: On the way, made ready for it, or in the hands of whoever carries it.
UNDER_WAY = frozenset({"packed", "in_transit", "received"})


@dataclass(frozen=True)
class Trip:
    """A shipment, and the conditions of each sample that it held when it left."""

    code: str
    samples: dict[str, Conditions]


def of_shipment(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    code: str,
    as_of: datetime | None,
    known_on: datetime | None,
) -> Trip:
    """See module. NotFound as ``parcels.read``; a carrier, who sees parcels alone, is told of no sample."""
    packed = parcels.packing_list(connection, actor, now, code, as_of, known_on)
    shipment = parcels.read(connection, actor, now, code, as_of, known_on)
    samples = sorted(set(_samples(packed.contents)))
    arrived = [parcel.row["confirmed_at"] for parcel in shipment.parcels]
    until = packed.when.as_of if None in arrived or not arrived else min(max(arrived), packed.when.as_of)
    when = When(until, packed.when.known_on)
    since = _packed_at(descent.own_stays(connection, samples, when), packed.packed_at)
    return Trip(code, conditions.of_samples(connection, actor, samples, when, since) if samples else {})


def _samples(contents: Iterable[Packed]) -> Iterable[str]:
    for packed in contents:
        if packed.row["kind"] == "sample":
            yield packed.row["number"]
        yield from _samples(packed.contents)


def _packed_at(spans: Sequence[Row], left_at: datetime) -> datetime:
    """Since when the first of the samples was on its way or made ready for it, without a break, when it left."""
    since = left_at
    for row in sorted(spans, key=lambda span: span["from_at"], reverse=True):
        if row["from_at"] < since <= row["to_at"] and row["status"] in UNDER_WAY:
            since = row["from_at"]
    return since
