"""What was sent of loggers and sensors: uploads, how far each is, whether it counts, and the chunks that come of it."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from shipsvc.domain import chunks as packing
from shipsvc.domain import clocks
from shipsvc.domain.quantities import conversion
from shipsvc.store.engine import Row
from shipsvc.store.readings import CHUNK, END
from shipsvc.store.tables import table
from shipsvc.store.tables_readings import Upload

UPLOAD = table(Upload)


def add_upload(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Write down that bytes were sent."""
    connection.execute(sa.insert(UPLOAD), row)


def end_upload(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Write down that an upload was read to its end; ``bad`` and ``marks`` are lists."""
    stored = {**row, "bad": json.dumps(row["bad"]), "marks": json.dumps(row["marks"])}
    connection.execute(sa.insert(END), stored)


def chunk_row(upload: Row, quantity: str, sequence: int, unit: str, series: tuple[Any, Any], digits: int) -> Row:
    """The row of a chunk of an upload: ``series`` are times in whole microseconds since 1970, as the logger wrote them,
    and values in ``unit``, in any order."""
    times_us, values = packing.in_order(*series)
    line = conversion(quantity, unit)
    stated = packing.summary(times_us, values, line)
    begin, end = (clocks.EPOCH + int(times_us[n]) * clocks.MICROSECOND for n in (0, -1))
    return {
        "upload": upload["id"],
        "quantity": quantity,
        "sequence": sequence,
        "source": upload["source"],
        "run": upload["run"],
        "unit": unit,
        "begin_at": begin,
        "end_at": end,
        "readings": stated.readings,
        "lowest": stated.lowest,
        "highest": stated.highest,
        "widest_gap_s": stated.widest_gap_s,
        "data": packing.encode(times_us, values, digits),
        "recorded_at": upload["recorded_at"],
        "actor": upload["actor"],
    }


def add_chunks(connection: sa.Connection, added: Sequence[Row]) -> None:
    """Append chunks; they count once their upload has ended."""
    if added:
        connection.execute(sa.insert(CHUNK), list(added))
