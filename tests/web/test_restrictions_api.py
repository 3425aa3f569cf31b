"""Contaminations and restrictions over HTTP: carried by all that is made of a sample.

Trade steps 8 and 11, case 40; demo C-06: "not for Al, not face A", inherited by children. Common practice, no source.
"""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.collection import Collection, collection, typed

STONE, CHIP, LATE, OTHER, MIXED = "BRM-0004", "BRM-0005", "BRM-0006", "BRM-0007", "BRM-0008"
FOIL: dict[str, Any] = {"words": "Not for aluminium, not face A", "because": "Touched foil when found"}


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """Two stones."""
    with collection(database_url) as found:
        for number in (STONE, OTHER):
            body: dict[str, Any] = {"item": "sample", "mass": "1000 mg", "balance": "B1"}
            found.tell("cur", "TRP", "registered", number, "2026-03-10T12:01:00Z", **body)
        yield found


def carries(world: Collection, number: str, who: str = "cur", **asked: str) -> list[tuple[str, str, str | None]]:
    """Kind, words and the sample it was told of, of each thing that a sample carries."""
    shown = world.get(who, f"items/{typed(number)}", **asked)["carries"]
    return [(one["kind"], one["words"], one["of"]) for one in shown]


def restrict(world: Collection, number: str, at: str, status: int = 201, who: str = "cur", **body: Any) -> Any:
    """Set or lift one."""
    world.at(at)
    return world.post(who, f"items/{typed(number)}/restrictions", body, status)


def split(world: Collection, parent: str, child: str, at: str) -> None:
    """A piece is split off."""
    pieces = [{"number": typed(child), "mass": "100 mg", "balance": "B1"}]
    world.tell("cur", "TRP", "divided", parent, at, children=pieces)


def test_what_is_made_of_it_carries_it(world: Collection) -> None:
    """A piece made before is free of it, one made afterwards is not, nor what is made of that; a mixture carries the
    union of its parents'."""
    split(world, STONE, LATE, "2026-03-11T09:00:00Z")
    restrict(world, STONE, "2026-03-12T09:00:00Z", **FOIL)
    world.tell("cur", "TRP", "contamination_noted", STONE, "2026-03-12T10:00:00Z", words="aluminium on one face")
    split(world, STONE, CHIP, "2026-03-13T09:00:00Z")
    restrict(world, OTHER, "2026-03-14T09:00:00Z", words="no solvents", because="organics later")
    parents = [{"number": typed(n), "mass": "50 mg", "balance": "B1"} for n in (CHIP, OTHER)]
    world.tell("cur", "TRP", "combined", MIXED, "2026-03-15T09:00:00Z", parents=parents, mass="100 mg", balance="B1")

    foil = [("restriction", FOIL["words"], typed(STONE)), ("contamination", "aluminium on one face", typed(STONE))]
    assert carries(world, STONE) == carries(world, CHIP) == foil
    assert carries(world, LATE) == []
    assert carries(world, MIXED) == [*foil, ("restriction", "no solvents", typed(OTHER))]
    assert carries(world, STONE, as_of="2026-03-12T09:30:00Z") == foil[:1]
    assert carries(world, STONE, known_on="2026-03-12T08:00:00Z") == []


def test_a_restriction_is_lifted_by_name(world: Collection) -> None:
    """For curators of the owner; what it does not carry cannot be lifted; both answers stay in the record."""
    foil = restrict(world, STONE, "2026-03-12T09:00:00Z", **FOIL)["event_id"]
    split(world, STONE, CHIP, "2026-03-13T09:00:00Z")
    lifting = {"lifts": foil, "because": "the face was cut off"}
    assert restrict(world, STONE, "2026-03-14T09:00:00Z", 403, "clerk", **lifting)["code"] == "not_your_role"
    assert restrict(world, OTHER, "2026-03-14T09:00:00Z", 404, **lifting)["errors"][0]["pointer"] == "/lifts"
    assert restrict(world, STONE, "2026-03-14T09:00:00Z", 422, **lifting, words="x")["code"] == "malformed"
    assert restrict(world, STONE, "2026-03-14T09:00:00Z", 422, because="x")["code"] == "malformed"

    restrict(world, CHIP, "2026-03-14T09:00:00Z", **lifting)

    assert carries(world, CHIP) == []
    assert len(carries(world, STONE)) == len(carries(world, CHIP, as_of="2026-03-13T12:00:00Z")) == 1


def test_a_note_of_the_vial_is_of_the_sample_in_it(world: Collection) -> None:
    """It is the material that is contaminated; and whoever borrows it is told, though not of which piece it came."""
    world.tell("cur", "TRP", "registered", "V-0001", "2026-03-10T12:02:00Z", item="container", form="vial")
    split(world, STONE, CHIP, "2026-03-11T09:00:00Z")
    world.tell("cur", "TRP", "packed", CHIP, "2026-03-11T09:10:00Z", into=typed("V-0001"), material=True)
    world.tell("cur", "TRP", "contamination_noted", "V-0001", "2026-03-11T10:00:00Z", words="fingerprint")
    restrict(world, STONE, "2026-03-10T13:00:00Z", **FOIL, decided_at="2026-03-10T13:00:00Z")
    loan = {
        "code": "L-1",
        "lender": "TRP",
        "borrower": "SMP",
        "lines": [typed(CHIP)],
        "responsible": "p",
        "purpose": "x",
    }
    world.post("cur", "loans", loan)
    world.tell("cur", "TRP", "released", "V-0001", "2026-03-12T10:00:00Z", to="SMP")
    world.tell("ana", "SMP", "accepted", "V-0001", "2026-03-13T10:00:00Z", from_="TRP")

    assert carries(world, CHIP, "ana") == [
        ("restriction", FOIL["words"], None),
        ("contamination", "fingerprint", typed(CHIP)),
    ]
