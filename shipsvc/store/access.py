"""The SQL of who may see what: an institution sees an item it has to do with (app.access decides who asks)."""

from collections.abc import Collection, Iterable

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from shipsvc.store.tables import table
from shipsvc.store.tables_derived import Item, ItemParty

PARTY = table(ItemParty)
ITEM = table(Item)


def related(item: sa.ColumnElement[str], institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: one of the institutions has to do with the item."""
    return sa.exists().where(PARTY.c.item == item, PARTY.c.institution.in_(institutions))


def concerned(institution: sa.ColumnElement[str], institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: the institution is one of those, or has to do with an item of a collection that one of those owns."""
    owned = ITEM.join(PARTY, PARTY.c.item == ITEM.c.number)
    theirs = (PARTY.c.institution == institution, ITEM.c.collection.is_not(None), ITEM.c.owner.in_(institutions))
    return sa.or_(institution.in_(institutions), sa.exists().select_from(owned).where(*theirs))


def relate(connection: sa.Connection, pairs: Iterable[tuple[str, str]]) -> None:
    """Note that institutions have to do with items, as (item, institution) pairs; known ones are left alone."""
    rows = [{"item": item, "institution": institution} for item, institution in sorted(set(pairs))]
    if rows:
        insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
        connection.execute(insert(PARTY).on_conflict_do_nothing(), rows)


def pairs_among(
    connection: sa.Connection, items: Collection[str], institutions: Collection[str]
) -> set[tuple[str, str]]:
    """Which of the institutions have to do with which of the items, as (item, institution) pairs."""
    wanted = sa.select(PARTY.c.item, PARTY.c.institution).where(
        PARTY.c.item.in_(items), PARTY.c.institution.in_(institutions)
    )
    return {(row.item, row.institution) for row in connection.execute(wanted)}
