"""What a live sensor sent one reading at a time, asked before and after its chunks were merged.

Beside it, as the baseline, the same readings sent as one file. Written straight into the store, as ``long_series`` is.
"""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
import sqlalchemy as sa

from shipsvc.app import exposure, merging
from shipsvc.domain import chunks
from shipsvc.domain.clocks import MICROSECOND
from shipsvc.domain.times import format_instant
from shipsvc.store import readings, uploads
from shipsvc.store.engine import Database, open_database
from shipsvc.store.tables import FOREVER
from tests import sensed
from tests.bench.bases import Base
from tests.bench.table import Row, Times
from tests.trips import COLD
from tests.world import World, number

STORED = datetime(2023, 1, 1, tzinfo=UTC)
EVERY = timedelta(minutes=1)
SAMPLE, SENSOR = "BRM-0001", "PS-1"


def measured(base: Base, _folder: Path, *, quick: bool) -> Iterator[Row]:
    """Before and after, each against the file."""
    count = 10_000 if quick else 100_000
    values = np.round(-40 + np.random.default_rng(1).normal(0, 0.5, count), 2)
    file, live = _sent(base, values, chunks.CHUNK_READINGS), _sent(base, values, 1)
    try:
        before, before_rows = _asked(live, count, 3)
        merged_s = _merged(live, STORED + count * EVERY + timedelta(days=1))
        turns = [(_asked(live, count, 1), _asked(file, count, 1)) for _ in range(21)][1:]
        after = Times([one.each_s[0] for (one, _), _ in turns], 1)
        alone = Times([one.each_s[0] for _, (one, _) in turns], 1)
        after_rows, file_rows = turns[0][0][1], turns[0][1][1]
    finally:
        for database in (file, live):
            database.engine.dispose()
    baseline = f"{alone.part_ms(0.5):.1f} ms, {file_rows} rows (the same readings as one file)"
    for when, found, rows in (
        ("before merging", before, before_rows),
        (f"merged in {merged_s:.1f} s", after, after_rows),
    ):
        yield Row(
            f"exposure over {count:,} readings sent one by one, {when}: p50, in process",
            base.name,
            f"{found.part_ms(0.5):.1f} ms, {rows:,} rows",
            baseline,
            f"{found.part_ms(0.5) / alone.part_ms(0.5):.1f}",
            "<= 3 merged",
        )


def _sent(base: Base, values: chunks.Floats, each: int) -> Database:
    """A sample in a freezer whose sensor read every minute; ``each`` readings an upload."""
    database = open_database(base.made())
    world = World(database)
    with world.writing() as connection:
        sensed.describe(connection, "C", COLD, "temperature")
        sensed.place(connection, "TRP-F1", "C")
        sensed.source(connection, SENSOR, 1, "temperature", "TRP-F1")
    world.tell("registered", SAMPLE, format_instant(STORED), item="sample")
    world.tell("stored", SAMPLE, format_instant(STORED), place="TRP-F1")
    firsts = range(0, len(values), each)
    for some in range(0, len(firsts), 1000):
        with world.writing() as connection:
            _uploads(connection, [(first, values[first : first + each]) for first in firsts[some : some + 1000]])
    return database


def _uploads(connection: sa.Connection, told: Sequence[tuple[int, chunks.Floats]]) -> None:
    """Uploads of some readings each, by the number of the first."""
    begun: list[dict[str, Any]] = []
    rows = []
    for first, values in told:
        at = STORED + (first + len(values)) * EVERY
        one = {"id": f"{first:032x}", "source": SENSOR, "run": "", "sha256": f"{first:064x}", "attempt": 1}
        one |= {"format": "senml_lines", "recorded_at": at, "actor": "p1", "name": "", "layout": "", "stream": ""}
        begun.append({**one, "size_bytes": 1, "first_line": 0, "lines": 0})
        times_us = int(STORED.timestamp()) * 1_000_000 + (first + np.arange(len(values))) * (EVERY // MICROSECOND)
        rows.append(uploads.chunk_row(one, "temperature", 0, "Cel", (times_us, values), 2))
    connection.execute(sa.insert(uploads.UPLOAD), begun)
    uploads.add_chunks(connection, rows)
    for one in begun:
        ended = {"upload": one["id"], "rows_read": 1, "rows_stored": 1, "rows_bad": 0, "bad": [], "marks": []}
        uploads.end_upload(connection, {**ended, "recorded_at": one["recorded_at"], "actor": "p1"})


def _merged(database: Database, now: datetime) -> float:
    """Seconds that merging took, each lot in a transaction of its own."""
    began = perf_counter()
    while True:
        with database.engine.connect() as connection:
            lots = merging.planned(connection, now, SENSOR, "temperature", 100)
        if not lots:
            return perf_counter() - began
        for lot in lots:
            with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
                assert merging.merge(connection, lot), "nobody else merges here"


def _asked(database: Database, count: int, turns: int) -> tuple[Times, int]:
    """How long its time out took, up to a moment before the last reading, and how many rows it goes by."""
    until = STORED + (count - 2) * EVERY
    each: list[float] = []
    with database.engine.connect() as connection:
        for _ in range(turns):
            began = perf_counter()
            out = exposure.time_out(connection, [number(SAMPLE)], until, None)[number(SAMPLE)]
            each.append(perf_counter() - began)
            assert out.at_most == timedelta(), "it was always within its limits"
        found = readings.chunks(connection, [SENSOR], ["temperature"], STORED, until, FOREVER)
    return Times(each, sum(each)), len(found)
