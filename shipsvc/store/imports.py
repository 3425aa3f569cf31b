"""What an import looks up and writes for many rows at once."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from shipsvc.store.among import among
from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import Alias, BalanceVersion, Event, PackagingPrefix, Place, table
from shipsvc.store.tables import Collection as CollectionVersion

ALIAS = table(Alias)
BALANCE = table(BalanceVersion)
COLLECTION = table(CollectionVersion)
EVENT = table(Event)
PLACE = table(Place)
PREFIX = table(PackagingPrefix)

_ALIASES = sa.select(ALIAS.c.alias, ALIAS.c.item).where(
    ALIAS.c.institution == sa.bindparam("institution"), among(ALIAS.c.alias)
)
_TOLD = sa.select(EVENT.c.id, EVENT.c.actor, EVENT.c.acting_for, EVENT.c.subjects).where(among(EVENT.c.id))
_ADD_ALIASES = sa.insert(ALIAS)


def prefixes(connection: sa.Connection, institution: str) -> dict[str, str | None]:
    """The prefixes of an institution's numbers, and of which collection each is; None for packaging."""
    packaging = sa.select(PREFIX.c.prefix).where(PREFIX.c.institution == institution)
    samples = sa.select(COLLECTION.c.prefix, COLLECTION.c.code).where(COLLECTION.c.owner == institution)
    found: dict[str, str | None] = dict.fromkeys(connection.execute(packaging).scalars())
    return found | {row.prefix: row.code for row in connection.execute(samples)}


def codes(connection: sa.Connection, chain: sa.Table, institution: str) -> frozenset[str]:
    """The codes of all documents of a kind that concern an institution."""
    wanted = sa.select(chain.c.code).where(chain.c.institution == institution).distinct()
    return frozenset(connection.execute(wanted).scalars())


def aliases(connection: sa.Connection, institution: str, names: Collection[str]) -> dict[str, str]:
    """The items that go by the names at an institution, by name."""
    found = connection.execute(_ALIASES, {"institution": institution, "some": list(names)})
    return {row.alias: row.item for row in found}


def add_aliases(connection: sa.Connection, added: Sequence[Mapping[str, Any]]) -> None:
    """Note other names of items."""
    if added:
        connection.execute(_ADD_ALIASES, list(added))


def told(connection: sa.Connection, ids: Collection[str]) -> dict[str, Row]:
    """Those of the facts that are in the log: who told them, for whom, of what."""
    return {row["id"]: row for row in rows(connection, _TOLD, some=ids)}
