"""Merging by ``shipsvc work``: again is harmless, several at once merge nothing twice, and fsck finds what is damaged.

On both databases.
"""

import struct
import zlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from shipsvc import cli
from shipsvc.app import fsck_spans, merging
from shipsvc.domain import chunks
from shipsvc.domain.merging import PARTS
from shipsvc.store import locks, readings, uploads
from shipsvc.store.engine import Database, Row, rows
from shipsvc.store.readings import CHUNK, MERGED, SPAN
from shipsvc.store.tables import FOREVER
from tests.properties.test_merging import SENSOR, STEP, STORED, TOLD, live_through, single
from tests.world import World

#: Nine readings sent one by one, then merged three by three, and those once more.
NINE = single(-20.0, -20.5, -20.25, -20.0, 5.0, -20.0, -20.0, -20.0, -20.0)
NOW = TOLD + 20 * STEP


@pytest.fixture
def world(database: Database) -> World:
    """What was sent."""
    made = World(database)
    with made.writing() as connection:
        live_through(connection, NINE, merges=False)
    return made


def lots(world: World) -> list[list[Row]]:
    """What may be merged now, three to one."""
    with world.database.engine.connect() as connection:
        return merging.planned(connection, NOW, SENSOR, "temperature", 100, 3)


def merged(world: World, lot: list[Row]) -> bool:
    """Merge one lot in a transaction of its own."""
    with world.writing() as connection:
        return merging.merge(connection, lot)


def counting(world: World) -> list[int]:
    """How many readings are in each chunk that counts."""
    with world.database.engine.connect() as connection:
        found = readings.chunks(connection, [SENSOR], ["temperature"], STORED, NOW, FOREVER)
    return [one.readings for one in found]


def findings(world: World) -> list[str]:
    """What fsck finds."""
    with world.database.engine.connect() as connection:
        return [found.what for found in fsck_spans.check(connection)]


def test_again_is_harmless(world: World) -> None:
    """A lot that was merged is not merged again; the steps come to one chunk, and its parts are all there."""
    first = lots(world)
    assert [merged(world, lot) for lot in first] == [True] * 3
    assert [merged(world, lot) for lot in first] == [False] * 3
    assert counting(world) == [3, 3, 3]
    assert [merged(world, lot) for lot in lots(world)] == [True]
    assert (counting(world), lots(world), findings(world)) == ([9], [], [])
    with world.database.engine.connect() as connection:
        assert len(rows(connection, sa.select(CHUNK))) == 9


def test_what_was_told_of_late_is_left_alone(world: World) -> None:
    """Nothing that counts for less than an hour is merged."""
    with world.database.engine.connect() as connection:
        newest = TOLD + 8 * STEP
        early = merging.planned(connection, newest + timedelta(minutes=59), SENSOR, "temperature", 100, 3)
        late = merging.planned(connection, newest + timedelta(minutes=60), SENSOR, "temperature", 100, 3)
    assert (len(early), len(late)) == (2, 3)


def test_several_workers_at_once(world: World) -> None:
    """Each lot is merged by one of them."""
    found = lots(world)
    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(lambda lot: merged(world, lot), [lot for lot in found for _ in range(4)]))
    assert sum(done) == 3
    assert (counting(world), findings(world)) == ([3, 3, 3], [])


def test_a_withdrawal_at_the_same_time(world: World) -> None:
    """Whichever comes first: the withdrawn reading counts no longer, and each of the others once."""
    first = lots(world)[0]

    def withdraw() -> None:
        with world.writing() as connection:
            locks.hold(connection, f"upload {SENSOR}")
            gone = {"upload": first[1]["chunk"], "recorded_at": NOW, "actor": "p1", "because": "wrong"}
            uploads.withdraw(connection, gone)

    with ThreadPoolExecutor(2) as pool:
        gone, made = pool.submit(withdraw), pool.submit(merged, world, first)
        assert (gone.exception(), made.exception()) == (None, None)
    assert (sum(counting(world)), findings(world)) == (8, [])


@pytest.fixture
def whole(world: World) -> Iterator[World]:
    """All merged to one in two steps, one withdrawn, and sound; the damage is the test's."""
    while found := lots(world):
        assert [merged(world, lot) for lot in found] == [True] * len(found)
    assert findings(world) == []
    yield world
    assert findings(world) != []


def changed(world: World, change: sa.Executable) -> None:
    """Damage what is derived."""
    with world.writing() as connection:
        connection.execute(change)


def test_a_merged_chunk_with_another_value(whole: World) -> None:
    """It can be opened, and fits what stands beside it; but its parts say otherwise."""
    with whole.database.engine.connect() as connection:
        (row,) = rows(connection, sa.select(SPAN).where(SPAN.c.level == 2))
        (data,) = connection.execute(sa.select(MERGED.c.data).where(MERGED.c.id == row["chunk"])).one()
    times_us, values = chunks.decode(data)
    values[0], values[1] = values[1], values[0]
    bad = chunks.encode(times_us, values, 2)
    changed(whole, sa.update(MERGED).where(MERGED.c.id == row["chunk"]).values(data=bad))
    assert findings(whole) == ["it does not hold what its parts hold"]


def of_level(level: int) -> sa.Update:
    """A change of what was merged so often."""
    return sa.update(SPAN).where(SPAN.c.level == level)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (sa.delete(MERGED), "its readings are not there"),
        (of_level(2).values(lowest=-30.0), "lowest is not that of its readings"),
        (of_level(0).values(lowest=-30.0), "its span does not say what the chunk says"),
        (of_level(1).values(run="b"), "a part is of another run"),
        (sa.delete(SPAN).where(SPAN.c.level == 2), "it is part of what is nowhere"),
        (sa.delete(SPAN).where(SPAN.c.level == 2), "it is not found once at every moment"),
        (of_level(1).values(known_to=FOREVER), "it is not found once at every moment"),
        (sa.delete(SPAN).where(SPAN.c.level == 0), "it does not hold what its parts hold"),
    ],
)
def test_what_was_changed_is_found(change: sa.Executable, what: str, whole: World) -> None:
    """What is derived fits what was sent, or fsck says so."""
    changed(whole, change)
    assert what in findings(whole)


def test_a_merged_chunk_that_cannot_be_opened(whole: World) -> None:
    """It is found, and a step that would need it is not made."""
    bad = zlib.compress(struct.pack("<B", 9))
    changed(whole, sa.update(MERGED).values(data=bad))
    assert "it cannot be opened" in findings(whole)


def test_what_has_no_upload(whole: World) -> None:
    """A span of an upload that was never sent."""
    changed(whole, sa.update(SPAN).where(SPAN.c.chunk == f"{4:032x}").values(chunk="x"))
    assert "it counts, and no upload that was read to its end holds it" in findings(whole)


def test_the_command(sqlite_database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    """``shipsvc work --once`` merges each lot that is full, says how many, and goes on behind one that is damaged."""
    with World(sqlite_database).writing() as connection:
        live_through(connection, single(*[-20.0] * (2 * PARTS + 5)), merges=False)
        connection.execute(sa.text("DROP TRIGGER guard_reading_chunk_update"))
        connection.execute(sa.update(CHUNK).where(CHUNK.c.upload == f"{7:032x}").values(data=b"x"))
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", str(sqlite_database.engine.url))

    done = [CliRunner().invoke(cli.app, ["work", "--once"]) for _ in range(2)]

    assert [one.exit_code for one in done] == [0, 0], done[0].output
    assert f"{PARTS} small chunks of readings merged to 1." in done[0].output
    assert "0 small chunks of readings merged to 0." in done[1].output
    assert f"{SENSOR}: chunks from 2025-03-01 00:00:00+00:00 are not merged; run fsck." in done[0].output
