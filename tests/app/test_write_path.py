"""What the write path asks the database: nothing about masses where a fact moves none."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.store.engine import Database
from shipsvc.store.tables_derived import MassMove
from tests.world import World

ABOUT_MASS = ("mass_move", "comparison", "parentage")


@pytest.fixture
def world(database: Database) -> World:
    """A sample with a history of weighings, uses and a piece, on each database."""
    found = World(database)
    found.tell("registered", "BRM-0001", "2025-01-27T10:00:00Z", item="sample", mass="1000 mg", balance="B1")
    found.tell("weighed", "BRM-0001", "2025-01-28T10:00:00Z", mass="999 mg", balance="B1")
    found.tell("used", "BRM-0001", "2025-01-29T10:00:00Z", mass="10 mg", balance="B1")
    found.tell("divided", "BRM-0001", "2025-01-30T10:00:00Z", children=[{"number": "BRM0002", "mass": "5 mg"}])
    return found


@contextmanager
def asked(world: World) -> Iterator[set[str]]:
    """Which of the tables about mass statements name meanwhile."""
    named: set[str] = set()

    def see(_conn: Any, _cursor: Any, statement: str, *_: Any) -> None:
        named.update(table for table in ABOUT_MASS if table in statement)

    sa.event.listen(world.database.engine, "before_cursor_execute", see)
    yield named
    sa.event.remove(world.database.engine, "before_cursor_execute", see)


def test_a_scan_asks_nothing_about_masses(world: World) -> None:
    """Most facts are scans: they pay nothing for the ledger, also told of a box with samples in it."""
    with asked(world) as named:
        world.tell("seen", "BRM-0001", "2025-02-01T10:00:00Z")
        world.tell("stored", ["BRM-0001", "BRM-0002"], "2025-02-02T10:00:00Z", place="TRP-GB1")
        world.tell("released", "BRM-0001", "2025-02-03T10:00:00Z", to="TSI")

    assert named == set()


def test_what_moves_mass_is_looked_up_and_written(world: World) -> None:
    """And so is what undoes it: a use that is withdrawn, or that never was one."""
    with asked(world) as named:
        told = world.tell("used", "BRM-0001", "2025-02-01T10:00:00Z", mass="10 mg", balance="B1")
    assert named == {"mass_move"}  # nothing later is known that could come out otherwise

    with asked(world) as named:
        world.tell(
            "used", "BRM-0001", "2025-02-01T10:00:00Z", told="2025-02-05T10:00:00Z", amends=told["id"], withdraw=True
        )
    assert named == set(ABOUT_MASS)
    assert world.state("BRM-0001", "2025-02-06T10:00:00Z").book.mass_ng == 985 * 10**6


def test_a_scan_told_late_leaves_what_came_after(world: World) -> None:
    """Told between acts on mass it folds those again, and finds them as they were."""
    before = len(world.all(MassMove))
    world.tell("seen", "BRM-0001", "2025-01-28T11:00:00Z", told="2025-02-05T10:00:00Z")

    assert len(world.all(MassMove)) == before
