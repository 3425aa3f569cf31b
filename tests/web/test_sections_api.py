"""The account of a section over HTTP: told, used, polished, amended; by moments; for whom it is."""

from collections.abc import Iterator
from typing import Any

import pytest

from shipsvc.app import fsck
from shipsvc.web.deps import transaction
from tests.web.collection import Collection, collection, typed

CHIP, SECTION, BLOCK = "BRM-0001", "BRM-0002", "BRM-0003"
PATH = f"items/{typed(SECTION)}/section"


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip that became a section, lent to SMP, and a block; once on each database."""
    with collection(database_url) as found:
        what: dict[str, Any] = {"kind": "sample", "form": "material", "what": "chip", "prefix": "BRM", "count": 3}
        found.issue(**what)
        found.tell("cur", "TRP", "accessioned", CHIP, "2026-03-10T13:00:00Z", mass="2881.7 mg", balance="B1")
        made = [{"number": typed(SECTION), "area_mm2": "126.0", "thickness_um": "150"}, {"number": typed(BLOCK)}]
        found.tell("cur", "TRP", "embedded", CHIP, "2026-03-11T09:00:00Z", children=made, ends=True, resin="epoxy")
        found.tell("cur", "TRP", "released", SECTION, "2026-03-12T09:00:00Z", to="SMP")
        found.tell("ana", "SMP", "accepted", SECTION, "2026-03-13T09:00:00Z", from_="TRP")
        yield found


def test_area_and_thickness_in_place_of_mass(world: Collection) -> None:
    """The mass account ends in resin; pits and a polish are told of the section, and no book hears of them."""
    pits = world.tell("ana", "SMP", "used", SECTION, "2026-03-14T09:00:00Z", area_mm2="0.31", technique="ion probe")
    world.tell("ana", "SMP", "loss_noted", SECTION, "2026-03-15T09:00:00Z", thickness_um="120.5", process="polish")

    found = world.get("ana", PATH)

    assert (found["area_mm2"], found["used_mm2"], found["left_mm2"]) == ("126", "0.31", "125.69")
    assert (found["first_thickness_um"], found["thickness_um"], found["resin"]) == ("150", "120.5", "epoxy")
    assert [one["kind"] for one in found["changes"]] == ["used", "loss_noted"]
    assert found["changes"][0]["event_id"] == pits["id"]
    assert world.get("cur", PATH, as_of="2026-03-14T12:00:00Z")["thickness_um"] == "150"
    assert world.get("cur", PATH, known_on="2026-03-13T12:00:00Z")["changes"] == []
    assert world.get("cur", f"items/{typed(SECTION)}")["book"] is None
    with transaction(world.running.service, writes=False) as connection:
        assert list(fsck.check(connection)) == []


def test_an_amended_use_counts_as_amended(world: Collection) -> None:
    """Nothing is stored that an amendment would have to mend; a withdrawn one counts for nothing."""
    at = "2026-03-14T09:00:00Z"
    pits = world.tell("ana", "SMP", "used", SECTION, at, area_mm2="31")
    world.tell("ana", "SMP", "used", SECTION, at, "2026-03-15T09:00:00Z", amends=pits["id"], area_mm2="0.31")
    assert world.get("cur", PATH)["used_mm2"] == "0.31"
    assert world.get("cur", PATH, known_on="2026-03-14T12:00:00Z")["used_mm2"] == "31"
    more = world.tell("ana", "SMP", "used", SECTION, "2026-03-16T09:00:00Z", area_mm2="200")
    assert world.get("cur", PATH)["below_zero"] is True
    late = "2026-03-17T09:00:00Z"
    world.tell("ana", "SMP", "used", SECTION, "2026-03-16T09:00:00Z", late, amends=more["id"], withdraw=True)
    assert (world.get("cur", PATH)["used_mm2"], world.get("cur", PATH)["below_zero"]) == ("0.31", False)


def test_for_whom_it_is(world: Collection) -> None:
    """Who may see how it stands; a stranger's word takes nothing; a chip and a stranger's question have no answer."""
    world.tell("stranger", "MRL", "used", SECTION, "2026-03-14T09:00:00Z", area_mm2="5")
    assert world.get("cur", PATH)["used_mm2"] == "0"
    assert world.get("stranger", PATH, 404)["code"] == "not_found"
    assert world.get("cur", f"items/{typed(CHIP)}/section", 404)["code"] == "not_found"
    assert world.get("cur", f"items/{typed(BLOCK)}/section")["left_mm2"] is None


def test_a_use_says_how_much(world: Collection) -> None:
    """A mass, an area or a thickness; readings belong to a mass."""
    for body in ({}, {"mass": None}, {"area_mm2": "much"}, {"thickness_um": "1.0001"}, {"repeats": 3, "area_mm2": "1"}):
        world.tell("ana", "SMP", "used", SECTION, "2026-03-14T09:00:00Z", status=422, **body)
