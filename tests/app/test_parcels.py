"""What is coming, what is packed in what, who sees what of a shipment (T-01, T-09; trade 24, 30 to 32; rulings 16)."""

from typing import Any

import pytest

from shipsvc.app import parcels
from shipsvc.app.parcels import Packed, seals_of
from shipsvc.domain import errors
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from shipsvc.store.tables_derived import ItemParty
from tests.desk import CLERK, DRIVER, NOW, RECEIVER, STRANGER, Desk, desk_in, told_on


@pytest.fixture
def desk(database: Database) -> Desk:
    """TRP's loading bay, on each database."""
    return desk_in(database)


@pytest.fixture
def embedded(sqlite_database: Database) -> Desk:
    """The same on SQLite, for what does not depend on the database."""
    return desk_in(sqlite_database)


def test_who_sees_what(desk: Desk) -> None:
    """Rulings 16: consignor and addressee all of it, the carrier the parcels alone, a stranger nothing; trade 24."""
    desk.create("T-01", "TSI", ["P-01"], "2025-03-11T07:30:00Z", loan="L-01")
    for about in ({"P01"}, {"P01", "J01", "V011", "BRM0010"}):
        pairs = {(row["item"], row["institution"]) for row in desk.world.all(ItemParty)}
        assert {item for item, who in pairs if who == "TSI"} == about
        assert {item for item, who in pairs if who == "CRK"} == {"P01"}
        desk.world.tell("released", "P-01", "2025-03-11T10:00:00Z", to="CRK", **told_on("T-01"))

    assert desk.read("T-01", actor=RECEIVER).whole
    carried = desk.read("T-01", actor=DRIVER)
    assert not carried.whole
    assert [thing.contents for thing in desk.packing_list("T-01", actor=DRIVER).contents] == [[]]
    assert depth(desk.packing_list("T-01", actor=RECEIVER).contents) == 4
    for read in (desk.read, desk.packing_list):
        with pytest.raises(errors.NotFound):
            read("T-01", actor=STRANGER)
    assert [desk.page(NOW, actor=actor) for actor in (CLERK, DRIVER, STRANGER)] == [["T-01"], ["T-01"], []]
    with pytest.raises(errors.NotYourInstitution):
        desk.arriving("TSI", NOW, STRANGER)


def depth(things: Any) -> int:
    """How many layers a nest has."""
    return 1 + max((depth(thing.contents) for thing in things), default=0) if things else 0


def test_nobody_sends_what_is_not_theirs(embedded: Desk) -> None:
    """Naming a thing lets the addressee see it, so an unknown number and another's are answered alike."""
    embedded.world.tell("registered", "J-02", "2025-03-01T00:00:00Z", "SMP", item="container", form="jar")
    for contents in (["P-01", "BRM-0002"], ["P-01", "J-02"]):
        with pytest.raises(errors.NotFound) as refused:
            embedded.create("T-01", "TSI", contents, "2025-03-11T07:30:00Z")
        assert refused.value.pointer == "/contents/1"
    with pytest.raises(errors.NotYourRole):
        embedded.create("T-01", "TSI", ["P-01"], "2025-03-11T07:30:00Z", actor=STRANGER)
    with pytest.raises(errors.NotFound):
        embedded.create("T-01", "XYZ", ["P-01"], "2025-03-11T07:30:00Z")
    stolen = {"actor": STRANGER, "consignor": "SMP"}
    with pytest.raises(errors.NotFound):
        embedded.create("T-01", "SMP", ["BRM-0010"], "2025-03-11T07:30:00Z", **stolen)


def test_codes_and_contents(embedded: Desk) -> None:
    """A code is made where none is given; more can be added, each thing once, and that is a version too."""
    at = "2025-03-11T07:30:00Z"
    assert embedded.create(None, "TSI", ["P-01"], at) == "TRP-T-1"
    assert embedded.create("TRP-T-3", "TSI", [], at) == "TRP-T-3"
    assert embedded.create(None, "TSI", [], at) == "TRP-T-4"
    with pytest.raises(errors.AlreadyThere):
        embedded.create("TRP-T-3", "TSI", [], at)

    embedded.add("TRP-T-1", ["P-02"], "2025-03-12T07:30:00Z")

    assert embedded.states("TRP-T-1", "2025-03-13T00:00:00Z") == {"P01": "preparing", "P02": "preparing"}
    assert embedded.states("TRP-T-1", "2025-03-13T00:00:00Z", "2025-03-12T00:00:00Z") == {"P01": "preparing"}
    assert embedded.read("TRP-T-1").row["version"] == 2
    with pytest.raises(errors.AlreadyThere):
        embedded.add("TRP-T-1", ["P-01"], "2025-03-14T07:30:00Z")


def test_what_is_coming_first(desk: Desk) -> None:
    """The first expected stands in front, what nobody expects at the end, and a page goes on behind the last one."""
    at = "2025-03-11T07:30:00Z"
    for code, day in (("T-1", "2025-03-20"), ("T-2", None), ("T-3", "2025-03-13"), ("T-4", "2025-03-20")):
        expected = f"{day}T00:00:00Z" if day else None
        desk.create(code, "TSI/dock" if code == "T-3" else "TSI", ["P-01"], at, expected_by=expected)
    desk.create("T-5", "SMP", ["P-01"], at)
    now = "2025-03-14T00:00:00Z"

    found = desk.arriving("TSI", now, RECEIVER)

    assert [one.row["code"] for one in found] == ["T-3", "T-1", "T-4", "T-2"]
    assert [one.overdue for one in found] == [True, False, False, False]
    rest = desk.arriving("TSI", now, RECEIVER, after=parcels.place_of(found[1]), limit=1)
    assert [one.row["code"] for one in rest] == ["T-4"]


def test_packing_list_as_packed(desk: Desk) -> None:
    """What was in what when it left, also after it was unpacked; seals as last told (T-01; trade cases 30 to 32)."""
    world = desk.world
    world.tell("sealed", "P-01", "2025-01-05T00:00:00Z", seals=["S-0007"])
    world.tell("opened", "P-01", "2025-01-09T00:00:00Z")
    world.tell("sealed", "J-01", "2025-03-10T08:45:00Z", seals=["S-1001"])
    world.tell("sealed", "P-01", "2025-03-10T08:46:00Z", seals=["S-1002"])
    desk.create("T-01", "TSI", ["P-01"], "2025-03-07T09:00:00Z")
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="CRK", shipment="T-01")
    world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", from_="CRK", shipment="T-01")
    checked = [{"seal": "S-1002", "state": "intact"}]
    world.tell("seal_checked", "P-01", "2025-03-14T01:00:00Z", "TSI", seals=checked)
    world.tell("opened", "P-01", "2025-03-14T01:05:00Z", "TSI")
    world.tell("unpacked", "J-01", "2025-03-14T01:06:00Z", "TSI")

    found = desk.packing_list("T-01")

    assert found.packed_at == parse_instant("2025-03-10T10:05:00Z")
    (box,) = found.contents
    assert nest(box) == ("P01", [("J01", [("V011", [("BRM0010", [])])])])
    assert [(seal.seal, seal.state) for seal in box.seals] == [("S-1002", "opened")]
    assert [(seal.seal, seal.state) for seal in box.contents[0].seals] == [("S-1001", "put_on")]
    assert box.contents[0].contents[0].contents[0].row["mass_ng"] == 1_204_300_000
    then = desk.packing_list("T-01", "2025-03-14T01:02:00Z").contents[0]
    assert [(seal.seal, seal.state) for seal in then.seals] == [("S-1002", "intact")]


def nest(thing: Packed) -> Any:
    """Numbers inside numbers."""
    return thing.row["number"], [nest(inner) for inner in thing.contents]


def test_seals_of_one_thing() -> None:
    """T-09: the border opened the box and put on a seal of its own; a seal nobody told of can still be found broken."""
    day = [parse_instant(f"2026-08-{day}T13:00:00Z") for day in (10, 13, 21)]
    facts: list[parcels.Told] = [
        ("sealed", day[0], {"seals": ["S-1042"]}),
        ("opened", day[1], {}),
        ("sealed", day[1], {"seals": ["CL-77310"]}),
        (
            "seal_checked",
            day[2],
            {"seals": [{"seal": "S-1042", "state": "missing"}, {"seal": "X-1", "state": "broken"}]},
        ),
    ]

    found = seals_of(facts, packed_at=day[0])

    assert [(seal.seal, seal.put_on_at, seal.state) for seal in found] == [
        ("S-1042", day[0], "missing"),
        ("CL-77310", day[1], "put_on"),
        ("X-1", None, "broken"),
    ]
