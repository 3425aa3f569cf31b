"""What samples were in, and that in, and so on; what was in a container or a place once; what was made of it since.

One SELECT each, however many are asked about.
"""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store import moments
from shipsvc.store.among import among
from shipsvc.store.derived import PARENTAGE
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.reads import EVER, ITEM, Clause, is_sample
from shipsvc.store.spans import SPAN


def nests(connection: sa.Connection, numbers: Collection[str], when: When) -> Sequence[Row]:
    """Of the items and of all that any of them was ever in: item, from_at, to_at, parent, closed, as known then.

    A container's spans are all there, also from before the sample was put into it: who asks cuts them.
    """
    if not numbers:
        return []
    known = moments.known(SPAN.c.known_from, SPAN.c.known_to, when)
    told = sa.and_(SPAN.c.from_at < when.as_of, known)
    begun = sa.select(ITEM.c.number.label("item")).where(among(ITEM.c.number)).cte("around", recursive=True)
    around = begun.union(sa.select(SPAN.c.parent).where(SPAN.c.item == begun.c.item, SPAN.c.parent.is_not(None), told))
    wanted = (
        sa.select(SPAN.c.item, SPAN.c.from_at, SPAN.c.to_at, SPAN.c.parent, SPAN.c.closed)
        .where(SPAN.c.item.in_(sa.select(around.c.item)), told)
        .order_by(SPAN.c.item, SPAN.c.from_at)
    )
    return rows(connection, wanted, some=numbers)


def within(
    connection: sa.Connection, containers: Collection[str], begin: datetime, end: datetime, when: When
) -> set[str]:
    """The samples that were in any of the containers at any time between two moments, however deep; as known then.

    A little too many: what left a vial before the vial was put into the box is not told apart here.
    """
    if not containers:
        return set()
    known = moments.known(SPAN.c.known_from, SPAN.c.known_to, when)
    then = sa.and_(SPAN.c.parent.is_not(None), SPAN.c.from_at < end, SPAN.c.to_at > begin, known)
    first = sa.select(SPAN.c.item).where(among(SPAN.c.parent), then).cte("inside", recursive=True)
    inside = first.union(sa.select(SPAN.c.item).where(SPAN.c.parent == first.c.item, then))
    wanted = sa.select(ITEM.c.number).where(ITEM.c.kind == "sample", ITEM.c.number.in_(sa.select(inside.c.item)))
    found = rows(connection, wanted, some=containers)
    here = rows(
        connection, sa.select(ITEM.c.number).where(ITEM.c.kind == "sample", among(ITEM.c.number)), some=containers
    )
    return {row["number"] for row in (*found, *here)}


def stored_in(
    place: str, begin: datetime, end: datetime, when: When, after: str, limit: int, *clauses: Clause
) -> sa.Select[Any]:
    """The samples that were in store in a place at any time between two moments, in the order of items."""
    wanted = (
        sa.select(SPAN.c.item)
        .distinct()
        .where(
            EVER,
            SPAN.c.place == place,
            SPAN.c.item > after,
            SPAN.c.status == "stored",
            SPAN.c.from_at < end,
            SPAN.c.to_at > begin,
            moments.known(SPAN.c.known_from, SPAN.c.known_to, when),
            is_sample(),
            *clauses,
        )
    )
    return wanted.order_by(SPAN.c.item).limit(limit)


def born_since(connection: sa.Connection, numbers: Collection[str], since: datetime, when: When) -> Sequence[Row]:
    """What was made of the samples after ``since``, and of that, and so on: (origin, child), as known then."""
    if not numbers:
        return []
    made = sa.and_(
        PARENTAGE.c.born_at > since,
        PARENTAGE.c.born_at <= when.as_of,
        moments.known(PARENTAGE.c.known_from, PARENTAGE.c.known_to, when),
    )
    first = (
        sa.select(PARENTAGE.c.parent.label("origin"), PARENTAGE.c.child.label("child"))
        .where(among(PARENTAGE.c.parent), made)
        .cte("made", recursive=True)
    )
    later = sa.select(first.c.origin, PARENTAGE.c.child).where(PARENTAGE.c.parent == first.c.child, made)
    return rows(connection, sa.select(first.union(later)), some=numbers)
