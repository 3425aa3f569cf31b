"""Placements, chunks and corrections as the database has them, by two clocks."""

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from shipsvc.domain.times import parse_instant
from shipsvc.store import readings, uploads
from shipsvc.store.documents import When
from shipsvc.store.engine import Database
from shipsvc.store.tables import FOREVER
from tests.world import EARLY, World, number

CHAIN = {"version": 1, "valid_from": EARLY, "recorded_at": EARLY, "actor": "p00", "because": "start"}
LOGGER = {
    "institution": "TRP",
    "kind": "logger",
    "place": None,
    "what": "logger",
    "serial": "1",
    "interval_s": 600,
    "max_gap_s": None,
    "quantities": "temperature",
    "zone": "UTC",
    "good_until": None,
    "layout": None,
    "readers": "",
}
START = parse_instant("2025-03-10T10:00:00Z")
DAY = timedelta(days=1)


@pytest.fixture
def world(database: Database) -> World:
    """A world with two loggers and a sensor."""
    made = World(database)
    with made.writing() as connection:
        for code in ("LG-1", "LG-2"):
            connection.execute(sa.insert(readings.SOURCE), {**CHAIN, **LOGGER, "code": code})
        sensor = {"code": "PS-1", "kind": "sensor", "place": "TRP-GB1", "interval_s": 60}
        connection.execute(sa.insert(readings.SOURCE), {**CHAIN, **LOGGER, **sensor})
    made.tell("registered", "TRP-J1", "2025-03-01T09:00:00Z", item="container", form="jar")
    return made


def sent(world: World, source: str, values: list[float], recorded_at: datetime, **more: Any) -> str:
    """Upload readings ten minutes apart from START on; the id of the upload."""
    one: Mapping[str, Any] = {
        "id": str(uuid.uuid4()),
        "source": source,
        "run": more.get("run", ""),
        "sha256": uuid.uuid4().hex,
        "attempt": 1,
        "size_bytes": 1,
        "format": "csv",
        "recorded_at": recorded_at,
        "actor": "p1",
        "name": "",
        "layout": "",
        "stream": "",
        "first_line": 0,
        "lines": 0,
    }
    begin_us = int(more.get("begin", START).timestamp()) * 1_000_000
    series = (begin_us + np.arange(len(values)) * 600_000_000, np.array(values))
    rows = [uploads.chunk_row(one, "temperature", 0, more.get("unit", "Cel"), series, 2)]
    end = {"upload": one["id"], "rows_read": len(values), "rows_stored": len(values), "rows_bad": 0}
    with world.writing() as connection:
        uploads.add_upload(connection, one)
        uploads.add_chunks(connection, rows)
        if more.get("whole", True):
            uploads.end_upload(connection, {**end, "bad": [], "marks": [], "recorded_at": recorded_at, "actor": "p1"})
    return str(one["id"])


def found(world: World, source: str, known_on: datetime = FOREVER, days: int = 30) -> list[readings.ChunkFacts]:
    """Chunks of a source in the days after START."""
    with world.database.engine.connect() as connection:
        return readings.chunks(connection, [source], ["temperature"], START - DAY, START + days * DAY, known_on)


def placed(world: World, as_of: str, known_on: str | None = None) -> list[tuple[str, str, str]]:
    """Placements in the jar and the place, as (source, from, to)."""
    when = When(parse_instant(as_of), parse_instant(known_on) if known_on else FOREVER)
    with world.database.engine.connect() as connection:
        them = readings.placements(connection, [number("TRP-J1")], ["TRP-GB1"], when)
    return [(one.source, f"{one.from_at:%d %H}", f"{one.to_at:%d %H}") for one in them if one.item]


def test_a_logger_in_a_jar(world: World) -> None:
    """Its stay is known from when it was told, ends where an amendment says, and is gone once that is withdrawn."""
    first = world.tell("logger_placed", "TRP-J1", "2025-03-10T10:00:00Z", told="2025-03-11T10:00:00Z", logger="LG-1")
    world.tell("logger_removed", "TRP-J1", "2025-03-12T10:00:00Z", logger="LG-1")
    assert placed(world, "2025-03-20T00:00:00Z") == [("LG-1", "10 10", "12 10")]
    assert placed(world, "2025-03-11T00:00:00Z") == [("LG-1", "10 10", "11 00")]
    assert placed(world, "2025-03-20T00:00:00Z", "2025-03-10T12:00:00Z") == []
    amended = {"amends": first["id"], "expected": None}
    world.tell("logger_placed", "TRP-J1", "2025-03-10T14:00:00Z", told="2025-03-13T10:00:00Z", logger="LG-2", **amended)
    assert placed(world, "2025-03-20T00:00:00Z") == [("LG-2", "10 14", "20 00")]
    assert placed(world, "2025-03-20T00:00:00Z", "2025-03-12T12:00:00Z") == [("LG-1", "10 10", "12 10")]


def test_a_strangers_logger(world: World) -> None:
    """Whoever has nothing to do with the jar places no logger in it."""
    answer = world.tell("logger_placed", "TRP-J1", "2025-03-10T10:00:00Z", "TSI", logger="LG-1")
    assert answer["status"] == "recorded"
    assert placed(world, "2025-03-20T00:00:00Z") == []


def test_a_sensor_of_a_place(world: World) -> None:
    """It hangs there from the version that says so, with a gap of three intervals, half an hour at least."""
    with world.database.engine.connect() as connection:
        when = When(START, FOREVER)
        (one,) = readings.placements(connection, [], ["TRP-GB1"], when)
        assert readings.placements(connection, [], ["TRP-V1"], when) == []
        assert readings.placements(connection, [], ["TRP-GB1"], When(START, EARLY - DAY)) == []
    assert (one.source, one.place, one.from_at, one.to_at) == ("PS-1", "TRP-GB1", EARLY, START)
    assert (one.max_gap_s, one.interval_s) == (1800, 60)


def test_chunks_say_what_is_in_them(world: World) -> None:
    """Limits in the canonical unit without opening the chunk, and the readings once it is opened."""
    sent(world, "LG-1", [5.0, 14.0, 23.0], START, unit="[degF]")
    (chunk,) = found(world, "LG-1")
    assert (chunk.begin_at, chunk.end_at) == (START, START + timedelta(minutes=20))
    assert (chunk.lowest, chunk.highest, chunk.widest_gap_s, chunk.readings) == (-15.0, -5.0, 600.0, 3)
    with world.database.engine.connect() as connection:
        times_s, values = readings.load(connection, chunk.key)
    assert times_s.tolist() == [START.timestamp() + 600 * n for n in range(3)]
    assert values.tolist() == [-15.0, -10.0, -5.0]
    assert found(world, "LG-2") == []


def test_known_when_it_was_whole(world: World) -> None:
    """An upload counts from when it was read to its end, and no longer once withdrawn; as known before, it stays."""
    known = sent(world, "LG-1", [1.0, 2.0], START + DAY)
    sent(world, "LG-1", [3.0, 4.0], START + DAY, whole=False)
    assert len(found(world, "LG-1")) == 1
    assert found(world, "LG-1", START) == []
    with world.writing() as connection:
        gone = {"upload": known, "recorded_at": START + 2 * DAY, "actor": "p1", "because": "wrong layout"}
        uploads.withdraw(connection, gone)
    assert found(world, "LG-1") == []
    assert len(found(world, "LG-1", START + DAY)) == 1


def check(world: World, logger_at: datetime, true_at: datetime, told: datetime, **more: Any) -> None:
    """Tell a clock check."""
    row = {"id": str(uuid.uuid4()), "source": "LG-1", "run": "", "amends": None, "withdrawn": False, "because": ""}
    with world.writing() as connection:
        told_row = {**row, "logger_at": logger_at, "true_at": true_at, "recorded_at": told, "actor": "p1", **more}
        readings.add_clock_check(connection, told_row)


def test_clocks_are_set_right_as_known(world: World) -> None:
    """A check told later moves the times then and not before; one that amends it moves them again; another run not."""
    sent(world, "LG-1", [1.0, 2.0, 3.0], START, begin=START + timedelta(hours=1))
    late = timedelta(hours=1)
    first = str(uuid.uuid4())
    check(world, START + late, START, START + 2 * DAY, id=first)
    check(world, START, START + 5 * late, START + 2 * DAY, run="another")
    assert found(world, "LG-1", START + DAY)[0].begin_at == START + late
    assert found(world, "LG-1")[0].begin_at == START
    amended = {"amends": first, "because": "misread"}
    check(world, START + late, START + timedelta(minutes=5), START + 3 * DAY, **amended)
    (chunk,) = found(world, "LG-1")
    assert chunk.begin_at == START + timedelta(minutes=5)
    with world.database.engine.connect() as connection:
        times_s, _ = readings.load(connection, chunk.key)
    assert times_s[0] == chunk.begin_at.timestamp()
    check(world, START, START, START + 4 * DAY, amends=first, withdrawn=True)
    assert found(world, "LG-1")[0].begin_at == START + late
    assert found(world, "LG-1", START + 3 * DAY)[0].begin_at == START + timedelta(minutes=5)


def test_drift_stretches_times_and_gaps(world: World) -> None:
    """Two checks make a line: times between are on it, and a gap is as wide as it truly was."""
    sent(world, "LG-1", [1.0, 2.0, 3.0], START)
    check(world, START, START, START)
    check(world, START + timedelta(minutes=20), START + timedelta(minutes=24), START)
    (chunk,) = found(world, "LG-1")
    assert (chunk.begin_at, chunk.end_at) == (START, START + timedelta(minutes=24))
    assert chunk.widest_gap_s == pytest.approx(720)
    with world.database.engine.connect() as connection:
        times_s, _ = readings.load(connection, chunk.key)
    assert (times_s - START.timestamp()).tolist() == pytest.approx([0, 720, 1440], abs=1e-6)


def test_a_window_finds_what_a_wrong_clock_hides(world: World) -> None:
    """A logger five days ahead: the window is asked in true times, and its chunk is found in it and nowhere else."""
    ahead = 5 * DAY
    sent(world, "LG-1", [1.0, 2.0], START, begin=START + ahead)
    check(world, START + ahead, START, START)
    assert len(found(world, "LG-1", days=1)) == 1
    with world.database.engine.connect() as connection:
        at = (START + ahead - DAY, START + ahead + DAY)
        assert readings.chunks(connection, ["LG-1"], ["temperature"], *at, FOREVER) == []
    assert START.tzinfo is UTC
