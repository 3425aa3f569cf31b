"""Requests and promises: the versions in force, and the sums that a reserve is reckoned from."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store import documents, locks
from shipsvc.store.derived import MOVE
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.reads import AT_LAST, ITEM, Moment
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import Collection as CollectionVersion
from shipsvc.store.tables import table
from shipsvc.store.tables_derived import TAKEN_IN_SQL
from shipsvc.store.tables_requests import Promise, Request

REQUEST = table(Request)
PROMISE = table(Promise)
COLLECTION = table(CollectionVersion)
#: What the reserve of a collection may be changed by is reckoned by one transaction at a time.
_LOCK = "reserve {}"
#: More than any collection has open at once.
_ALL = 100_000


def hold_reserve(connection: sa.Connection, collections: Collection[str]) -> None:
    """Let no other transaction promise of these collections, or lower their reserve, until this one has ended.

    Taken after the locks of items, and of requests: never the other way round.
    """
    locks.hold(connection, *(_LOCK.format(code) for code in collections))


def promises(connection: sa.Connection, when: When, clause: sa.ColumnElement[bool]) -> Sequence[Row]:
    """The promises that meet the clause, each in the version in force, in the order of requests and lines."""
    found = documents.page(connection, PROMISE, when, after="", limit=_ALL, visible=clause)
    return sorted(found, key=lambda row: (row["request"], row["line"]))


def open_promises(connection: sa.Connection, collection: str, when: When, at: datetime) -> Sequence[Row]:
    """What is promised of a collection at the moment and was neither freed nor cut, nor has run out ``at``."""
    runs = sa.or_(PROMISE.c.expires_at.is_(None), PROMISE.c.expires_at > at)
    return promises(connection, when, sa.and_(PROMISE.c.collection == collection, PROMISE.c.state == "promised", runs))


def accession_ng(connection: sa.Connection, collection: str, moment: Moment) -> int:
    """What the samples of a collection were taken in with, after re-basis (rulings 18): what came out of the accounts
    origin and rebasis, less what went back."""
    return sum(
        sign * int(connection.execute(taken_in(collection, moment, mine, other)).scalar_one() or 0)
        for mine, other, sign in (("to", "from", 1), ("from", "to", -1))
    )


def taken_in(collection: str, moment: Moment, mine: str, other: str) -> sa.Select[Any]:
    """What came out of the accounts origin and rebasis (``mine`` "to", ``other`` "from"), or went back into them.

    Added up by sample first: so that the few moves that take something in are read, and not all that was ever moved in
    the collection, while others wait for the lock.
    """
    known = moment.known_on or AT_LAST
    item = MOVE.c[f"{mine}_item"]
    moved = sa.select(item.label("item"), sa.func.sum(MOVE.c.mass_ng).label("ng"))
    moved = moved.where(
        sa.text(f"({TAKEN_IN_SQL})"),
        MOVE.c[f"{other}_account"].in_(("origin", "rebasis")),
        MOVE.c.happened_at <= moment.as_of,
        MOVE.c.known_from <= known,
        MOVE.c.known_to > known,
    )
    by_sample = moved.group_by(item).subquery("by_sample")
    joined = by_sample.join(ITEM, ITEM.c.number == by_sample.c.item)
    return sa.select(sa.func.sum(by_sample.c.ng)).select_from(joined).where(ITEM.c.collection == collection)


def reserve_spans(connection: sa.Connection, collection: str, moment: Moment) -> Sequence[Row]:
    """The samples of a collection's reserve as they stand at the moment: ``item``, ``mass_ng``; in order."""
    wanted = (
        sa.select(SPAN.c.item, SPAN.c.mass_ng)
        .select_from(SPAN.join(ITEM, ITEM.c.number == SPAN.c.item))
        .where(ITEM.c.collection == collection, sa.text("reserve"), moment.holds_for(SPAN))
    )
    return rows(connection, wanted.order_by(SPAN.c.item))


def stock_span(connection: sa.Connection, item: str, moment: Moment) -> Row | None:
    """How one sample stands: ``mass_ng``, ``reserve``, ``handover``."""
    wanted = sa.select(SPAN.c.mass_ng, SPAN.c.reserve, SPAN.c.handover)
    return first_row(connection, wanted.where(SPAN.c.item == item, moment.holds_for(SPAN)))


def reserves_touched(connection: sa.Connection, items: Collection[str], recorded_at: datetime) -> dict[str, str]:
    """Of these items, those that belong to a reserve by what is known now, or did until ``recorded_at``; each with its
    collection."""
    wanted = (
        sa.select(SPAN.c.item, ITEM.c.collection)
        .distinct()
        .select_from(SPAN.join(ITEM, ITEM.c.number == SPAN.c.item))
        .where(
            SPAN.c.item.in_(items),
            sa.text("reserve"),
            SPAN.c.known_to >= recorded_at,
            ITEM.c.collection.is_not(None),
        )
    )
    return {row["item"]: row["collection"] for row in rows(connection, wanted)}


def owners(connection: sa.Connection, collections: Collection[str]) -> dict[str, str]:
    """Whose each of the collections is; that never changes."""
    wanted = sa.select(COLLECTION.c.code, COLLECTION.c.owner).distinct().where(COLLECTION.c.code.in_(collections))
    return {row["code"]: row["owner"] for row in rows(connection, wanted)}


def institutions_of(connection: sa.Connection, requests: Collection[str]) -> dict[str, str]:
    """Which institution made each request; that never changes."""
    wanted = sa.select(REQUEST.c.code, REQUEST.c.institution).distinct().where(REQUEST.c.code.in_(requests))
    return {row["code"]: row["institution"] for row in rows(connection, wanted)}
