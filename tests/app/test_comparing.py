"""Two samples side by side, and the pieces of a family by how clean they are, on both databases."""

from fractions import Fraction

import pytest

from shipsvc.app import cleanest, comparing, report_pages
from shipsvc.app.access import Actor
from shipsvc.app.comparing import Compared
from shipsvc.domain import errors
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from tests import sensed
from tests.trips import cold_trip, told
from tests.world import World, number, typed

AUDITOR = Actor("p24", frozenset({("TRP", "auditor")}))
NOW = "2026-11-25T12:00:00Z"


@pytest.fixture
def world(database: Database) -> World:
    """demo.md, in short: stone 1 is split into 0007 and 0009, 0007 into 0010 and 0011; 0024 is 400.0 mg of 0009 and
    1600.4 mg of 0005. 0007 stood open for 30 min before its chips were born, 0010 for 10 min after."""
    world = World(database)
    for stone in ("BRM-0001", "BRM-0005"):
        world.tell("registered", stone, "2025-01-20T14:00:00Z", item="sample")
        world.tell("stored", stone, "2025-01-20T14:40:00Z", place="TRP-GB1")
    split(world, "BRM-0001", "2025-02-03T10:00:00Z", "BRM-0007", "BRM-0009")
    world.tell("taken_out", "BRM-0007", "2025-02-18T10:00:00Z")
    split(world, "BRM-0007", "2025-02-18T10:30:00Z", "BRM-0010", "BRM-0011")
    for piece in ("BRM-0007", "BRM-0010", "BRM-0011"):
        world.tell("stored", piece, "2025-02-18T10:30:00Z", place="TRP-GB1")
    world.tell("taken_out", "BRM-0010", "2025-03-14T01:10:00Z")
    world.tell("stored", "BRM-0010", "2025-03-14T01:20:00Z", place="TRP-GB1")
    mixture = [{"number": "BRM0009", "mass": "400.0 mg"}, {"number": "BRM0005", "mass": "1600.4 mg"}]
    world.tell("combined", "BRM-0024", "2025-11-12T10:00:00Z", item="sample", parents=mixture)
    world.tell("stored", "BRM-0024", "2025-11-12T10:00:00Z", place="TRP-GB1")
    return world


def split(world: World, parent: str, happened: str, *children: str) -> None:
    """A split sheet, without masses."""
    world.tell("divided", parent, happened, children=[{"number": number(c)} for c in children])


def compared(world: World, one: str, other: str, actor: Actor = AUDITOR) -> Compared:
    """Two samples."""
    asked = report_pages.asked(None, None, parse_instant(NOW))
    with world.database.engine.connect() as connection:
        return comparing.compare(connection, actor, asked, typed(one), typed(other))


def test_two_chips_of_one_stone(world: World) -> None:
    """0010 and 0011 are both of 0007, whole, and part at its chipping; only 0010 stood open since."""
    found = compared(world, "BRM-0010", "BRM-0011")

    assert [(c.number, c.shares) for c in found.common] == [(number("BRM-0007"), (Fraction(1), Fraction(1)))]
    assert found.parted_at == parse_instant("2025-02-18T10:30:00Z")
    figures = [(s.out.at_least.total_seconds() / 60, s.least_since.total.total_seconds() / 60) for s in found.sides]
    assert figures == [(40, 10), (30, 0)]


def test_a_mixture_shares_a_part(world: World) -> None:
    """demo.md A10: 20.00 % of 0024 is stone 1, by way of 0009; it parts from 0010 when stone 1 was split."""
    found = compared(world, "BRM-0010", "BRM-0024")

    assert [(c.number, c.shares) for c in found.common] == [(number("BRM-0001"), (Fraction(1), Fraction(4000, 20004)))]
    assert found.parted_at == parse_instant("2025-02-03T10:00:00Z")


def test_a_piece_and_what_it_was_cut_from(world: World) -> None:
    """The nearest that both come from is the parent itself."""
    found = compared(world, "BRM-0007", "BRM-0011")

    assert [c.number for c in found.common] == [number("BRM-0007")]


def test_nothing_in_common(world: World) -> None:
    """Two stones never were one; who does not see one of two samples compares none."""
    assert compared(world, "BRM-0005", "BRM-0010").parted_at is None
    assert compared(world, "BRM-0005", "BRM-0010").common == ()
    with pytest.raises(errors.NotFound):
        compared(world, "BRM-0005", "BRM-0010", Actor("p11", frozenset({("MRL", "analyst")})))


def ranked(world: World, family: str, **threshold: object) -> list[str]:
    """Numbers of a family, the cleanest first, read in pages of two."""
    asked = report_pages.asked(None, None, parse_instant(NOW))
    found: list[str] = []
    key = None
    while True:
        with world.database.engine.connect() as connection:
            page = cleanest.cleanest(connection, AUDITOR, asked, key, 2, family=typed(family), **threshold)  # type: ignore[arg-type]  # by name
        found += [entry.key[-1] for entry in page]
        if len(page) < 2:
            return found
        key = page[-1].key


def test_the_cleanest_come_first(world: World) -> None:
    """0009 never stood open, 0007 and 0011 did for 30 min, 0010 for 40; what is contaminated comes last, with all that
    was made of it afterwards."""
    assert ranked(world, "BRM-0001") == [number(f"BRM-{n}") for n in ("0001", "0009", "0024", "0007", "0011", "0010")]

    world.tell("contamination_noted", "BRM-0009", "2025-06-01T00:00:00Z", what="foil")

    assert ranked(world, "BRM-0001") == [number(f"BRM-{n}") for n in ("0001", "0007", "0011", "0010", "0009", "0024")]


def test_ranked_by_a_threshold(database: Database) -> None:
    """The piece that was cut off before the warm trip comes before the one that made it."""
    world = cold_trip(database)
    told(world, sensed.place, "TRP-F9", "C")
    told(world, sensed.source, "PS-TRP-F9", 10, "temperature", "TRP-F9")
    told(world, sensed.send, "PS-TRP-F9", "temperature", [("2025-03-01T10:00:00Z", NOW, -20.0)], 30)
    split(world, "BRM-0011", "2025-03-01T10:00:00Z", "BRM-0012")
    world.tell("stored", "BRM-0012", "2025-03-01T10:00:00Z", place="TRP-F9")

    threshold = {"quantity": "temperature", "above": -15.0}
    assert ranked(world, "BRM-0011", **threshold) == [number("BRM-0012"), number("BRM-0011")]
