"""A chip in a vial in a jar in a parcel, on its way to a laboratory: what tests of items look at."""

from typing import Any

from tests.web.collection import Collection, typed

CHIP, VIAL, JAR, PARCEL = "BRM-0001", "V-0001", "J-0001", "P-0001"
NUMBERS = {name: typed(name) for name in (CHIP, VIAL, JAR, PARCEL)}


def send_chip(world: Collection) -> None:
    """As in T-01 of demo.md: released on the 11th, accepted by the laboratory on the 14th."""
    world.issue(kind="sample", form="material", what="interior chip", prefix="BRM", print_labels=True)
    world.issue(what="4 ml, steel cap")
    world.issue(prefix="J", form="jar", what="jar")
    world.issue(kind="parcel", prefix="P", form="overpack", what="box")
    world.tell("cur", "TRP", "weighed", CHIP, "2026-03-10T12:10:00Z", mass="1204.3 mg", balance="B1")
    world.tell("cur", "TRP", "packed", CHIP, "2026-03-10T12:15:00Z", into=NUMBERS[VIAL], material=True)
    world.tell("cur", "TRP", "stored", VIAL, "2026-03-10T12:20:00Z", place="TRP-GB1")
    world.tell("cur", "TRP", "packed", VIAL, "2026-03-11T08:40:00Z", into=NUMBERS[JAR])
    world.tell("cur", "TRP", "packed", JAR, "2026-03-11T08:45:00Z", into=NUMBERS[PARCEL])
    world.tell("clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", to="CRK")
    world.tell("driver", "CRK", "accepted", PARCEL, "2026-03-11T10:06:00Z", from_="TRP")


def receive_chip(world: Collection) -> dict[str, Any]:
    """The laboratory has it."""
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T00:09:00Z", to="SMP")
    return world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T00:10:00Z", from_="CRK")
