"""What samples are to be kept under, and whether things are closed: by told facts, on both databases."""

import pytest

from shipsvc.app import fsck
from shipsvc.store.engine import Database
from tests.world import World, number

NOW = "2025-12-31T00:00:00Z"


@pytest.fixture
def world(database: Database) -> World:
    """Two cabinets of nitrogen and of dry air, a stone, a vial, a jar."""
    world = World(database)
    world.place("TRP-GB1", "N")
    world.place("LSU-D1", "D")
    world.tell("registered", ["BRM-0001", "BRM-0005"], "2025-01-20T14:00:00Z", item="sample")
    world.tell("registered", "V-0001", "2025-01-20T14:00:00Z", item="container", form="vial")
    world.tell("registered", "J-0001", "2025-01-20T14:00:00Z", item="container", form="jar")
    return world


def split(world: World, parent: str, at: str, *children: str) -> None:
    """A split sheet, without masses."""
    world.tell("divided", parent, at, children=[{"number": number(c)} for c in children])


def whole(world: World) -> None:
    """What was written is what an evaluator finds that shares no code with the fold."""
    with world.database.engine.connect() as connection:
        assert [str(found) for found in fsck.check(connection)] == []


def profile(world: World, name: str, at: str = NOW, known_on: str | None = None) -> str | None:
    """What a sample is to be kept under at an instant."""
    return world.state(name, at, known_on).profile


def test_the_first_store_decides_and_a_decision_changes_it(world: World) -> None:
    """demo.md T16: stone 1 under N since it was first stored; 0011 under C from 2025-02-19 14:00Z on."""
    world.tell("stored", "BRM-0001", "2025-01-20T14:40:00Z", place="TRP-GB1")
    world.tell("stored", "BRM-0001", "2025-01-21T14:40:00Z", place="LSU-D1")

    assert profile(world, "BRM-0001", "2025-01-20T14:39:00Z") is None
    assert profile(world, "BRM-0001") == "N"

    world.tell("profile_set", "BRM-0001", "2025-02-19T14:00:00Z", told="2025-03-01T00:00:00Z", profile="C")
    assert profile(world, "BRM-0001", "2025-02-19T13:59:00Z") == "N"
    assert profile(world, "BRM-0001", "2025-02-19T14:00:00Z") == "C"
    assert profile(world, "BRM-0001", "2025-02-19T14:00:00Z", known_on="2025-02-28T00:00:00Z") == "N"
    whole(world)


def test_a_piece_is_kept_as_its_parent_was(world: World) -> None:
    """Born under the profile that the parent had then, wherever it is stored itself; also when that is told later."""
    world.tell("stored", "BRM-0001", "2025-01-20T14:40:00Z", place="TRP-GB1")
    split(world, "BRM-0001", "2025-02-03T10:00:00Z", "BRM-0006")
    world.tell("stored", "BRM-0006", "2025-02-03T11:00:00Z", place="LSU-D1")
    world.tell("profile_set", "BRM-0001", "2025-02-10T00:00:00Z", profile="C")
    split(world, "BRM-0001", "2025-02-11T10:00:00Z", "BRM-0007")

    assert [profile(world, name) for name in ("BRM-0006", "BRM-0007")] == ["N", "C"]

    world.tell("profile_set", "BRM-0001", "2025-02-01T00:00:00Z", told="2025-06-01T00:00:00Z", profile="S")
    assert [profile(world, name) for name in ("BRM-0006", "BRM-0007")] == ["S", "C"]
    whole(world)


def test_a_mixture_is_kept_as_all_its_parents_were(world: World) -> None:
    """Of one profile, so is the mixture, also once that is told later; of two, a place or a person has to say."""
    parents = [{"number": n, "mass": "1 mg"} for n in ("BRM0001", "BRM0005")]
    for name in ("BRM-0001", "BRM-0005"):
        world.tell("stored", name, "2025-01-25T11:00:00Z", place="TRP-GB1")
    world.tell("combined", "BRM-0024", "2025-11-12T10:00:00Z", item="sample", parents=parents)
    assert profile(world, "BRM-0024") == "N"

    for name, told in (("BRM-0001", "2025-12-01T00:00:00Z"), ("BRM-0005", "2025-12-01T01:00:00Z")):
        world.tell("profile_set", name, "2025-03-01T00:00:00Z", told=told, profile="D")
        whole(world)
    assert profile(world, "BRM-0024") == "D"

    world.tell("profile_set", "BRM-0005", "2025-04-01T00:00:00Z", told="2025-12-02T00:00:00Z", profile="C")
    assert profile(world, "BRM-0024") is None
    whole(world)


def test_stored_inside_something(world: World) -> None:
    """What is told of a box is told of the sample in it; packed into a box that is in store, it is in store."""
    world.tell("packed", "BRM-0001", "2025-01-20T14:10:00Z", into=number("J-0001"))
    world.tell("stored", "J-0001", "2025-01-20T14:40:00Z", place="TRP-GB1")
    world.tell("packed", "BRM-0005", "2025-01-20T15:00:00Z", into=number("J-0001"))

    assert [profile(world, name) for name in ("BRM-0001", "BRM-0005", "J-0001")] == ["N", "N", None]
    whole(world)


def test_what_is_learned_of_a_place_later_moves_no_sample(world: World) -> None:
    """By a place described after the word was told, nothing is kept: only a decision can say so then."""
    world.tell("stored", "BRM-0001", "2025-01-20T14:40:00Z", place="SEC-S1")
    world.place("SEC-S1", "S", told="2025-02-01T00:00:00Z")

    world.tell("seen", "BRM-0001", "2025-01-20T14:39:00Z", told="2025-03-01T00:00:00Z")
    assert profile(world, "BRM-0001") is None
    world.tell("stored", "BRM-0001", "2025-03-02T00:00:00Z", place="SEC-S1")
    assert profile(world, "BRM-0001") == "S"
    assert profile(world, "BRM-0001", "2025-03-01T00:00:00Z") is None
    whole(world)


def closed(world: World, name: str, at: str) -> bool:
    """Whether a thing is closed itself at an instant."""
    return world.state(name, at).closed


def test_sealed_and_opened_are_of_the_thing_itself(world: World) -> None:
    """Rulings 21: a seal on the jar closes the jar, not the vial in it, nor the other way round."""
    world.tell("packed", "V-0001", "2025-02-01T08:00:00Z", into=number("J-0001"))
    world.tell("sealed", "J-0001", "2025-02-01T09:00:00Z", seals=["S-1"])
    world.tell("opened", "J-0001", "2025-02-01T12:00:00Z")
    world.tell("sealed", "BRM-0001", "2025-02-01T13:00:00Z", seals=["S-2"])

    assert [closed(world, "J-0001", f"2025-02-01T{h}:30:00Z") for h in ("08", "09", "12")] == [False, True, False]
    assert not closed(world, "V-0001", "2025-02-01T09:30:00Z")
    assert closed(world, "BRM-0001", "2025-02-01T13:30:00Z")
    whole(world)


def test_a_vial_is_closed_while_material_is_in_it(world: World) -> None:
    """Who puts material into a vial caps it; what is told of the sample is told of its vial; taken out, it is open."""
    world.tell("packed", "BRM-0001", "2025-02-01T08:00:00Z", into=number("V-0001"), material=True)
    world.tell("opened", "BRM-0001", "2025-02-01T09:00:00Z")
    world.tell("sealed", "BRM-0001", "2025-02-01T10:00:00Z", seals=["S-1"])
    world.tell("unpacked", "BRM-0001", "2025-02-01T11:00:00Z", material=True)

    vial = [closed(world, "V-0001", f"2025-02-01T{h}:30:00Z") for h in ("07", "08", "09", "10", "11")]
    assert vial == [False, True, False, True, False]
    assert not any(closed(world, "BRM-0001", f"2025-02-01T{h}:30:00Z") for h in ("08", "09", "10", "11"))
    whole(world)


def test_a_stranger_neither_opens_nor_decides(world: World) -> None:
    """D11: a stranger's word moves nothing, so it opens no seal by the record and changes no profile."""
    world.tell("stored", "BRM-0001", "2025-01-20T14:40:00Z", place="TRP-GB1")
    world.tell("sealed", "BRM-0001", "2025-01-21T00:00:00Z", seals=["S-1"])
    world.tell("opened", "BRM-0001", "2025-01-22T00:00:00Z", acting_for="SMP")
    world.tell("profile_set", "BRM-0001", "2025-01-22T00:00:00Z", acting_for="SMP", profile="S")

    assert closed(world, "BRM-0001", "2025-01-23T00:00:00Z")
    assert profile(world, "BRM-0001", "2025-01-23T00:00:00Z") == "N"
    whole(world)


def test_what_must_not_touch_a_sample_is_flagged(world: World) -> None:
    """Trade 2.4: aluminium reacted with a wet fall, so contact materials are approved, with a date; it is a warning."""
    materials = '[{"material": "PTFE", "since": "2025-03-01"}]'
    world.describe("N", contact_materials=materials)
    world.tell("stored", "BRM-0001", "2025-01-20T14:40:00Z", place="TRP-GB1")
    for name, made_of in (("V-0002", "aluminium"), ("V-0003", "ptfe")):
        world.tell("registered", name, "2025-01-21T00:00:00Z", item="container", form="vial", made_of=made_of)

    def flags(into: str, at: str) -> bool:
        told = world.tell("packed", "BRM-0001", at, into=number(into), material=True)
        return "contact_not_approved" in told["flags"]

    assert flags("V-0002", "2025-04-01T00:00:00Z")
    assert not flags("V-0003", "2025-04-02T00:00:00Z")
    assert not flags("V-0001", "2025-04-03T00:00:00Z")
    assert flags("V-0003", "2025-02-04T00:00:00Z"), "on that day it was not approved yet"
    whole(world)


def test_a_vial_in_a_box_touches_nothing(world: World) -> None:
    """Only what is around the sample itself is a contact; of a sample without a described profile nothing is said."""
    world.describe("N", contact_materials='[{"material": "PTFE", "since": "2025-01-01"}]')
    world.tell("stored", "BRM-0001", "2025-01-20T14:40:00Z", place="TRP-GB1")
    world.tell("packed", "BRM-0001", "2025-01-21T00:00:00Z", into=number("V-0001"), material=True)
    world.tell("registered", "J-0002", "2025-01-21T00:00:00Z", item="container", form="jar", made_of="aluminium")

    assert world.tell("packed", "V-0001", "2025-01-22T00:00:00Z", into=number("J-0002"))["flags"] == []
    assert world.tell("packed", "BRM-0005", "2025-01-22T00:00:00Z", into=number("J-0002"))["flags"] == []
