"""Number series: whose a prefix is, how far its numbers have been given out, and blocks given out ahead."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from shipsvc.domain import codes
from shipsvc.store import locks
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.tables import Collection as CollectionVersion
from shipsvc.store.tables import NumberBlock, PackagingPrefix, table
from shipsvc.store.tables_derived import Item, NumberCounter

ITEM = table(Item)
BLOCK = table(NumberBlock)
PREFIX = table(PackagingPrefix)
COUNTER = table(NumberCounter)
COLLECTION = table(CollectionVersion)


def hold(connection: sa.Connection, prefix: str) -> None:
    """Let no other transaction claim the prefix or give out its numbers until this one ends."""
    locks.hold(connection, f"prefix {prefix}")


# --------------------------------------------------------------------------------------------------------- prefixes
def claim(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Note that an institution numbers its packaging under a prefix."""
    connection.execute(sa.insert(PREFIX).values(**row))


def claims(connection: sa.Connection, institutions: Collection[str] | None, *, after: str, limit: int) -> Sequence[Row]:
    """Packaging prefixes of the institutions, or of all for None, in their order."""
    wanted = sa.select(PREFIX).where(PREFIX.c.prefix > after).order_by(PREFIX.c.prefix).limit(limit)
    return rows(connection, wanted if institutions is None else wanted.where(PREFIX.c.institution.in_(institutions)))


def sample_prefixes(connection: sa.Connection, owners: Collection[str]) -> dict[str, str]:
    """The prefixes under which the institutions number samples of their collections, and whose each is."""
    newer = COLLECTION.alias("newer")
    newest = sa.select(sa.func.max(newer.c.version)).where(newer.c.code == COLLECTION.c.code).scalar_subquery()
    wanted = sa.select(COLLECTION.c.prefix, COLLECTION.c.owner).where(COLLECTION.c.owner.in_(owners))
    found = rows(connection, wanted.where(COLLECTION.c.version == newest).order_by(COLLECTION.c.prefix))
    return {row["prefix"]: row["owner"] for row in found}


# --------------------------------------------------------------------------------------------------------- counters
def last_serial(connection: sa.Connection, prefix: str) -> int:
    """The last serial given out under a prefix, 0 before the first. Hold the prefix first."""
    found = connection.execute(sa.select(COUNTER.c.last_serial).where(COUNTER.c.prefix == prefix)).scalar()
    return int(found or 0)


def advance(connection: sa.Connection, prefix: str, owner: str, serial: int) -> None:
    """Note how far the numbers of a prefix have been given out."""
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    row = insert(COUNTER).values(prefix=prefix, owner=owner, last_serial=serial)
    connection.execute(row.on_conflict_do_update(index_elements=[COUNTER.c.prefix], set_={"last_serial": serial}))


def known_among(connection: sa.Connection, numbers: Collection[str]) -> set[str]:
    """Those of the numbers that an item goes by, registered or not."""
    return set(connection.execute(sa.select(ITEM.c.number).where(ITEM.c.number.in_(numbers))).scalars())


# ----------------------------------------------------------------------------------------------------------- blocks
def add_block(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Note that the numbers of a block were given to an institution."""
    connection.execute(sa.insert(BLOCK).values(**row))


def block(connection: sa.Connection, block_id: str, visible: sa.ColumnElement[bool]) -> Row | None:
    """One block, if it is visible."""
    return first_row(connection, sa.select(BLOCK).where(BLOCK.c.id == block_id, visible))


def blocks(
    connection: sa.Connection,
    visible: sa.ColumnElement[bool],
    *,
    prefix: str | None,
    institution: str | None,
    after: tuple[str, int],
    limit: int,
) -> Sequence[Row]:
    """Blocks behind the (prefix, first serial) ``after``, in that order."""
    behind = sa.or_(BLOCK.c.prefix > after[0], sa.and_(BLOCK.c.prefix == after[0], BLOCK.c.first_serial > after[1]))
    wanted = sa.select(BLOCK).where(behind, visible)
    if prefix is not None:
        wanted = wanted.where(BLOCK.c.prefix == prefix)
    if institution is not None:
        wanted = wanted.where(BLOCK.c.institution == institution)
    return rows(connection, wanted.order_by(BLOCK.c.prefix, BLOCK.c.first_serial).limit(limit))


def concerns(institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: a block was given to one of the institutions, or by one of them."""
    packaging = sa.exists().where(PREFIX.c.prefix == BLOCK.c.prefix, PREFIX.c.institution.in_(institutions))
    collection = sa.exists().where(COLLECTION.c.prefix == BLOCK.c.prefix, COLLECTION.c.owner.in_(institutions))
    return sa.or_(BLOCK.c.institution.in_(institutions), packaging, collection)


def blocks_with(connection: sa.Connection, numbers: Collection[str]) -> dict[str, Row]:
    """The block that each number was given out in, for those that were."""
    by_prefix: dict[str, list[str]] = {}
    for number in filter(_is_as_given_out, numbers):
        by_prefix.setdefault(codes.prefix_of(number), []).append(number)
    found: dict[str, Row] = {}
    for prefix, its in by_prefix.items():
        serials = {codes.serial_of(number): number for number in its}
        wanted = sa.select(BLOCK).where(
            BLOCK.c.prefix == prefix, BLOCK.c.first_serial <= max(serials), BLOCK.c.last_serial >= min(serials)
        )
        for row in rows(connection, wanted):
            found |= {n: row for s, n in serials.items() if row["first_serial"] <= s <= row["last_serial"]}
    return found


def _is_as_given_out(number: str) -> bool:
    """A number written with more or fewer zeros than we write is another number, which no block holds."""
    return number == codes.make(codes.prefix_of(number), codes.serial_of(number)) and codes.issuable(number)
