"""The family of a sample: what it was made of and what was made of it, in which shares, and what became of each."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

import sqlalchemy as sa

from shipsvc.app import access, items
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked
from shipsvc.domain import family
from shipsvc.domain.family import Made, Origin
from shipsvc.store import item_states, ledger
from shipsvc.store import items as stored
from shipsvc.store.engine import Row
from shipsvc.store.item_states import ITEM
from shipsvc.store.reads import Moment


@dataclass(frozen=True)
class Relative:
    """One sample of a family: its row, whether it has ended, and in ng its book and what was used of it until then.

    What somebody else has meanwhile is None to whoever does not own it.
    """

    row: Row
    ended: bool | None = None
    mass_ng: int | None = None
    used_weighed_ng: int | None = None
    used_estimated_ng: int | None = None


@dataclass(frozen=True)
class Step:
    """That a sample was made from another: when, by which fact, with how many ng of it and which share that is."""

    made: Made
    born_at: datetime
    share: Fraction | None


@dataclass(frozen=True)
class Family:
    """What is seen of the family of an item, oldest first, and the first samples that it comes from."""

    number: str
    members: list[Relative]
    steps: list[Step]
    origins: list[Origin]


def of(connection: sa.Connection, actor: Actor, asked: Asked, typed: str) -> Family:
    """The family of a sample, up and down. Whoever does not own it sees those of it that they have to do with.

    Raises as ``items.find`` does.
    """
    found = items.find(connection, actor, typed)
    items.require_state(connection, actor, found, asked.as_of)
    when = asked.moment
    above = ledger.relatives(connection, found.number, when, down=False)
    below = ledger.relatives(connection, found.number, when, down=True)
    # Of a mixture among the descendants, the shares need its other parents too.
    beside = ledger.parents(connection, {row["child"] for row in below}, when)
    rows = {(row["child"], row["parent"], row["event_id"]): row for row in [*above, *below, *beside]}
    numbers = {found.number} | {row[side] for row in rows.values() for side in ("child", "parent")}
    visible = item_states.visible_among(connection, numbers, access.sees(actor, ITEM.c.number))
    seen = stored.by_numbers(connection, visible)
    made = [_made(row) for row in rows.values()]
    shares = family.shares(made)
    steps = [
        Step(one, row["born_at"], shares[one.child, one.parent])
        for one, row in zip(made, rows.values(), strict=True)
        if one.child in seen and one.parent in seen
    ]
    origins = [o for o in family.origins(found.number, made) if {o.item, *o.via} <= seen.keys()]
    theirs = {number for number in seen if items.sees_state(connection, actor, seen[number], asked.as_of)}
    return Family(found.number, _relatives(connection, seen, theirs, when), steps, origins)


def _relatives(
    connection: sa.Connection, seen: Mapping[str, Row], theirs: Collection[str], when: Moment
) -> list[Relative]:
    books, used = ledger.books(connection, theirs, when), ledger.used(connection, theirs, when)
    found = []
    for number, row in sorted(seen.items()):
        span = books.get(number)
        if number not in theirs or span is None:
            found.append(Relative(row))
            continue
        spent = (used.get((number, account), 0) for account in ("used_weighed", "used_estimated"))
        found.append(Relative(row, span["handover"] == "ended", span["mass_ng"], *spent))
    return found


def pure(connection: sa.Connection, number: str, when: Moment) -> Collection[str]:
    """The sample and all that was made of it alone, by then."""
    below = ledger.relatives(connection, number, when, down=True)
    return family.pure(number, _all(ledger.parents(connection, {row["child"] for row in below}, when)))


def _all(rows: Iterable[Row]) -> list[Made]:
    return [_made(row) for row in rows]


def _made(row: Row) -> Made:
    return Made(row["child"], row["parent"], row["event_id"], row["mass_ng"])
