"""What was sent of loggers and sensors: uploads, how far each is, whether it counts, and the chunks that come of it."""

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np
import sqlalchemy as sa

from shipsvc.domain import chunks as packing
from shipsvc.domain import clocks
from shipsvc.domain.quantities import conversion
from shipsvc.store import reading_spans
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.readings import CHUNK, END, WITHDRAWAL
from shipsvc.store.tables import table
from shipsvc.store.tables_readings import Upload, UploadProgress

UPLOAD = table(Upload)
PROGRESS = table(UploadProgress)


def add_upload(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Write down that bytes were sent."""
    connection.execute(sa.insert(UPLOAD), row)


def end_upload(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Write down that an upload was read to its end; ``bad`` and ``marks`` are lists. Its chunks count from now on."""
    stored = {**row, "bad": json.dumps(row["bad"]), "marks": json.dumps(row["marks"])}
    connection.execute(sa.insert(END), stored)
    reading_spans.count(connection, row["upload"], row["recorded_at"])


def chunk_row(upload: Row, quantity: str, sequence: int, unit: str, series: tuple[Any, Any], digits: int) -> Row:
    """The row of a chunk of an upload: ``series`` are times in whole microseconds since 1970, as the logger wrote them,
    and values in ``unit``, in any order."""
    times_us, values = packing.in_order(*series)
    line = conversion(quantity, unit)
    stated = packing.summary(times_us, values, line)
    # What is no reading speaks for no time: the ends are those of its readings, where it has any.
    read_us = times_us[~np.isnan(values)] if stated.readings else times_us
    begin, end = (clocks.EPOCH + int(read_us[n]) * clocks.MICROSECOND for n in (0, -1))
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


def add_missing_chunks(connection: sa.Connection, wanted: Sequence[Row]) -> None:
    """Append those of the chunks of one upload that are not there: what was read before it broke off stays."""
    if not wanted:
        return
    there = sa.select(CHUNK.c.quantity).where(
        CHUNK.c.upload == wanted[0]["upload"], CHUNK.c.sequence == wanted[0]["sequence"]
    )
    known = set(connection.execute(there).scalars())
    add_chunks(connection, [row for row in wanted if row["quantity"] not in known])


def note_progress(connection: sa.Connection, upload: str, progress: tuple[int, int, int], now: datetime) -> None:
    """How far an upload is: bytes read, rows read, rows stored."""
    figures = dict(zip(("bytes_read", "rows_read", "rows_stored"), progress, strict=True))
    changed = sa.update(PROGRESS).where(PROGRESS.c.upload == upload).values(**figures, touched_at=now)
    if connection.execute(changed).rowcount == 0:
        connection.execute(sa.insert(PROGRESS), {"upload": upload, **figures, "touched_at": now})


def touched_at(connection: sa.Connection, upload: str) -> datetime | None:
    """When an upload was last heard of by whoever reads it."""
    found: datetime | None = connection.execute(
        sa.select(PROGRESS.c.touched_at).where(PROGRESS.c.upload == upload)
    ).scalar_one_or_none()
    return found


def withdraw(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Write down that an upload no longer counts, nor what it was merged into: its other parts count again."""
    connection.execute(sa.insert(WITHDRAWAL), row)
    reading_spans.uncount(connection, row["upload"], row["recorded_at"])


def _shown() -> sa.Select[Any]:
    ended = [END.c.bad, END.c.marks, END.c.begin_at, END.c.end_at, END.c.rows_bad]
    figures = [sa.func.coalesce(END.c[name], PROGRESS.c[name], 0).label(name) for name in ("rows_read", "rows_stored")]
    return sa.select(
        UPLOAD,
        *ended,
        *figures,
        END.c.recorded_at.label("ended_at"),
        WITHDRAWAL.c.recorded_at.label("withdrawn_at"),
        sa.func.coalesce(PROGRESS.c.bytes_read, 0).label("bytes_read"),
    ).select_from(
        UPLOAD.outerjoin(END, END.c.upload == UPLOAD.c.id)
        .outerjoin(WITHDRAWAL, WITHDRAWAL.c.upload == UPLOAD.c.id)
        .outerjoin(PROGRESS, PROGRESS.c.upload == UPLOAD.c.id)
    )


def newest_of(connection: sa.Connection, source: str, sha256: str, stream: str, first_line: int) -> Row | None:
    """The last attempt to read these bytes of a source, with how it ended."""
    these = (
        UPLOAD.c.source == source,
        UPLOAD.c.sha256 == sha256,
        UPLOAD.c.stream == stream,
        UPLOAD.c.first_line == first_line,
    )
    return first_row(connection, _shown().where(*these).order_by(UPLOAD.c.attempt.desc()).limit(1))


def by_id(connection: sa.Connection, source: str, upload: str) -> Row | None:
    """One upload of a source, with how it ended or how far it is."""
    return first_row(connection, _shown().where(UPLOAD.c.source == source, UPLOAD.c.id == upload))


def page(connection: sa.Connection, source: str, *, after: str, limit: int) -> Sequence[Row]:
    """Up to ``limit`` uploads of a source in the order of their ids, behind ``after``."""
    wanted = _shown().where(UPLOAD.c.source == source, UPLOAD.c.id > after).order_by(UPLOAD.c.id).limit(limit)
    return rows(connection, wanted)


def next_line(connection: sa.Connection, source: str, stream: str) -> int:
    """How many lines of a stream are committed: its pieces follow each other without a gap."""
    ended = sa.select(sa.func.max(UPLOAD.c.first_line + UPLOAD.c.lines))
    wanted = ended.select_from(UPLOAD.join(END, END.c.upload == UPLOAD.c.id))
    found = connection.execute(wanted.where(UPLOAD.c.source == source, UPLOAD.c.stream == stream)).scalar_one_or_none()
    return int(found or 0)
