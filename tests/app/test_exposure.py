"""Time out from told facts: the rows of demo.md 7.3 that the custody record alone can reach, on both databases.

Told are the open times of demo.md T19, the splits of T7 and the trips that the story needs. What only sensors or
loggers can show stays out: the ninety minutes of bad air for the tray of 0007, the warm hours and the gap of 0011.
"""

from datetime import UTC, datetime, timedelta

import pytest
import sqlalchemy as sa
from sqlalchemy import event

from shipsvc.app import charges, exposure
from shipsvc.app.exposure import parents_first
from shipsvc.domain.exposure import TimeOut
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from tests.world import World, number

NOW = "2026-11-25T12:00:00Z"
STONE_1, STONE_5 = "2025-01-20T14:40:00Z", "2025-01-25T11:00:00Z"
FALL = "2025-01-18T19:42:00Z"


@pytest.fixture
def world(database: Database) -> World:
    """Braithmoss from its fall to the last split, as far as time out of storage is concerned."""
    world = World(database)
    for place in ("TRP-GB1", "TSI-N1", "SMP-N1"):
        world.place(place, "N")
    world.describe("N", lifetime_budget_s=72 * 3600, single_budget_s=8 * 3600)
    for stone, stored in (("BRM-0001", STONE_1), ("BRM-0005", STONE_5)):
        world.tell("registered", stone, FALL, told=stored, item="sample")
        world.tell("stored", stone, stored, place="TRP-GB1")
    open_times(world, "BRM-0001", "2025-01-27T10:00:00Z", "2025-01-27T11:30:00Z")
    open_times(world, "BRM-0001", "2025-01-27T13:00:00Z", "2025-01-27T13:15:00Z")
    open_times(world, "BRM-0005", "2025-01-28T09:00:00Z", "2025-01-28T13:00:00Z")
    split(world, "BRM-0001", "2025-02-03T10:00:00Z", "BRM-0006", "BRM-0007", "BRM-0008", "BRM-0009", ends=True)
    world.tell("taken_out", "BRM-0007", "2025-02-18T10:00:00Z")
    split(world, "BRM-0007", "2025-02-18T10:30:00Z", "BRM-0010", "BRM-0011", "BRM-0012", "BRM-0016")
    for piece in ("BRM-0007", "BRM-0010", "BRM-0011", "BRM-0012", "BRM-0016"):
        world.tell("stored", piece, "2025-02-18T10:30:00Z", place="TRP-GB1")
    open_times(world, "BRM-0016", "2025-02-25T14:00:00Z", "2025-02-25T14:40:00Z")
    split(world, "BRM-0016", "2025-04-02T10:00:00Z", "BRM-0017", "BRM-0018", "BRM-0019", "BRM-0020")
    mixture = [{"number": "BRM0009", "mass": "400.0 mg"}, {"number": "BRM0005", "mass": "1600.4 mg"}]
    world.tell("combined", "BRM-0024", "2025-11-12T10:00:00Z", item="sample", parents=mixture)
    open_times(world, "BRM-0024", "2025-11-12T10:00:00Z", "2025-11-12T10:30:00Z")
    return world


def open_times(world: World, item: str, out: str, back: str, acting_for: str = "TRP", place: str = "TRP-GB1") -> None:
    """A line of T19."""
    world.tell("taken_out", item, out, acting_for)
    world.tell("stored", item, back, acting_for, place=place)


def split(world: World, parent: str, happened: str, *children: str, ends: bool = False) -> None:
    """A split sheet, without masses."""
    world.tell("divided", parent, happened, children=[{"number": number(c)} for c in children], ends=ends)


def travel(world: World, item: str, to: str, left: str, arrived: str) -> None:
    """From a store to a laboratory, with both words."""
    world.tell("released", item, left, to=to)
    world.tell("accepted", item, arrived, to, from_="TRP")


def found(world: World, *names: str, as_of: str = NOW, known_on: str | None = None) -> dict[str, TimeOut]:
    """The time out of the items."""
    numbers = [number(name) for name in names]
    with world.database.engine.connect() as connection:
        known = parse_instant(known_on) if known_on else None
        return exposure.time_out(connection, numbers, parse_instant(as_of), known)


def hours(text: str) -> timedelta:
    """``2:25`` is two hours and twenty-five minutes."""
    whole, part = text.split(":")
    return timedelta(hours=int(whole), minutes=int(part))


def test_rows_of_the_table_that_need_no_logger(world: World) -> None:
    """demo.md 7.3, at least: 0001 1 h 45, 0005 4 h, 0016 and its aliquots 2 h 55, 0024 the worst parent and 0 h 30."""
    open_times(world, "BRM-0010", "2025-03-14T01:10:00Z", "2025-03-14T01:20:00Z", place="TSI-N1")
    open_times(world, "BRM-0012", "2025-04-03T17:00:00Z", "2025-04-03T17:10:00Z", place="SMP-N1")
    split(world, "BRM-0012", "2025-06-20T19:00:00Z", "BRM-0021", "BRM-0022", "BRM-0023", ends=True)

    expected = {
        "BRM-0001": "1:45",
        "BRM-0005": "4:00",
        "BRM-0010": "2:25",
        "BRM-0012": "2:25",
        "BRM-0021": "2:25",
        "BRM-0022": "2:25",
        "BRM-0023": "2:25",
        "BRM-0016": "2:55",
        "BRM-0017": "2:55",
        "BRM-0020": "2:55",
        "BRM-0024": "4:30",
        # Of 0007 (3 h 45) the sensor's 1 h 30 are missing here; of 0011 all that it was out of the cold.
        "BRM-0007": "2:15",
        "BRM-0011": "2:15",
    }
    both = found(world, *expected)
    assert {name: both[number(name)].at_least for name in expected} == {n: hours(h) for n, h in expected.items()}
    assert all(out.at_most == out.at_least for out in both.values())


def test_time_before_accession_is_that_of_the_stone(world: World) -> None:
    """demo.md 7.3: 42 h 58 min for stone 1 and all of its family, 159 h 18 min for 0005 and, the worst parent, 0024."""
    both = found(world, "BRM-0001", "BRM-0009", "BRM-0020", "BRM-0005", "BRM-0024")

    before = [hours("42:58")] * 3 + [hours("159:18")] * 2
    assert [out.before_accession for out in both.values()] == before


def test_a_journey_counts_at_most(world: World) -> None:
    """Trade 2.5: proven out, and not proven in. T-01: released 03-10 10:05Z, stored 03-14 01:00Z, 86 h 55 min."""
    travel(world, "BRM-0010", "TSI", "2025-03-10T10:05:00Z", "2025-03-14T00:10:00Z")
    world.tell("stored", "BRM-0010", "2025-03-14T01:00:00Z", "TSI", place="TSI-N1")

    out = found(world, "BRM-0010")["BRM0010"]

    assert (out.at_least, out.at_most) == (hours("2:15"), hours("2:15") + hours("86:55"))
    assert out.longest_at_most == hours("86:55")


def test_open_times_of_the_aliquots_at_the_laboratory(world: World) -> None:
    """demo.md 7.3, 0017 to 0020: the 2 h 55 min that they were born with, and 0 h 20 min of their own at LSC."""
    aliquots = ["BRM-0017", "BRM-0018", "BRM-0019", "BRM-0020"]
    for aliquot in aliquots:
        open_times(world, aliquot, "2025-04-30T18:00:00Z", "2025-04-30T18:20:00Z", place="LSU-D1")

    assert {out.at_least for out in found(world, *aliquots).values()} == {hours("3:15")}


def test_each_profile_is_charged_its_own_time(world: World) -> None:
    """demo.md 7.3 and T16: 0017 2 h 55 min under N and 0 h 20 min under D; 0011 2 h 15 min under N, then C."""
    world.tell("profile_set", "BRM-0011", "2025-02-19T14:00:00Z", profile="C")
    open_times(world, "BRM-0011", "2025-03-24T08:05:00Z", "2025-03-24T08:25:00Z", place="TRP-F1")
    world.tell("profile_set", "BRM-0017", "2025-04-30T15:05:00Z", profile="D")
    open_times(world, "BRM-0017", "2025-04-30T18:00:00Z", "2025-04-30T18:20:00Z", place="LSU-D1")

    both = found(world, "BRM-0011", "BRM-0017")

    shares = {n: {s.profile: (s.at_least, s.at_most) for s in out.shares} for n, out in both.items()}
    assert shares["BRM0011"] == {"C": (hours("0:20"),) * 2, "N": (hours("2:15"),) * 2}
    assert shares["BRM0017"] == {"D": (hours("0:20"),) * 2, "N": (hours("2:55"),) * 2}
    with world.database.engine.connect() as connection:
        charged = charges.charged(connection, both, parse_instant(NOW), None)
    # Nobody described C and D: what is charged to them cannot be judged.
    assert {c.share.profile: str(c.state) for c in charged["BRM0017"]} == {"D": "cannot_be_told", "N": "within"}
    assert charges.worst(charged["BRM0011"]) == "cannot_be_told"


def test_time_since_the_fall_where_the_collection_says_when(database: Database) -> None:
    """demo.md 7.3: from 2025-01-18 19:42Z to the first storing 42 h 58 min; a piece has its parent's, and no own."""
    world = World(database)
    world.fell("2025-01-18T19:42:00Z")
    world.tell("registered", "BRM-0001", STONE_1, item="sample")
    world.tell("stored", "BRM-0001", STONE_1, place="TRP-GB1")
    split(world, "BRM-0001", "2025-02-03T10:00:00Z", "BRM-0006")
    world.tell("registered", "BRM-0002", "2025-01-26T00:00:00Z", item="sample")

    both = found(world, "BRM-0001", "BRM-0006", "BRM-0002", as_of="2025-02-04T00:00:00Z")

    assert [both[n].before_accession for n in ("BRM0001", "BRM0006")] == [hours("42:58")] * 2
    # Never stored: it is still out, by no account of ours.
    assert both["BRM0002"].before_accession == timedelta(days=16, hours=4, minutes=18)
    assert all(out.at_most == timedelta() for out in both.values())


def test_asked_of_the_past_and_as_known_in_the_past(world: World) -> None:
    """Promise 2: a time told late counts from when it happened, and is unknown in answers as known before."""
    late = "2026-03-01T09:00:00Z"
    world.tell("taken_out", "BRM-0001", "2025-01-29T08:00:00Z", told=late)
    world.tell("stored", "BRM-0001", "2025-01-29T09:00:00Z", told=late, place="TRP-GB1")

    def at_least(as_of: str, known_on: str | None = None) -> timedelta:
        return found(world, "BRM-0010", as_of=as_of, known_on=known_on)["BRM0010"].at_least

    assert at_least(NOW) == hours("3:15")
    assert at_least(NOW, "2026-02-28T00:00:00Z") == hours("2:15")
    # Before its birth the number named nothing.
    assert at_least("2025-02-18T10:29:00Z") == hours("0:00")
    assert at_least("2025-02-18T10:30:00Z") == hours("3:15")


def test_the_number_of_statements_does_not_grow(world: World) -> None:
    """A page of any size, of any depth of descent, is a fixed number of SELECTs."""
    seen: list[str] = []

    def listen(_c: sa.Connection, _cursor: object, statement: str, *_rest: object) -> None:
        if "SELECT" in statement:
            seen.append(statement)

    event.listen(world.database.engine, "before_cursor_execute", listen)
    try:
        found(world, "BRM-0005")
        few = len(seen)
        found(world, "BRM-0005", "BRM-0017", "BRM-0018", "BRM-0024", "BRM-0011")
    finally:
        event.remove(world.database.engine, "before_cursor_execute", listen)
    assert few <= 12
    assert len(seen) == 2 * few


def test_a_circle_of_descent_is_survived(world: World) -> None:
    """A record by which a sample descends from itself is a mistake, not an endless loop; what is told still counts."""
    split(world, "BRM-0010", "2025-05-01T10:00:00Z", "BRM-0007")

    both = found(world, "BRM-0007", "BRM-0010")

    assert both["BRM0010"].at_least >= hours("0:30")
    assert both["BRM0007"].at_least >= hours("0:30")


def test_parents_come_first() -> None:
    """Each behind its parents, each once; a long line needs no deep stack, a circle ends."""
    at = datetime(2025, 1, 1, tzinfo=UTC)
    line = {f"A{n}": [(at, f"A{n + 1}")] for n in range(5_000)}
    assert parents_first(["A0"], line) == [f"A{n}" for n in range(5_000, -1, -1)]

    diamond = {"D": [(at, "B"), (at, "C")], "B": [(at, "A")], "C": [(at, "A"), (at, "B")]}
    order = parents_first(["D", "B"], diamond)
    assert sorted(order) == ["A", "B", "C", "D"]
    assert all(order.index(p) < order.index(c) for c, births in diamond.items() for _, p in births)

    assert sorted(parents_first(["A"], {"A": [(at, "B")], "B": [(at, "A")]})) == ["A", "B"]


def test_nothing_asked_nothing_answered(sqlite_database: Database) -> None:
    """An empty page is an empty answer; an item without any span was never out."""
    with sqlite_database.engine.connect() as connection:
        assert exposure.time_out(connection, [], parse_instant(NOW), None) == {}
        assert exposure.time_out(connection, ["BRM0001"], parse_instant(NOW), None) == {"BRM0001": TimeOut()}
