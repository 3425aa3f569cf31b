"""Which samples a version of a balance, or of what a collection allows, can judge otherwise."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store.events import EVENT, EVENT_ITEM
from shipsvc.store.mass import EVENT_BALANCE
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import Item

ITEM = table(Item)
#: Facts that an allowance decides on.
JUDGED = ("weighed", "divided", "combined")


def valid_from(connection: sa.Connection, chain: sa.Table, code: str) -> Sequence[datetime]:
    """Since when each version of a document holds."""
    return connection.execute(sa.select(chain.c.valid_from).where(chain.c.code == code)).scalars().all()


def by_balance(connection: sa.Connection, code: str, since: datetime) -> dict[str, datetime]:
    """The items that facts in force from ``since`` on bear on which name the balance, each with the first of those."""
    original = sa.func.coalesce(EVENT.c.amends, EVENT.c.id)
    named = sa.select(original).join(EVENT_BALANCE, EVENT_BALANCE.c.event_id == EVENT.c.id)
    return _first(
        connection, since, EVENT_ITEM, EVENT_ITEM.c.event_id.in_(named.where(EVENT_BALANCE.c.balance == code))
    )


def in_collection(connection: sa.Connection, code: str, owner: str, since: datetime) -> dict[str, datetime]:
    """The items of a collection that were weighed, divided or mixed from ``since`` on, each with the first of those."""
    joined = EVENT_ITEM.join(ITEM, ITEM.c.number == EVENT_ITEM.c.item)
    mine = (ITEM.c.owner == owner, ITEM.c.collection == code, EVENT_ITEM.c.kind.in_(JUDGED))
    return _first(connection, since, joined, *mine)


def _first(
    connection: sa.Connection, since: datetime, source: sa.FromClause, *where: sa.ColumnElement[bool]
) -> dict[str, datetime]:
    wanted = sa.select(EVENT_ITEM.c.item, sa.func.min(EVENT_ITEM.c.happened_at)).select_from(source)
    wanted = wanted.where(*where, EVENT_ITEM.c.happened_at >= since, EVENT_ITEM.c.known_to == FOREVER)
    found = connection.execute(wanted.group_by(EVENT_ITEM.c.item))
    return {row[0]: row[1] for row in found}
