"""Which chunks count, as known from when to when: each by itself at first, later many small ones as one.

Whoever writes here holds ``upload {source}`` (``store.locks``).
"""

from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store.among import among
from shipsvc.store.engine import Row, rows
from shipsvc.store.readings import CHUNK, MERGED, SPAN, WITHDRAWAL
from shipsvc.store.tables import FOREVER

#: What a chunk of an upload says of itself, and its span takes over.
COPIED = ("source", "run", "unit", "begin_at", "end_at", "readings", "lowest", "highest", "widest_gap_s")
#: Rows in memory at a time.
_PAGE = 500


def count(connection: sa.Connection, upload: str, since: datetime) -> None:
    """The chunks of an upload count from ``since`` on, or up to its withdrawal."""
    gone = connection.execute(sa.select(WITHDRAWAL.c.recorded_at).where(WITHDRAWAL.c.upload == upload))
    known = (sa.literal(since, SPAN.c.known_from.type), sa.literal(gone.scalar() or FOREVER, SPAN.c.known_to.type))
    copied = [CHUNK.c[name] for name in COPIED]
    wanted = sa.select(CHUNK.c.upload, CHUNK.c.quantity, CHUNK.c.sequence, *known, sa.literal(0), *copied)
    names = ["chunk", "quantity", "sequence", "known_from", "known_to", "level", *COPIED]
    connection.execute(sa.insert(SPAN).from_select(names, wanted.where(CHUNK.c.upload == upload)))


def uncount(connection: sa.Connection, upload: str, at: datetime) -> None:
    """The chunks of an upload count no longer from ``at`` on; what they were merged with counts by itself again."""
    its = sa.and_(SPAN.c.chunk == upload, SPAN.c.level == 0)
    holding = _holding(connection, {row["part_of"] for row in rows(connection, sa.select(SPAN).where(its))} - {None})
    ends = sa.update(SPAN).where(SPAN.c.known_to == FOREVER)
    connection.execute(ends.where(its).values(known_to=at))
    top = sa.select(SPAN.c.chunk).where(among(SPAN.c.chunk), SPAN.c.level > 0, SPAN.c.known_to == FOREVER)
    opened = list(connection.execute(top, {"some": list(holding)}).scalars()) if holding else []
    if opened:
        connection.execute(ends.where(among(SPAN.c.chunk), SPAN.c.level > 0).values(known_to=at), {"some": opened})
    again: list[dict[str, Any]] = []
    while opened:
        parts = rows(connection, sa.select(SPAN).where(among(SPAN.c.part_of)), some=opened)
        opened = [row["chunk"] for row in parts if row["chunk"] in holding]
        others = (row for row in parts if row["chunk"] not in holding and row["chunk"] != upload)
        again += [{**row, "known_from": at, "known_to": FOREVER, "part_of": None} for row in others]
    if again:
        connection.execute(sa.insert(SPAN), again)


def _holding(connection: sa.Connection, merged: Collection[str]) -> set[str]:
    """These merged chunks, and all that they were ever merged into."""
    found: set[str] = set()
    fresh = set(merged)
    while fresh:
        found |= fresh
        above = sa.select(SPAN.c.part_of).where(among(SPAN.c.chunk), SPAN.c.level > 0, SPAN.c.part_of.is_not(None))
        fresh = set(connection.execute(above, {"some": list(fresh)}).scalars()) - found
    return found


# -------------------------------------------------------------------------------------------------------------- merging
def series_of_many(connection: sa.Connection, fewest: int, readings_max: int) -> list[tuple[str, str]]:
    """Each source and quantity with at least ``fewest`` chunks of up to ``readings_max`` readings that count."""
    small = (SPAN.c.known_to == FOREVER, SPAN.c.readings <= readings_max)
    wanted = sa.select(SPAN.c.source, SPAN.c.quantity).where(*small).group_by(SPAN.c.source, SPAN.c.quantity)
    wanted = wanted.having(sa.func.count() >= fewest).order_by(SPAN.c.source, SPAN.c.quantity)
    return [(source, quantity) for source, quantity in connection.execute(wanted)]


def small(connection: sa.Connection, source: str, quantity: str, readings_max: int, settled: datetime) -> Iterator[Row]:
    """The chunks of up to ``readings_max`` readings that count, and did by ``settled``, in the order of time."""
    wanted = sa.select(SPAN).where(
        SPAN.c.source == source,
        SPAN.c.quantity == quantity,
        SPAN.c.known_to == FOREVER,
        SPAN.c.readings <= readings_max,
        SPAN.c.readings > 0,
        SPAN.c.known_from <= settled,
    )
    ordered = wanted.order_by(SPAN.c.begin_at, SPAN.c.chunk, SPAN.c.sequence)
    yield from connection.execute(ordered, execution_options={"yield_per": _PAGE}).mappings()  # type: ignore[misc]  # the library's mapping has keys of its own kind


def still(connection: sa.Connection, parts: Sequence[Row]) -> list[Row]:
    """Those of the spans that count now, with their ``data``, in the order of time."""
    own = sa.and_(
        CHUNK.c.upload == SPAN.c.chunk, CHUNK.c.quantity == SPAN.c.quantity, CHUNK.c.sequence == SPAN.c.sequence
    )
    joined = SPAN.outerjoin(CHUNK, sa.and_(SPAN.c.level == 0, own))
    joined = joined.outerjoin(MERGED, sa.and_(SPAN.c.level > 0, MERGED.c.id == SPAN.c.chunk))
    wanted = sa.select(SPAN, sa.func.coalesce(CHUNK.c.data, MERGED.c.data).label("data")).select_from(joined)
    wanted = wanted.where(
        among(SPAN.c.chunk), SPAN.c.quantity == parts[0]["quantity"], SPAN.c.known_to == FOREVER
    ).order_by(SPAN.c.begin_at, SPAN.c.chunk, SPAN.c.sequence)
    keys = {_key(row) for row in parts}
    return [row for row in rows(connection, wanted, some={row["chunk"] for row in parts}) if _key(row) in keys]


def _key(row: Row) -> tuple[str, int, datetime]:
    return row["chunk"], row["sequence"], row["known_from"]


def merge(connection: sa.Connection, parts: Sequence[Row], span: Row, data: bytes) -> None:
    """From ``span['known_from']`` on the span counts, with its readings, in place of the parts."""
    connection.execute(sa.insert(MERGED), {"id": span["chunk"], "data": data})
    ends = (
        sa.update(SPAN)
        .where(
            SPAN.c.chunk == sa.bindparam("of"),
            SPAN.c.quantity == span["quantity"],
            SPAN.c.sequence == sa.bindparam("at"),
            SPAN.c.known_from == sa.bindparam("since"),
        )
        .values(known_to=span["known_from"], part_of=span["chunk"])
    )
    connection.execute(ends, [dict(zip(("of", "at", "since"), _key(row), strict=True)) for row in parts])
    connection.execute(sa.insert(SPAN), span)
