"""Swapped box-mates: the receipt of L-05 in demo.md 7.4, on both databases."""

from typing import Any

import pytest

from shipsvc.app.reports_record import mass_discrepancies
from shipsvc.store.engine import Database
from tests.app.test_reports import read
from tests.world import World, typed

#: What was sent (B2) and what the borrower found under each label, in mg.
VIALS = {
    "0017": ("250.12", "250.55"),
    "0018": ("250.31", "248.88"),
    "0019": ("248.79", "250.47"),
    "0020": ("251.06", "251.20"),
}
SWAPPED = [typed("BRM-0018"), typed("BRM-0019")]


@pytest.fixture
def world(database: Database) -> World:
    """Four samples in vials in one jar, handed to a borrower who weighs each."""
    found = World(database)
    found.tell("registered", "JA-01", "2025-04-02T09:00:00Z", item="container", form="jar")
    for name, (sent, _) in VIALS.items():
        words: dict[str, Any] = {"item": "sample", "mass": f"{sent} mg", "material": "powder", "moisture_class": "CM"}
        found.tell("registered", f"BRM-{name}", "2025-04-02T09:00:00Z", balance="B2", **words)
        found.tell("registered", f"V-{name}", "2025-04-02T09:00:00Z", item="container", form="vial")
        found.tell("packed", f"BRM-{name}", "2025-04-02T09:10:00Z", into=f"V{name}", material=True)
        found.tell("packed", f"V-{name}", "2025-04-23T10:30:00Z", into="JA01")
    found.tell("released", "JA-01", "2025-04-23T13:00:00Z", to="TSI")
    found.tell("accepted", "JA-01", "2025-04-30T15:05:00Z", "TSI", from_="TRP")
    return found


def weigh(world: World, *names: str, at: str = "2025-04-30T18:00:00Z") -> None:
    """The borrower weighs what is under these labels."""
    for name in names:
        world.tell("weighed", f"BRM-{name}", at, "TSI", mass=f"{VIALS[name][1]} mg", balance="B6")


def marked(world: World, **asked: Any) -> list[str]:
    """Which samples are marked as swapped, in any weighing."""
    rows = read(world, mass_discrepancies, verdict="all", **asked)
    return [row["item"] for row in rows if "swap_suspected" in row["marks"]]


def test_swapped_box_mates_are_marked(world: World) -> None:
    """-1.43 and +1.68 fit when exchanged; 0017 took up water and 0020 agrees, and are not marked; verdicts stay."""
    weigh(world, *VIALS)

    assert marked(world) == SWAPPED
    verdicts = {row["item"]: row["verdict"] for row in read(world, mass_discrepancies, verdict="all")}
    assert verdicts[SWAPPED[1]] == "likely_water"
    assert marked(world, as_of="2025-04-30T17:00:00Z") == []


def test_the_mark_stays_until_it_is_put_right(world: World) -> None:
    """What comes back under the wrong label a year later is marked as well; an amended weighing ends it."""
    weigh(world, "0018", "0020")
    first = world.tell("weighed", "BRM-0019", "2025-04-30T18:10:00Z", "TSI", mass="250.47 mg", balance="B6")
    world.tell("weighed", "BRM-0019", "2026-05-22T11:30:00Z", "TSI", mass="250.07 mg", balance="B6")
    assert marked(world) == [*SWAPPED, SWAPPED[1]]

    world.tell(
        "weighed", "BRM-0019", "2025-04-30T18:10:00Z", "TSI", "2026-05-27T10:00:00Z",
        amends=first["id"], mass="248.80 mg", balance="B6",
    )  # fmt: skip
    assert marked(world) == []


@pytest.mark.parametrize(
    ("names", "at"), [(("0018",), "2025-04-30T18:00:00Z"), (("0018", "0020"), "2025-04-30T18:00:00Z")]
)
def test_one_alone_is_not_swapped(world: World, names: tuple[str, ...], at: str) -> None:
    """It takes two that differ."""
    weigh(world, *names, at=at)

    assert marked(world) == []


def test_weighings_of_other_days_or_boxes_are_no_pair(world: World) -> None:
    """What was weighed a week later, or lies elsewhere by then, was not mixed up in this unpacking."""
    weigh(world, "0018")
    weigh(world, "0019", at="2025-05-08T18:00:00Z")
    assert marked(world) == []

    world.tell("unpacked", "V-0019", "2025-04-30T16:00:00Z", "TSI")
    weigh(world, "0019", at="2025-04-30T18:30:00Z")
    assert marked(world) == []
