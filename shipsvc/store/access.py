"""The SQL of who may see what: an institution sees an item it has to do with (app.access decides who asks)."""

from collections.abc import Collection, Iterable

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from shipsvc.store.among import among
from shipsvc.store.tables import table
from shipsvc.store.tables_derived import Item, ItemParty

PARTY = table(ItemParty)
ITEM = table(Item)

# Statements of the write path are made once: building one takes longer than running it.
_RELATE = {
    "postgresql": postgresql.insert(PARTY).on_conflict_do_nothing(),
    "sqlite": sqlite.insert(PARTY).on_conflict_do_nothing(),
}
_PAIRS = sa.select(PARTY.c.item, PARTY.c.institution).where(
    among(PARTY.c.item, "items"), among(PARTY.c.institution, "institutions")
)


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
        connection.execute(_RELATE[connection.dialect.name], rows)


def pairs_among(
    connection: sa.Connection, items: Collection[str], institutions: Collection[str]
) -> set[tuple[str, str]]:
    """Which of the institutions have to do with which of the items, as (item, institution) pairs."""
    found = connection.execute(_PAIRS, {"items": list(items), "institutions": list(institutions)})
    return {(item, institution) for item, institution in found}
