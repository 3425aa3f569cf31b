"""Two stories with readings in them: the cold trip T-02 of 0011, and the bad air of TRP-GB1 on 2025-06-08 (demo.md)."""

from typing import Any

from shipsvc.store.engine import Database
from tests import sensed
from tests.world import World, number


def told(world: World, what: Any, *said: Any, **more: Any) -> None:
    """Write something down in a transaction of its own."""
    with world.writing() as connection:
        what(connection, *said, **more)


COLD = [{"quantity": "temperature", "unit": "Cel", "lower": None, "upper": -15.0}]


def cold_trip(database: Database) -> World:
    """The trip T-02 of 0011, cold: packed at 08:25, jar and box loggers, warm for 31 h 20 min, opened at 00:45."""
    world = World(database)
    told(world, sensed.describe, "C", COLD, "temperature")
    told(world, sensed.place, "TRP-F1", "C")
    told(world, sensed.place, "MRL-F1", "C", "MRL")
    told(world, sensed.source, "LG-101", 10, "temperature")
    told(world, sensed.source, "LG-102", 5, "temperature")
    told(world, sensed.source, "PS-MRL-F1", 30, "temperature", "MRL-F1")
    for box, form in (("TVA-0011", "vial"), ("TJA-0002", "jar"), ("TBA-0002", "overpack")):
        world.tell("registered", box, "2025-03-01T09:00:00Z", item="container", form=form)
    world.tell("registered", "BRM-0011", "2025-02-19T13:00:00Z", item="sample")
    world.tell("packed", "BRM-0011", "2025-02-19T13:10:00Z", into=number("TVA-0011"), material=True)
    world.tell("stored", "BRM-0011", "2025-02-19T14:00:00Z", place="TRP-F1")
    world.tell("taken_out", "BRM-0011", "2025-03-24T08:05:00Z", place="TRP-F1")
    world.tell("packed", "BRM-0011", "2025-03-24T08:25:00Z", into=number("TJA-0002"))
    world.tell("packed", "TJA-0002", "2025-03-24T08:25:00Z", into=number("TBA-0002"))
    world.tell("logger_placed", "TJA-0002", "2025-03-24T08:20:00Z", logger="LG-101")
    world.tell("logger_placed", "TBA-0002", "2025-03-24T08:20:00Z", logger="LG-102")
    world.tell("released", "TBA-0002", "2025-03-24T09:15:00Z", to="MRL")
    world.tell("accepted", "TBA-0002", "2025-04-01T00:45:00Z", "MRL", from_="TRP")
    world.tell("taken_out", "BRM-0011", "2025-04-01T00:45:00Z", "MRL")
    world.tell("stored", "BRM-0011", "2025-04-01T01:05:00Z", "MRL", place="MRL-F1")
    world.tell("logger_removed", "TJA-0002", "2025-04-01T01:05:00Z", "MRL", logger="LG-101")
    jar = [
        ("2025-03-24T11:10:00Z", "2025-03-29T02:00:00Z", -40.0),
        ("2025-03-29T02:10:00Z", "2025-03-29T02:10:00Z", -15.0),
        ("2025-03-29T02:20:00Z", "2025-03-30T09:20:00Z", 11.4),
        ("2025-03-30T09:30:00Z", "2025-03-30T09:30:00Z", -15.0),
        ("2025-03-30T09:40:00Z", "2025-04-01T01:00:00Z", -50.0),
    ]
    told(world, sensed.send, "LG-101", "temperature", jar, 10)
    told(world, sensed.send, "LG-102", "temperature", [("2025-03-24T08:30:00Z", "2025-04-01T01:00:00Z", -62.0)], 5)
    freezer = [
        ("2025-03-01T00:00:00Z", "2025-08-16T13:00:00Z", -20.0),
        ("2025-08-16T13:20:00Z", "2025-08-16T13:20:00Z", -15.0),
        ("2025-08-16T13:30:00Z", "2025-08-16T18:00:00Z", -5.0),
        ("2025-08-16T18:30:00Z", "2025-08-16T18:30:00Z", -15.0),
        ("2025-08-16T19:00:00Z", "2026-11-25T12:00:00Z", -20.0),
    ]
    told(world, sensed.send, "PS-MRL-F1", "temperature", freezer, 30)
    return world


DRY = [
    {"quantity": "temperature", "unit": "Cel", "lower": 15.0, "upper": 25.0},
    {"quantity": "frost_point", "unit": "Cel", "lower": None, "upper": -40.0},
    {"quantity": "oxygen", "unit": "[ppm]", "lower": None, "upper": 100.0},
]


def bad_air(database: Database) -> World:
    """TRP-GB1 on 2025-06-08: oxygen at 180 ppm for 90 min; 0007 on an open tray, 0016 in a closed vial beside it."""
    world = World(database)
    told(world, sensed.describe, "N", DRY, "frost_point")
    told(world, sensed.place, "TRP-GB1", "N")
    told(world, sensed.source, "PS-TRP-GB1", 1, "temperature frost_point oxygen", "TRP-GB1")
    whole = ("2025-06-07T12:00:00Z", "2025-06-09T12:00:00Z")
    told(world, sensed.send, "PS-TRP-GB1", "temperature", [(*whole, 20.0)], 1)
    told(world, sensed.send, "PS-TRP-GB1", "frost_point", [(*whole, -60.0)], 1)
    oxygen = [
        (whole[0], "2025-06-08T01:59:00Z", 40.0),
        ("2025-06-08T02:00:00Z", "2025-06-08T02:00:00Z", 100.0),
        ("2025-06-08T02:01:00Z", "2025-06-08T03:29:00Z", 180.0),
        ("2025-06-08T03:30:00Z", "2025-06-08T03:30:00Z", 100.0),
        ("2025-06-08T03:31:00Z", whole[1], 40.0),
    ]
    told(world, sensed.send, "PS-TRP-GB1", "oxygen", oxygen, 1, unit="[ppm]")
    for vial, sample in (("TVA-0007", "BRM-0007"), ("TVA-0016", "BRM-0016")):
        world.tell("registered", vial, "2025-06-07T12:00:00Z", item="container", form="vial")
        world.tell("registered", sample, "2025-06-07T12:00:00Z", item="sample")
        world.tell("packed", sample, "2025-06-07T12:05:00Z", into=number(vial), material=True)
        world.tell("stored", sample, "2025-06-07T12:10:00Z", place="TRP-GB1")
    world.tell("opened", "TVA-0007", "2025-06-07T13:00:00Z")
    world.tell("divided", "BRM-0007", "2025-06-10T10:00:00Z", children=[{"number": "BRM0010"}])
    world.tell("divided", "BRM-0010", "2025-06-11T10:00:00Z", children=[{"number": "BRM0012"}])
    return world
