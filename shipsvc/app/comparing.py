"""Whether two samples are the same stuff: what both come from, since when they part, what each went through since."""

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

import sqlalchemy as sa

from shipsvc.app import access, exposure, items
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked
from shipsvc.domain import family
from shipsvc.domain.exposure import TimeOut
from shipsvc.domain.family import Made
from shipsvc.domain.times import Intervals
from shipsvc.store import item_states, ledger
from shipsvc.store.item_states import ITEM


@dataclass(frozen=True)
class Side:
    """One of the two: its time out, and of that what fell after the two parted: for sure, and at most."""

    number: str
    out: TimeOut
    least_since: Intervals
    most_since: Intervals


@dataclass(frozen=True)
class Common:
    """A nearest sample that both come from, and which share of either comes from it (None: not known)."""

    number: str
    shares: tuple[Fraction | None, ...]


@dataclass(frozen=True)
class Compared:
    """Two samples side by side; ``parted_at`` is when the first of what is in them left what both come from (None:
    they have nothing in common)."""

    sides: tuple[Side, Side]
    parted_at: datetime | None
    common: tuple[Common, ...]


def compare(connection: sa.Connection, actor: Actor, asked: Asked, one: str, other: str) -> Compared:
    """Two samples by their numbers or names. Of what both come from, what the actor does not see is left out.

    Raises as ``items.find`` does, for either.
    """
    found = [items.find(connection, actor, typed) for typed in (one, other)]
    for each in found:
        items.require_state(connection, actor, each, asked.as_of)
    numbers = [each.number for each in found]
    above = [ledger.relatives(connection, number, asked.moment, down=False) for number in numbers]
    made = [Made(row["child"], row["parent"], row["event_id"], row["mass_ng"]) for rows in above for row in rows]
    nearest = family.nearest_common(numbers[0], numbers[1], made)
    seen = item_states.visible_among(connection, nearest, access.sees(actor, ITEM.c.number)) if nearest else set()
    left = [row["born_at"] for rows in above for row in rows if row["parent"] in nearest]
    parted_at = min(left, default=None)
    out = exposure.time_out(connection, numbers, asked.as_of, asked.moment.known_on)
    sides = [_side(number, out[number], parted_at, asked.as_of) for number in numbers]
    common = [Common(n, tuple(family.share_of(number, n, made) for number in numbers)) for n in sorted(seen)]
    return Compared((sides[0], sides[1]), parted_at, tuple(common))


def _side(number: str, out: TimeOut, parted_at: datetime | None, as_of: datetime) -> Side:
    if parted_at is None:
        return Side(number, out, out.proven, out.possible)
    return Side(number, out, out.proven.clip(parted_at, as_of), out.possible.clip(parted_at, as_of))
