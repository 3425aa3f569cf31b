"""Budgets that were passed become cases, one for each cause, on both databases."""

from typing import Any

import pytest
from typer.testing import CliRunner

from shipsvc import cli
from shipsvc.app import budget_watch, fsck
from shipsvc.app.budget_watch import Passed
from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.store.engine import Database
from shipsvc.store.tables_cases import CaseItem, CaseRecord
from tests.world import World, number

HOUR_S = 3600
NOW = "2025-12-01T00:00:00Z"
SAID = "3 samples looked at, 1 budgets passed.\n0 small chunks of readings merged to 0.\n"


@pytest.fixture
def world(database: Database) -> World:
    """A stone in nitrogen that may be out for 8 h at a time, and for 72 h in its life (demo.md T3)."""
    world = World(database)
    world.place("TRP-GB1", "N")
    world.describe("N", lifetime_budget_s=72 * HOUR_S, single_budget_s=8 * HOUR_S)
    world.tell("registered", "BRM-0001", "2025-01-20T14:40:00Z", item="sample")
    world.tell("stored", "BRM-0001", "2025-01-20T14:40:00Z", place="TRP-GB1")
    return world


def out(world: World, item: str, since: str, until: str, told: str = "") -> None:
    """Open for a while."""
    world.tell("taken_out", item, since, told=told or since)
    world.tell("stored", item, until, told=told or until, place="TRP-GB1")


def watched(world: World, now: str = NOW) -> list[Passed]:
    """One round: what was passed, with its cases opened."""
    with world.database.engine.connect() as connection:
        found, _ = budget_watch.page(connection, parse_instant(now), None, "", 100)
    for one in found:
        with world.writing() as connection:
            budget_watch.open_case(connection, parse_instant(now), one)
    return found


def told(found: list[Passed]) -> list[tuple[str, str, str, list[str]]]:
    """What was passed, by whom first, when, and who carries it."""
    return [(one.item, one.budget.which, format_instant(one.at), one.items) for one in found]


def cases(world: World) -> list[dict[str, Any]]:
    """The cases, with their things."""
    things = world.all(CaseItem)
    return [
        {**case, "items": sorted(t["item"] for t in things if t["case_code"] == case["code"])}
        for case in world.all(CaseRecord)
    ]


def test_at_the_budget_nothing_is_passed(world: World) -> None:
    """Trade 2.5: 8 h at one time are allowed, and a minute more is not; the case says when they were over."""
    out(world, "BRM-0001", "2025-02-01T08:00:00Z", "2025-02-01T16:00:00Z")
    assert watched(world) == []
    out(world, "BRM-0001", "2025-02-02T08:00:00Z", "2025-02-02T16:01:00Z")

    assert told(watched(world)) == [("BRM0001", "single", "2025-02-02T16:00:00Z", ["BRM0001"])]
    (case,) = cases(world)
    assert (case["kind"], case["owner"], case["items"]) == ("exposure", "TRP", ["BRM0001"])
    assert case["what"] == "Out of profile N for longer than the 8 h that it may be at one time"
    assert format_instant(case["found_at"]) == "2025-02-02T16:00:00Z"


def test_a_life_is_the_sum_and_pieces_join_the_case(world: World) -> None:
    """Twelve times 7 h are 84 h: 72 h are over at 2 h into the eleventh. A piece made later carries the same case."""
    for day in range(1, 13):
        out(world, "BRM-0001", f"2025-03-{day:02}T08:00:00Z", f"2025-03-{day:02}T15:00:00Z")
    world.tell("divided", "BRM-0001", "2025-03-05T20:00:00Z", told="2025-04-01T00:00:00Z", children=_piece("BRM-0006"))
    world.tell("divided", "BRM-0001", "2025-03-20T20:00:00Z", told="2025-04-01T01:00:00Z", children=_piece("BRM-0007"))

    found = told(watched(world))
    assert found == [("BRM0001", "lifetime", "2025-03-11T10:00:00Z", ["BRM0001", "BRM0007"])]
    assert [case["items"] for case in cases(world)] == [["BRM0001", "BRM0007"]]

    # Asked again, and once more is known: nothing is opened twice, and what is new joins.
    world.tell("divided", "BRM-0001", "2025-03-21T20:00:00Z", told="2025-12-02T00:00:00Z", children=_piece("BRM-0008"))
    watched(world, "2025-12-03T00:00:00Z")
    assert [case["items"] for case in cases(world)] == [["BRM0001", "BRM0007", "BRM0008"]]
    with world.database.engine.connect() as connection:
        assert [str(one) for one in fsck.check(connection)] == []


def _piece(name: str) -> list[dict[str, str]]:
    return [{"number": number(name)}]


def test_a_word_told_late_passes_a_budget(world: World) -> None:
    """A time out of months ago passes it now; a withdrawn one leaves the case to a person."""
    late = "2025-11-01T00:00:00Z"
    out(world, "BRM-0001", "2025-02-01T08:00:00Z", "2025-02-01T17:00:00Z", told=late)
    (one,) = watched(world)

    assert format_instant(one.at) == "2025-02-01T16:00:00Z"
    world.tell("stored", "BRM-0001", "2025-02-01T09:00:00Z", told="2025-12-02T00:00:00Z", place="TRP-GB1")
    assert watched(world, "2025-12-03T00:00:00Z") == []
    assert len(cases(world)) == 1


def test_what_nobody_described_or_bounded_is_never_passed(world: World) -> None:
    """S has no budget, and of X nobody said anything: no case comes of either."""
    world.describe("S")
    for code in ("S", "X"):
        world.tell("profile_set", "BRM-0001", f"2025-0{2 + (code == 'X')}-01T00:00:00Z", profile=code)
        month = "02" if code == "S" else "03"
        out(world, "BRM-0001", f"2025-{month}-02T00:00:00Z", f"2025-{month}-20T00:00:00Z")

    assert watched(world) == []


def test_the_command_goes_through_all(sqlite_database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    """``shipsvc work --once`` opens the case, and says how many were looked at; the second time it opens none."""
    world = World(sqlite_database)
    world.place("TRP-GB1", "N")
    world.describe("N", single_budget_s=HOUR_S)
    for item in ("BRM-0001", "BRM-0002", "BRM-0003"):
        world.tell("registered", item, "2025-01-20T14:40:00Z", item="sample")
        world.tell("stored", item, "2025-01-20T14:40:00Z", place="TRP-GB1")
    out(world, "BRM-0003", "2025-02-01T08:00:00Z", "2025-02-01T10:00:00Z")
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", str(sqlite_database.engine.url))
    monkeypatch.setattr("shipsvc.cli_work.PAGE", 2)

    first, second = (CliRunner().invoke(cli.app, ["work", "--once"]) for _ in range(2))

    assert [first.output, second.output] == [SAID] * 2, first.output
    assert [case["items"] for case in cases(world)] == [["BRM0003"]]
