"""The reserve of a collection: how it stands, how much may still be approved, and which acts broke its floor.

What is promised, and what acts on the reserve leave, is reckoned under one lock a collection (``store.requests``), so
that of two approvals of the last gram one wins. An act that breaks the floor is a fact: flagged and never refused.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Protocol

import sqlalchemy as sa

from shipsvc.app import items
from shipsvc.app.access import Actor
from shipsvc.app.decisions import AHEAD_TOLERATED
from shipsvc.app.documents import COLLECTION, TICK
from shipsvc.app.mass_balance import own_collection
from shipsvc.app.report_pages import Asked
from shipsvc.app.told import Told
from shipsvc.domain import errors
from shipsvc.domain.reserve import Standing, Stock, largest_ng
from shipsvc.store import documents as chains
from shipsvc.store import requests as store
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.reads import Moment
from shipsvc.store.tables import FOREVER

BELOW: Final = "below_reserve_floor"
#: What may lower a reserve: acts on the material, decisions on books, and what changes an earlier word of those.
_LOWERS: Final = frozenset(
    "used loss_noted divided combined embedded posted rebased written_off lost_decided reserve_set"
    " confirmed amended".split()
)


@dataclass(frozen=True)
class Reserve:
    """A collection and its reserve at a moment: the document in force, how the reserve stands, the samples of it with
    their books, and what is promised of the collection."""

    collection: Row
    standing: Standing
    samples: Mapping[str, int | None]
    promises: Sequence[Row]

    def promised_of(self, sample: str) -> int:
        """What is promised of one sample, in ng."""
        return sum(row["mass_ng"] or 0 for row in self.promises if row["sample"] == sample)


@dataclass(frozen=True)
class Headroom:
    """The answer to "can I approve that?": how the reserve stands, and of one sample (None: none was named) what it
    holds, the most that may be promised of it, and whether the mass that was asked about may be."""

    reserve: Reserve
    sample: str | None
    stock: Stock | None
    largest_ng: int
    asked_ng: int | None

    @property
    def allowed(self) -> bool | None:
        """Whether that much may be promised; None where no mass was asked about."""
        return None if self.asked_ng is None else self.asked_ng <= self.largest_ng


class Recorded(Protocol):
    """A fact about to be written, as ``record`` has it."""

    told: Told
    row: dict[str, Any]
    flags: dict[str, str]
    kept: dict[str, str]
    old_items: frozenset[str]

    @property
    def numbers(self) -> set[str]:
        """Every number the fact names."""


# ------------------------------------------------------------------------------------------------------------- reckoned
def now_locked(connection: sa.Connection, collection: str, now: datetime) -> Reserve:
    """How the reserve stands, once no other transaction is about to change it, and until this one ends.

    A promise whose day is still to come is made all the same, and a clock that is a little ahead is no lie.
    """
    store.hold_reserve(connection, [collection])
    at = now + AHEAD_TOLERATED
    made = store.open_promises(connection, collection, When(FOREVER, FOREVER), now)
    return _reserve(connection, collection, Moment(at, None, is_now=True), When(at, FOREVER), made)


def at(connection: sa.Connection, collection: str, asked: Asked) -> Reserve:
    """How the reserve stood at a moment, by what was known then."""
    when = When(asked.as_of, asked.moment.known_on or FOREVER)
    made = store.open_promises(connection, collection, when, asked.as_of)
    return _reserve(connection, collection, asked.moment, when, made)


def _reserve(connection: sa.Connection, code: str, moment: Moment, when: When, promises: Sequence[Row]) -> Reserve:
    row = chains.in_force(connection, COLLECTION.chain, code, when)
    if row is None:
        raise errors.NotFound(what="collection", name=code)
    samples = {span["item"]: span["mass_ng"] for span in store.reserve_spans(connection, code, moment)}
    standing = Standing(
        accession_ng=store.accession_ng(connection, code, moment),
        floor_ppm=row["reserve_floor_ppm"],
        reserve_ng=sum(ng or 0 for ng in samples.values()),
        promised_ng=sum(promise["mass_ng"] or 0 for promise in promises if promise["sample"] in samples),
    )
    return Reserve(row, standing, samples, promises)


def stock_of(connection: sa.Connection, reserve: Reserve, sample: str, moment: Moment) -> Stock:
    """What one sample holds and is promised."""
    span = store.stock_span(connection, sample, moment)
    mass_ng = span["mass_ng"] if span else None
    return Stock(mass_ng, reserve.promised_of(sample), sample in reserve.samples)


# ---------------------------------------------------------------------------------------------------------------- asked
def headroom(
    connection: sa.Connection, actor: Actor, asked: Asked, code: str, typed: str | None, mass_ng: int | None
) -> Headroom:
    """Whether ``mass_ng`` may be promised of a sample (None: of the reserve as a whole), and the most that may be.

    For the owner's people and those who see all. NotFound for a collection that is not theirs, or a sample that is not
    of it; raises as ``items.find`` does.
    """
    own_collection(connection, actor, asked, code)
    found = at(connection, code, asked)
    if typed is None:
        return Headroom(found, None, None, max(0, found.standing.headroom_ng), mass_ng)
    item = items.find(connection, actor, typed)
    if item.row["collection"] != code:
        raise errors.NotFound(what=f"sample of {code}", name=typed, pointer="/sample")
    stock = stock_of(connection, found, item.number, asked.moment)
    return Headroom(found, item.number, stock, largest_ng(stock, found.standing), mass_ng)


# -------------------------------------------------------------------------------------------------------------- watched
def flag_floor(
    connection: sa.Connection,
    facts: Sequence[Recorded],
    resolved: Mapping[str, tuple[str, ...]],
    changed: Collection[str],
    recorded_at: datetime,
) -> None:
    """Flag the acts that leave a reserve with less than must stay. Its owner is told so in the answer; to whoever else
    told the act it is nothing (rulings 16)."""
    acts = [fact for fact in facts if fact.told.kind in _LOWERS]
    touched = store.reserves_touched(connection, changed, recorded_at) if acts and changed else {}
    for code in sorted(set(touched.values())):
        found = now_locked(connection, code, recorded_at)
        if not found.standing.is_below_floor or not _went_down(connection, code, found, recorded_at):
            continue
        for fact in acts:
            meant = {*resolved.get(fact.told.amends or fact.told.id, ()), *fact.numbers, *fact.old_items}
            if any(touched.get(item) == code for item in meant):
                own = fact.told.acting_for == found.collection["owner"]
                (fact.flags if own else fact.kept)[BELOW] = f"the reserve of {code} holds less than must stay"


def _went_down(connection: sa.Connection, code: str, found: Reserve, recorded_at: datetime) -> bool:
    """Whether the reserve holds less than was known just before: what is put into one that is short breaks nothing."""
    before = Moment(recorded_at + AHEAD_TOLERATED, recorded_at - TICK, is_now=False)
    spans = store.reserve_spans(connection, code, before)
    return found.standing.reserve_ng < sum(span["mass_ng"] or 0 for span in spans)
