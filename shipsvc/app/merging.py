"""Merges the many small chunks that live sensors leave, so that years of them are read as quickly as a file.

Nothing is taken away: a merged chunk stands beside its parts and counts in their place for whoever asks by what was
known since the newest of them; for an earlier moment, and once one of them is withdrawn, the parts are read.
"""

import hashlib
from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import islice
from typing import Any, Final

import numpy as np
import sqlalchemy as sa

from shipsvc.domain import chunks, clocks, merging
from shipsvc.domain.chunks import CHUNK_READINGS
from shipsvc.domain.errors import Malformed
from shipsvc.domain.merging import Small
from shipsvc.domain.quantities import conversion
from shipsvc.store import locks, reading_spans
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: What counts for less long is left alone: clocks of several machines differ, and much of it is withdrawn soon.
SETTLED: Final = timedelta(hours=1)
SMALL_READINGS: Final = CHUNK_READINGS // 2


def series(connection: sa.Connection) -> list[tuple[str, str]]:
    """The sources and quantities with so many small chunks that some may be merged."""
    return reading_spans.series_of_many(connection, merging.PARTS_MIN, SMALL_READINGS)


def planned(
    connection: sa.Connection, now: datetime, source: str, quantity: str, most: int, parts: int = merging.PARTS
) -> list[list[Row]]:
    """Up to ``most`` lots of chunks of one series, each to be merged to one; ``parts`` as in ``domain.merging``."""
    rows: dict[Any, Row] = {}

    def noted(row: Row) -> Small:
        key = (row["chunk"], row["sequence"])
        rows[key] = row
        alike = (row["run"], row["unit"], row["level"])
        return Small(key, alike, row["begin_at"], row["end_at"], row["readings"])

    found = reading_spans.small(connection, source, quantity, SMALL_READINGS, now - SETTLED)
    lots = list(islice(merging.batches(map(noted, found), CHUNK_READINGS, parts), most))
    return [[rows[one.key] for one in lot] for lot in lots]


def merge(connection: sa.Connection, parts: Sequence[Row]) -> bool:
    """Merge chunks of one series that do not overlap, in the order of time; False where one of them counts no longer,
    such as somebody else merged it meanwhile. Malformed for one that is damaged."""
    locks.hold(connection, f"upload {parts[0]['source']}")
    found = reading_spans.still(connection, parts)
    if len(found) != len(parts):
        return False
    times_us, values, data = _joined(found)
    stated = chunks.summary(times_us, values, conversion(found[0]["quantity"], found[0]["unit"]))
    read_us = times_us[~np.isnan(values)]
    span = {name: found[0][name] for name in ("quantity", "source", "run", "unit")}
    begin, end = (clocks.EPOCH + int(read_us[n]) * clocks.MICROSECOND for n in (0, -1))
    span |= {
        "chunk": _id(found),
        "sequence": 0,
        "known_from": max(row["known_from"] for row in found),
        "known_to": FOREVER,
        "level": found[0]["level"] + 1,
        "part_of": None,
        "begin_at": begin,
        "end_at": end,
        "readings": stated.readings,
        "lowest": stated.lowest,
        "highest": stated.highest,
        "widest_gap_s": stated.widest_gap_s,
    }
    reading_spans.merge(connection, found, span, data)
    return True


def _joined(parts: Sequence[Row]) -> tuple[chunks.Ints, chunks.Floats, bytes]:
    """All their readings in order, and the same as bytes. Malformed unless they come out as they went in."""
    opened = [chunks.decode(row["data"]) for row in parts]
    times_us, values = chunks.in_order(*(np.concatenate(side) for side in zip(*opened, strict=True)))
    data = chunks.encode(times_us, values, chunks.digits_of(values))
    again_us, again = chunks.decode(data)
    if not (np.array_equal(again_us, times_us) and np.array_equal(again, values, equal_nan=True)):
        raise Malformed(why="readings of these chunks do not come out of one chunk as they went in")
    return times_us, values, data


def _id(parts: Sequence[Row]) -> str:
    """Of all its parts, and since when they counted."""
    said = " ".join(
        f"{row['chunk']}/{row['quantity']}/{row['sequence']}/{row['known_from'].isoformat()}" for row in parts
    )
    return hashlib.sha256(said.encode()).hexdigest()[:32]
