"""Merged or not, readings say the same: of every moment that they may be asked about as known on.

What is checked against is the same story without merging.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
from hypothesis import example, given, settings
from hypothesis import strategies as st

from shipsvc.app import excursions, exposure, fsck_spans, merging, series, series_limits
from shipsvc.app.access import Actor
from shipsvc.domain.times import format_instant
from shipsvc.store import profiles, readings, uploads
from shipsvc.store.documents import When
from shipsvc.store.engine import Database, first_row
from shipsvc.store.tables import FOREVER
from tests import sensed
from tests.databases import copied, opened
from tests.properties.test_record import rolled_back
from tests.trips import COLD
from tests.world import World, number

SENSOR, SAMPLE = "PS-1", "BRM-0001"
STORED = datetime(2025, 3, 1, tzinfo=UTC)
#: When the first upload was told; one thing is told every two hours.
TOLD = datetime(2025, 6, 1, tzinfo=UTC)
STEP = timedelta(hours=2)
TICK = timedelta(microseconds=1)
WHO = Actor("p1", frozenset({("TRP", "curator")}))
PARTS = 3


@dataclass(frozen=True)
class Sent:
    """Readings of the sensor: minutes since it was hung up, and values (None where it read nothing)."""

    minutes: tuple[int, ...]
    values: tuple[float | None, ...]
    unit: str = "Cel"
    run: str = ""


@dataclass(frozen=True)
class Gone:
    """One of the uploads so far is withdrawn."""

    which: int


@dataclass(frozen=True)
class Round:
    """What may be merged is merged."""


Story = Sequence[Sent | Gone | Round]


@st.composite
def sendings(draw: st.DrawFn, *, live: bool) -> Sent:
    """A few readings ten minutes apart for the most part; of a live sensor few, of a late file anywhere."""
    steps = draw(st.lists(st.sampled_from((1, 1, 1, 2, 5, 150)), min_size=1, max_size=2 if live else 6))
    minutes = (10 * (draw(st.integers(0, 40)) + np.cumsum(steps))).tolist()
    value = st.sampled_from((-20.0, -20.5, -15.0, -14.25, 5.0, None))
    values = draw(st.lists(value, min_size=len(steps), max_size=len(steps)))
    return Sent(
        tuple(minutes), tuple(values), draw(st.sampled_from(("Cel", "Cel", "K"))), draw(st.sampled_from(("", "b")))
    )


@st.composite
def stories(draw: st.DrawFn) -> Story:
    """A live sensor, file after file, merged now and then; late files and withdrawals between."""
    found: list[Sent | Gone | Round] = []
    minute = 0
    for _ in range(draw(st.integers(6, 18))):
        kind = draw(st.sampled_from(("live", "live", "live", "live", "late", "gone", "round", "round")))
        if kind == "live":
            one = draw(sendings(live=True))
            first = minute + 10 * draw(st.sampled_from((1, 1, 1, 4)))
            moved = tuple(at - one.minutes[0] + first for at in one.minutes)
            minute = moved[-1]
            found.append(Sent(moved, one.values))
        elif kind == "late":
            found.append(draw(sendings(live=False)))
        else:
            found.append(Round() if kind == "round" else Gone(draw(st.integers(0, 30))))
    return [*found, Round()]


def single(*values: float) -> list[Sent]:
    """Uploads of one reading each, ten minutes apart."""
    return [Sent((10 * n,), (value,)) for n, value in enumerate(values)]


@pytest.fixture(scope="module")
def database(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """A sample in a freezer with a sensor whose second run was ten minutes fast."""
    with opened(copied(sqlite_template, tmp_path_factory.mktemp("merged") / "world.sqlite3")) as found:
        world = World(found)
        with world.writing() as connection:
            sensed.describe(connection, "C", COLD, "temperature")
            sensed.place(connection, "TRP-F1", "C")
            sensed.source(connection, SENSOR, 10, "temperature", "TRP-F1")
            check = {"id": "c1", "source": SENSOR, "run": "b", "amends": None, "withdrawn": False, "because": ""}
            times = {"logger_at": STORED + timedelta(minutes=10), "true_at": STORED, "recorded_at": TOLD + 5 * STEP}
            readings.add_clock_check(connection, {**check, **times, "actor": "p1"})
        world.tell("registered", SAMPLE, format_instant(STORED), item="sample")
        world.tell("stored", SAMPLE, format_instant(STORED), place="TRP-F1")
        yield found


def live_through(connection: sa.Connection, story: Story, *, merges: bool) -> int:
    """All of the story, told step by step; how many chunks were merged."""
    sent: list[str] = []
    gone: set[str] = set()
    merged = 0
    for at, what in ((TOLD + n * STEP, what) for n, what in enumerate(story)):
        if isinstance(what, Sent):
            sent.append(f"{len(sent):032x}")
            _send(connection, sent[-1], what, at)
        elif isinstance(what, Gone) and sent and (which := sent[what.which % len(sent)]) not in gone:
            gone.add(which)
            uploads.withdraw(connection, {"upload": which, "recorded_at": at, "actor": "p1", "because": "wrong"})
        elif isinstance(what, Round) and merges:
            merged += _merge(connection, at)
    return merged


def _send(connection: sa.Connection, upload: str, what: Sent, at: datetime) -> None:
    one = {"id": upload, "source": SENSOR, "run": what.run, "sha256": 2 * upload, "attempt": 1, "size_bytes": 1}
    one |= {"format": "senml_lines", "recorded_at": at, "actor": "p1", "name": "", "layout": "", "stream": ""}
    times_us = (int(STORED.timestamp()) + 60 * np.array(what.minutes)) * 1_000_000
    values = np.array([np.nan if value is None else value for value in what.values])
    values = values + 273.15 if what.unit == "K" else values
    uploads.add_upload(connection, {**one, "first_line": 0})
    uploads.add_chunks(connection, [uploads.chunk_row(one, "temperature", 0, what.unit, (times_us, values), 2)])
    ended = {"upload": upload, "rows_read": 1, "rows_stored": 1, "rows_bad": 0, "bad": [], "marks": []}
    uploads.end_upload(connection, {**ended, "recorded_at": at, "actor": "p1"})


def _merge(connection: sa.Connection, now: datetime) -> int:
    merged = 0
    while lots := merging.planned(connection, now, SENSOR, "temperature", 100, PARTS):
        assert [merging.merge(connection, lot) for lot in lots] == [True] * len(lots)
        merged += sum(map(len, lots))
    return merged


def answers(connection: sa.Connection, as_of: datetime, known_on: datetime) -> dict[str, Any]:
    """All that is asked of readings."""
    when = When(as_of, known_on)
    out = exposure.time_out(connection, [number(SAMPLE)], as_of, known_on)[number(SAMPLE)]
    source = first_row(connection, sa.select(readings.SOURCE))
    versions = profiles.described(connection, ["C"], when)["C"]
    beyond = excursions.of_source(connection, source, versions, (STORED, as_of), when)
    found = series.find(connection, WHO, SENSOR, series.Asked(None, None, None), when)
    held = series_limits.held(connection, found, "C", when)

    @contextmanager
    def same() -> Iterator[sa.Connection]:
        yield connection

    return {
        "time out": (out.at_least, out.at_most, out.proven),
        "excursions": [entry.fields for entry in beyond],
        "window": (found.begin, found.end),
        "drawn": series.drawn(connection, found, 7),
        "file": sorted(row for piece in series.pieces(same, found) for row in piece),
        "gaps": held and held.gaps,
        "last": readings.last_read(connection, [SENSOR], when),
    }


@settings(max_examples=8)
@given(stories())
@example([*single(-20, -20, -20, -10, -10, -20, -20, -20, -20), Round()])
@example([*single(-20, -20, -10, -10, -20, -20), Round(), Gone(1), Round(), Gone(4)])
@example([*single(*[-20] * 9), Round(), Sent((0, 25, 80), (5.0, -20.0, -20.0)), Gone(3), Round(), *single(-10)])
def test_merging_changes_no_answer(database: Database, story: Story) -> None:
    """Exposure, excursions, series, gaps and the last reading are the same for every known_on; fsck finds nothing."""
    told = [TOLD + n * STEP for n in range(len(story))]
    asked = [(told[-1], known_on) for known_on in [*told, *(at - TICK for at in told[::4]), FOREVER]]
    asked += [(STORED + timedelta(minutes=65), known_on) for known_on in (told[len(told) // 2], FOREVER)]
    with rolled_back(database) as connection:
        live_through(connection, story, merges=False)
        expected = [answers(connection, *when) for when in asked]
    with rolled_back(database) as connection:
        live_through(connection, story, merges=True)
        for when, one in zip(asked, expected, strict=True):
            assert answers(connection, *when) == one, when
        assert list(fsck_spans.check(connection)) == []


def test_these_stories_merge(database: Database) -> None:
    """Nine single readings become one chunk of nine in two steps, and a withdrawal brings back the eight others."""
    story: list[Sent | Gone | Round] = [*single(*[-20] * 9), Round()]
    with rolled_back(database) as connection:
        assert live_through(connection, [*story, Round()], merges=True) == 9 + 3
        assert [one.readings for one in _chunks(connection)] == [9]
    with rolled_back(database) as connection:
        live_through(connection, [*story, Gone(4)], merges=True)
        assert [one.readings for one in _chunks(connection)] == [3, 1, 1, 3]


def _chunks(connection: sa.Connection) -> list[readings.ChunkFacts]:
    return readings.chunks(connection, [SENSOR], ["temperature"], STORED, TOLD, FOREVER)
