"""What loggers and sensors say of samples, from told facts and stored readings: demo.md T-02, T11, A20.

On both databases.
"""

import json
from collections.abc import Sequence
from datetime import timedelta

import pytest
import sqlalchemy as sa
from sqlalchemy import event

from shipsvc.app import exposure, incidents, judging, report_pages
from shipsvc.app.access import Actor
from shipsvc.app.judging import Judged
from shipsvc.domain import evidence
from shipsvc.domain.times import Intervals, parse_instant
from shipsvc.store import descent, readings
from shipsvc.store.documents import When
from shipsvc.store.engine import Database
from shipsvc.store.tables import FOREVER
from tests import sensed
from tests.trips import COLD, bad_air, cold_trip, told
from tests.world import World, number, typed

NOW = "2026-11-25T12:00:00Z"


@pytest.fixture
def world(database: Database) -> World:
    """The trip T-02 of 0011."""
    return cold_trip(database)


@pytest.fixture
def glovebox(database: Database) -> World:
    """The bad air of TRP-GB1."""
    return bad_air(database)


def judged(world: World, item: str, known_on: str | None = None) -> list[Judged]:
    """The stays of a sample itself."""
    when = When(parse_instant(NOW), parse_instant(known_on) if known_on else FOREVER)
    with world.database.engine.connect() as connection:
        spans = descent.own_stays(connection, [number(item)], when)
        return list(judging.judge(connection, spans, when).stays.get(number(item), ()))


def figures(stays: Sequence[Judged]) -> tuple[str, str]:
    """At least and at most, in hours and minutes."""
    charged = [stay.charged for stay in stays if stay.accessioned]
    return shown(evidence.union(c[0] for c in charged)), shown(evidence.union(c[1] for c in charged))


def shown(found: Intervals) -> str:
    """``37:10`` is 37 h 10 min."""
    minutes, rest = divmod(found.total, timedelta(minutes=1))
    assert rest == timedelta()
    return f"{minutes // 60}:{minutes % 60:02}"


def test_the_row_of_0011(world: World) -> None:
    """demo.md 7.3: pack 0:20, warm 31:20, unpack 0:20, freezer 5:10; the late start in the jar 2:45 at most."""
    assert figures(judged(world, "BRM-0011")) == ("37:10", "39:55")


def test_before_anything_was_read_out(world: World) -> None:
    """As known before the files came: taken out 0:40, and nothing is proven of the trip, nor of the freezer with a
    sensor that told nothing yet (a gap is a gap)."""
    at_least, at_most = figures(judged(world, "BRM-0011", known_on="2025-12-31T00:00:00Z"))

    assert at_least == "0:40"
    assert at_most == shown(Intervals.from_pairs([(parse_instant("2025-03-24T08:05:00Z"), parse_instant(NOW))]))


def test_a_clock_that_is_set_right_moves_the_figure(world: World) -> None:
    """LG-101 turns out to have been an hour fast: it began an hour earlier (1:45 unknown instead of 2:45) and ended
    45 min before the jar was opened; the old figure stays readable as known before."""
    check = {"id": "check-1", "source": "LG-101", "run": "", "logger_at": parse_instant("2025-04-01T02:00:00Z")}
    check |= {"true_at": parse_instant("2025-04-01T01:00:00Z"), "recorded_at": parse_instant("2026-02-01T00:00:00Z")}
    with world.writing() as connection:
        readings.add_clock_check(connection, {**check, "actor": "p1"})

    assert figures(judged(world, "BRM-0011")) == ("37:10", "39:40")
    assert figures(judged(world, "BRM-0011", known_on="2026-01-31T00:00:00Z")) == ("37:10", "39:55")


def test_a_file_that_comes_late_moves_the_figure(world: World) -> None:
    """The sensor of the freezer at home tells of three warm hours in its own good time."""
    told(world, sensed.source, "PS-TRP-F1", 10, "temperature", "TRP-F1")
    cold = (
        ("2025-02-01T00:00:00Z", "2025-03-01T11:50:00Z", -20.0),
        ("2025-03-01T15:10:00Z", "2025-03-25T00:00:00Z", -20.0),
    )
    warm = [
        ("2025-03-01T12:00:00Z", "2025-03-01T12:00:00Z", -15.0),
        ("2025-03-01T12:10:00Z", "2025-03-01T14:50:00Z", -2.0),
    ]
    told(
        world,
        sensed.send,
        "PS-TRP-F1",
        "temperature",
        [cold[0], *warm, ("2025-03-01T15:00:00Z",) * 2 + (-15.0,), cold[1]],
        10,
        "2026-03-01T00:00:00Z",
    )

    assert figures(judged(world, "BRM-0011")) == ("40:10", "42:55")


def test_a_place_that_keeps_another_profile(world: World) -> None:
    """Without a sensor it is controlled only if it keeps the sample's profile, or one as strict (rulings 22)."""
    told(world, sensed.describe, "N", COLD, "temperature")
    told(world, sensed.describe, "CC", COLD, "temperature", as_strict_as=json.dumps(["C"]))
    told(world, sensed.place, "TRP-GB1", "N")
    told(world, sensed.place, "TRP-F2", "CC")
    world.tell("stored", "BRM-0011", "2026-11-20T00:00:00Z", "MRL", place="TRP-F2")
    world.tell("stored", "BRM-0011", "2026-11-21T00:00:00Z", "MRL", place="TRP-GB1")
    world.tell("stored", "BRM-0011", "2026-11-21T03:00:00Z", "MRL", place="MRL-F1")

    assert figures(judged(world, "BRM-0011")) == ("37:10", "42:55")


def test_without_a_profile_only_the_record_speaks(database: Database) -> None:
    """Taken out, packed, received: nothing is proven."""
    world = World(database)
    told(world, sensed.source, "LG-1", 10, "temperature")
    world.tell("registered", "BRM-0001", "2025-02-19T13:00:00Z", item="sample")
    world.tell("stored", "BRM-0001", "2025-02-19T14:00:00Z", place="TRP-F1")
    world.tell("logger_placed", "BRM-0001", "2025-02-19T14:00:00Z", logger="LG-1")
    told(world, sensed.send, "LG-1", "temperature", [("2025-02-19T14:00:00Z", "2025-02-20T14:00:00Z", 20.0)], 10)
    world.tell("released", "BRM-0001", "2025-02-20T02:00:00Z", to="MRL")
    world.tell("stored", "BRM-0001", "2025-02-20T04:00:00Z", place="TRP-F1")

    assert figures(judged(world, "BRM-0001")) == ("0:00", "2:00")


# ---------------------------------------------------------------------------------------------------- A20: bad air
def incident(world: World) -> dict[str, tuple[str, str, int, list[str]]]:
    """Who was in the glovebox."""
    asked = report_pages.asked(None, None, parse_instant("2025-06-12T00:00:00Z"))
    window = {"since": parse_instant("2025-06-08T02:00:00Z"), "until": parse_instant("2025-06-08T03:30:00Z")}
    auditor = Actor("p24", frozenset({("TRP", "auditor")}))
    with world.database.engine.connect() as connection:
        found = incidents.incident(connection, auditor, asked, None, 100, place="TRP-GB1", **window)
    names = ("closed", "exposed", "exposed_at_least_s", "children")
    return {entry.key[0]: tuple(entry.fields[name] for name in names) for entry in found}


def test_who_was_in_the_bad_air(glovebox: World) -> None:
    """A20: only the open tray of 0007; what was made of it since carries it too; the closed vial is not touched."""
    assert incident(glovebox) == {
        "BRM0007": ("no", "yes", 5400, [typed("BRM-0010"), typed("BRM-0012")]),
        "BRM0016": ("yes", "no", 0, []),
    }


def test_the_open_tray_is_charged_and_its_later_children_inherit(glovebox: World) -> None:
    """demo.md 7.3: 1 h 30 min for the open tray; a chip made of it later carries that, a closed vial has none."""
    names = [number(n) for n in ("BRM-0007", "BRM-0012", "BRM-0016")]
    with glovebox.database.engine.connect() as connection:
        out = exposure.time_out(connection, names, parse_instant("2025-06-09T00:00:00Z"), None)
        later = exposure.time_out(connection, names, parse_instant("2025-06-12T00:00:00Z"), None)

    assert [shown(out[n].proven) for n in names] == ["1:30", "0:00", "0:00"]
    assert [shown(later[n].proven) for n in names] == ["1:30", "1:30", "0:00"]


def test_the_number_of_statements_is_bounded(glovebox: World) -> None:
    """However many samples: a fixed number of SELECTs, and one for each chunk that is opened (here the breach)."""
    seen: list[str] = []

    def listen(_c: sa.Connection, _cursor: object, statement: str, *_rest: object) -> None:
        if "SELECT" in statement:
            seen.append(statement)

    event.listen(glovebox.database.engine, "before_cursor_execute", listen)
    counts = []
    try:
        for names in (["BRM-0016"], ["BRM-0007"], ["BRM-0007", "BRM-0010", "BRM-0012", "BRM-0016"]):
            with glovebox.database.engine.connect() as connection:
                exposure.time_out(connection, [number(n) for n in names], parse_instant(NOW), None)
            opened = sum("reading_chunk.data" in statement for statement in seen)
            counts.append((len(seen) - opened, opened))
            seen.clear()
    finally:
        event.remove(glovebox.database.engine, "before_cursor_execute", listen)

    assert [fixed for fixed, _ in counts] == [counts[0][0]] * 3
    # The oxygen of the place, which does not reach the closed vial; the other series are within their limits.
    assert [opened for _, opened in counts] == [0, 1, 1]
