"""Items by number, their locks and aliases, and whose a prefix is."""

from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from shipsvc.store.among import among
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.tables import Alias, PackagingPrefix, table
from shipsvc.store.tables import Collection as CollectionVersion
from shipsvc.store.tables_derived import Item

ITEM = table(Item)
ALIAS = table(Alias)
PREFIX = table(PackagingPrefix)
COLLECTION = table(CollectionVersion)
#: Which names may be used to find the items in a column.
Names = Callable[[sa.FromClause, sa.ColumnElement[str]], sa.ColumnElement[bool]]

# Statements of the write path are made once: building one takes longer than running it.
_AMONG = among(ITEM.c.number)
_BY_NUMBERS = sa.select(ITEM).where(_AMONG)
_NEWEST = sa.select(sa.func.max(ITEM.c.newest_recorded_at)).where(_AMONG)
_LOCK = sa.select(ITEM.c.newest_recorded_at).where(_AMONG).order_by(ITEM.c.number).with_for_update()
_ADD = {
    "postgresql": postgresql.insert(ITEM).on_conflict_do_nothing(),
    "sqlite": sqlite.insert(ITEM).on_conflict_do_nothing(),
}
_DESCRIBE = sa.update(ITEM).where(ITEM.c.number == sa.bindparam("which"))
_TOUCH = sa.update(ITEM).where(_AMONG).values(newest_recorded_at=sa.bindparam("newest"))


def by_numbers(connection: sa.Connection, numbers: Collection[str]) -> dict[str, Row]:
    """Those of the items that are there."""
    return {row["number"]: row for row in rows(connection, _BY_NUMBERS, some=numbers)}


def lock(connection: sa.Connection, numbers: Collection[str]) -> datetime | None:
    """Lock the items in sorted order and return the newest time anything was recorded about one of them.

    On SQLite the transaction already holds the only write lock there is.
    """
    some = {"some": list(numbers)}
    if connection.dialect.name == "sqlite":
        found: datetime | None = connection.execute(_NEWEST, some).scalar_one_or_none()
        return found
    return max(connection.execute(_LOCK, some).scalars(), default=None)


def add(connection: sa.Connection, rows: list[dict[str, Any]]) -> None:
    """Add items; one that another transaction added meanwhile is left as it is."""
    if rows:
        connection.execute(_ADD[connection.dialect.name], sorted(rows, key=lambda r: str(r["number"])))


def describe(connection: sa.Connection, number: str, **columns: Any) -> None:
    """Write what the registration of an item says of it."""
    connection.execute(_DESCRIBE, {"which": number, **columns})


def touch(connection: sa.Connection, numbers: Collection[str], recorded_at: datetime) -> None:
    """Remember when something was last recorded about the items."""
    connection.execute(_TOUCH, {"some": list(numbers), "newest": recorded_at})


def prefix_owners(connection: sa.Connection, prefixes: Collection[str]) -> dict[str, tuple[str, str | None]]:
    """Whose a prefix is: (owner, collection); packaging prefixes belong to no collection."""
    packaging = sa.select(PREFIX.c.prefix, PREFIX.c.institution).where(PREFIX.c.prefix.in_(prefixes))
    newest = sa.select(COLLECTION.c.prefix, COLLECTION.c.owner, COLLECTION.c.code).where(
        COLLECTION.c.prefix.in_(prefixes)
    )
    found = {p: (owner, None) for p, owner in connection.execute(packaging)}
    return {
        **found,
        **{p: (owner, code) for p, owner, code in connection.execute(newest.order_by(COLLECTION.c.version))},
    }


def collection_zones(connection: sa.Connection, numbers: Collection[str]) -> set[str]:
    """The zones of the collections that the items belong to."""
    newer = COLLECTION.alias("newer")
    newest = sa.select(sa.func.max(newer.c.version)).where(newer.c.code == COLLECTION.c.code).scalar_subquery()
    joined = ITEM.join(COLLECTION, COLLECTION.c.code == ITEM.c.collection)
    wanted = sa.select(COLLECTION.c.zone).select_from(joined).where(ITEM.c.number.in_(numbers))
    return set(connection.execute(wanted.where(COLLECTION.c.version == newest)).scalars())


def add_alias(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Note that an item goes by another name at an institution."""
    connection.execute(sa.insert(ALIAS).values(**row))


def alias(connection: sa.Connection, institution: str, name: str) -> Row | None:
    """Which item goes by that name at the institution."""
    return first_row(connection, sa.select(ALIAS).where(ALIAS.c.institution == institution, ALIAS.c.alias == name))


def aliases(connection: sa.Connection, number: str, institutions: Collection[str] | None) -> Sequence[Row]:
    """Other names that an item goes by, at the institutions (None: at any)."""
    wanted = sa.select(ALIAS).where(ALIAS.c.item == number)
    if institutions is not None:
        wanted = wanted.where(ALIAS.c.institution.in_(institutions))
    return rows(connection, wanted.order_by(ALIAS.c.institution, ALIAS.c.alias))


def called(connection: sa.Connection, name: str, visible: Names) -> list[str]:
    """The items that go by a name, where that name is visible."""
    wanted = sa.select(ALIAS.c.item).distinct().where(ALIAS.c.alias == name, visible(ALIAS, ALIAS.c.item))
    return list(connection.execute(wanted.order_by(ALIAS.c.item)).scalars())
