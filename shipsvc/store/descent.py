"""From which samples others were made, and where they all were: two SELECTs, however many are asked about."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store import moments
from shipsvc.store.derived import PARENTAGE
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import Collection as CollectionVersion
from shipsvc.store.tables import table
from shipsvc.store.tables_derived import Item

ITEM = table(Item)
COLLECTION = table(CollectionVersion)


def births(connection: sa.Connection, numbers: Collection[str], when: When) -> Sequence[Row]:
    """How the samples, and all that they descend from, were made: child, parent, born_at, as known then."""
    above = _above(numbers, when)
    wanted = sa.select(PARENTAGE.c.child, PARENTAGE.c.parent, PARENTAGE.c.born_at).where(
        PARENTAGE.c.child.in_(sa.select(above.c.number)), *_made(when.as_of, when)
    )
    return rows(connection, wanted.order_by(PARENTAGE.c.child, PARENTAGE.c.born_at, PARENTAGE.c.parent))


def stays(connection: sa.Connection, numbers: Collection[str], when: When) -> Sequence[Row]:
    """Where the samples, and all that they descend from, were until then, by item and time."""
    above = _above(numbers, when)
    return rows(connection, _stays(when).where(SPAN.c.item.in_(sa.select(above.c.number))))


def own_stays(
    connection: sa.Connection, numbers: Collection[str], when: When, *clauses: sa.ColumnElement[bool] | sa.TextClause
) -> Sequence[Row]:
    """The same of the samples alone, as far as the clauses on their spans let them be seen."""
    return rows(connection, _stays(when).where(SPAN.c.item.in_(numbers), *clauses))


def _stays(when: When) -> sa.Select[Any]:
    stay = (SPAN.c.item, SPAN.c.from_at, SPAN.c.to_at, SPAN.c.status, SPAN.c.place, SPAN.c.accessioned, SPAN.c.profile)
    told = (SPAN.c.from_at < when.as_of, moments.known(SPAN.c.known_from, SPAN.c.known_to, when))
    return sa.select(*stay).where(*told).order_by(SPAN.c.item, SPAN.c.from_at)


def falls(connection: sa.Connection, numbers: Collection[str], when: When) -> dict[str, datetime]:
    """When the material of the samples, and of all that they descend from, fell, where their collection says so."""
    above = _above(numbers, when)
    told = (COLLECTION.c.recorded_at <= when.known_on, COLLECTION.c.valid_from <= when.as_of)
    wanted = sa.select(ITEM.c.number, COLLECTION.c.fell_at).join_from(
        ITEM, COLLECTION, COLLECTION.c.code == ITEM.c.collection
    )
    found = rows(
        connection,
        wanted.where(ITEM.c.number.in_(sa.select(above.c.number)), *told).order_by(COLLECTION.c.version),
    )
    newest = {row["number"]: row["fell_at"] for row in found}
    return {number: fell_at for number, fell_at in newest.items() if fell_at is not None}


def _above(numbers: Collection[str], when: When) -> sa.CTE:
    """The samples and all their forebears, each once: UNION, so that a circle in the record ends the search."""
    above = sa.select(ITEM.c.number).where(ITEM.c.number.in_(numbers)).cte("above", recursive=True)
    parents = sa.select(PARENTAGE.c.parent).where(PARENTAGE.c.child == above.c.number, *_made(when.as_of, when))
    return above.union(parents)


def _made(by: datetime, when: When) -> tuple[sa.ColumnElement[bool], ...]:
    return PARENTAGE.c.born_at <= by, moments.known(PARENTAGE.c.known_from, PARENTAGE.c.known_to, when)
