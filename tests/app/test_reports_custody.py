"""Reports of open handovers, silent shipments and one-sided stretches; answers of demo.md 7.5."""

from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.app.reports_custody import Stretch, one_sided, open_handovers, silent_shipments
from shipsvc.domain import errors
from shipsvc.domain.times import parse_instant
from shipsvc.store import shipments, successions
from shipsvc.store.engine import Database
from shipsvc.store.shipments import SHIPMENT
from tests.app.test_reports import DEMO_NOW, read, somebody, when
from tests.world import World, number, typed

RELEASE = "e2" + "0" * 34


@pytest.fixture
def world(database: Database) -> World:
    """The same world on each database."""
    return World(database)


def ship(world: World, code: str, expected_by: str, items: list[str], **changes: Any) -> None:
    """A shipment from TRP to TSI with an expected time and a list of what it holds."""
    world.ship(code, "TRP", "TSI", "2025-03-08T00:00:00Z")
    at = parse_instant("2025-03-08T01:00:00Z")
    content = {"expected_by": parse_instant(expected_by), "version": 2, "recorded_at": at, **changes}
    with world.writing() as connection:
        (old,) = connection.execute(sa.select(SHIPMENT).where(SHIPMENT.c.code == code)).mappings()
        shipments.add_version(connection, {**old, **content})
        held = [{"shipment": code, "item": number(i), "recorded_at": at, "actor": "p00"} for i in items]
        shipments.add_items(connection, held)


def pack_t01(world: World) -> None:
    """0010 in its vial, bag and jar in box P-01."""
    world.tell("registered", ["V-011", "G-01", "J-01", "P-01"], "2025-02-18T10:00:00Z", item="container", form="jar")
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample", mass="1204.3 mg", balance="B1")
    for inner, outer in (("BRM-0010", "V011"), ("V-011", "G01"), ("G-01", "J01"), ("J-01", "P01")):
        world.tell("packed", inner, "2025-03-10T08:40:00Z", into=outer)


def t_01(world: World) -> None:
    """T-01 as demo.md tells it: the release five days late, the carrier's side typed from paper."""
    world.ship("T-01", "TRP", "TSI", "2025-03-08T00:00:00Z")
    pack_t01(world)
    on: dict[str, Any] = {"shipment": "T-01"}
    world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", "2025-03-14T00:12:00Z", from_="CRK", **on)
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", told="2025-03-15T07:30:00Z", id=RELEASE, to="CRK", **on)
    words: dict[str, Any] = {"party": "CRK", "from_": "TRP", **on}
    world.tell("accepted", "P-01", "2025-03-10T10:06:00Z", told="2025-03-17T09:00:00Z", **words)


# ------------------------------------------------------------------------------------------------------ open handovers
def test_a_parcel_and_what_lies_in_it_are_one_open_handover(world: World) -> None:
    """Released and not accepted: one row for the box, with its contents, since the release, waiting for the carrier."""
    pack_t01(world)
    told = world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="CRK")

    (row,) = read(world, open_handovers, now="2025-03-13T11:00:00Z")

    assert (row["item"], row["state"]) == (typed("P-01"), "giver_only")
    assert (row["certain"], row["claimed"]) == ("TRP", "CRK")
    assert (row["silent_sides"], row["waiting_for"]) == (["taker"], ["CRK"])
    assert (row["since"], row["days_open"]) == (parse_instant("2025-03-10T10:05:00Z"), 3)
    assert row["event_id"] == told["id"]
    assert row["contents"] == sorted(typed(n) for n in ("BRM-0010", "V-011", "G-01", "J-01"))


def test_since_outlasts_what_is_told_of_other_things(world: World) -> None:
    """A weighing in between begins a new span, and not a new handover; a receipt without a release asks the giver."""
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample")
    told = world.tell("accepted", "BRM-0010", "2025-03-14T00:10:00Z", "TSI", from_="TRP")
    world.tell("weighed", "BRM-0010", "2025-03-14T01:20:00Z", "TSI", mass="1204.2 mg", balance="B6")

    (row,) = read(world, open_handovers)
    assert (row["state"], row["event_id"]) == ("taker_only", told["id"])
    assert row["since"] == parse_instant("2025-03-14T00:10:00Z")
    assert (row["silent_sides"], row["waiting_for"]) == (["giver"], ["TRP"])


def test_a_piece_in_another_state_is_a_row_of_its_own(world: World) -> None:
    """What was seen elsewhere meanwhile no longer belongs to the box's handover."""
    pack_t01(world)
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="CRK")
    world.tell("seen", "V-011", "2025-03-11T10:00:00Z", "SMP")

    vial, box = sorted(read(world, open_handovers), key=lambda row: str(row["claimed"]), reverse=True)
    assert (vial["item"], vial["claimed"], vial["contents"]) == (typed("V-011"), "SMP", [typed("BRM-0010")])
    assert (box["item"], box["contents"]) == (typed("P-01"), [typed("G-01"), typed("J-01")])


def test_a_declared_hold_waits_for_the_authority_and_a_dispute_for_nobody(world: World) -> None:
    """Rulings 27: the carrier's word makes the authority the claimed holder. In a dispute both sides have spoken."""
    world.tell("registered", ["BRM-0011", "BRM-0012"], "2025-02-18T10:30:00Z", item="sample")
    world.tell("released", "BRM-0011", "2025-03-24T09:15:00Z", to="CRK")
    world.tell("accepted", "BRM-0011", "2025-03-24T09:15:00Z", "CRK", from_="TRP")
    world.tell("held", "BRM-0011", "2025-03-26T03:20:00Z", "CRK", authority="BIA")
    world.tell("released", "BRM-0012", "2025-03-24T09:15:00Z", to="TSI")
    world.tell("accepted", "BRM-0012", "2025-03-25T09:15:00Z", "SMP", from_="TRP")

    held, disputed = read(world, open_handovers, now=DEMO_NOW)
    assert (held["state"], held["certain"], held["claimed"], held["waiting_for"]) == ("held", "CRK", "BIA", ["BIA"])
    assert held["since"] == parse_instant("2025-03-26T03:20:00Z")
    assert (disputed["state"], disputed["waiting_for"]) == ("disputed", [])


def test_open_handovers_as_known_on(world: World) -> None:
    """A2: at six in the morning of the 14th TSI's word stood alone; today that moment is agreed."""
    t_01(world)
    night = "2025-03-14T06:00:00Z"

    (row,) = read(world, open_handovers, as_of=night, known_on=night)
    assert (row["item"], row["state"], row["waiting_for"]) == (typed("P-01"), "taker_only", ["CRK"])
    assert read(world, open_handovers, as_of=night) == []
    (row,) = read(world, open_handovers, as_of="2025-03-12T12:00:00Z")
    assert (row["state"], row["claimed"]) == ("giver_only", "CRK")


def test_open_handovers_are_the_parties_own(world: World) -> None:
    """Owner, giver and named taker see it; neither a stranger nor one who merely says that it has the thing."""
    pack_t01(world)
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="TSI")
    world.tell("seen", "BRM-0010", "2025-03-11T10:00:00Z", "MRL")

    assert len(read(world, open_handovers, "TRP")) == 2
    assert [row["item"] for row in read(world, open_handovers, "TSI")] == [typed("P-01")]
    assert read(world, open_handovers, "SMP") == read(world, open_handovers, "MRL") == []


def merge(world: World, old: str, new: str, from_at: str, told: str) -> None:
    """One institution takes over from another."""
    said = {"institution": old, "successor": new, "actor": "p00", "because": "merged"}
    with world.writing() as connection:
        at = {"from_at": parse_instant(from_at), "recorded_at": parse_instant(told)}
        successions.append(connection, {**said, **at})


def test_whoever_took_over_is_asked(world: World) -> None:
    """The word is still the old one's to give; asked is who answers for it then (case 80 of the trade's list)."""
    pack_t01(world)
    ship(world, "T-01", "2025-03-13T00:00:00Z", ["P-01"])
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="TSI/mail-room", shipment="T-01")
    merge(world, "TSI", "MRL", "2025-03-14T00:00:00Z", "2025-03-20T00:00:00Z")

    def asked(as_of: str, known_on: str | None = None) -> list[Any]:
        (row,) = read(world, open_handovers, as_of=as_of, known_on=known_on, now=DEMO_NOW)
        return [row["claimed"], row["waiting_for"], row["ask"]]

    assert asked("2025-03-15T00:00:00Z") == ["TSI/mail-room", ["TSI/mail-room"], ["MRL"]]
    assert asked("2025-03-13T00:00:00Z") == ["TSI/mail-room", ["TSI/mail-room"], ["TSI"]]
    assert asked("2025-03-15T00:00:00Z", "2025-03-19T00:00:00Z") == ["TSI/mail-room", ["TSI/mail-room"], ["TSI"]]
    (row,) = read(world, silent_shipments, as_of="2025-03-15T00:00:00Z", now=DEMO_NOW)
    assert (row["addressee"], row["answers"], row["ask"]) == ("TSI", "MRL", ["MRL", "TRP"])


# ---------------------------------------------------------------------------------------------------- silent shipments
def test_a_shipment_is_silent_a_day_after_it_was_expected(world: World) -> None:
    """Not at the end of that day itself; last word and its age, the last certain holder, what is outermost."""
    ship(world, "T-01", "2025-03-13T00:00:00Z", ["P-01"])
    pack_t01(world)
    told = world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="CRK", shipment="T-01")

    assert read(world, silent_shipments, as_of="2025-03-14T00:00:00Z", now=DEMO_NOW) == []
    (row,) = read(world, silent_shipments, as_of="2025-03-14T00:00:01Z", now=DEMO_NOW)
    assert (row["shipment"], row["certain"], row["claimed"]) == ("T-01", ["TRP"], ["CRK"])
    assert (row["last_word"], row["last_word_by"], row["event_id"]) == ("released", "TRP", told["id"])
    assert row["age_s"] == timedelta(days=3, hours=13, minutes=55, seconds=1).total_seconds()
    assert row["items"] == [typed("P-01")]


def test_a_word_about_a_thing_inside_breaks_the_silence_and_so_does_a_hold(world: World) -> None:
    """Any fact after the deadline about anything in it; a hold, however old, as long as it lasts (rulings 27, 28)."""
    ship(world, "T-01", "2025-03-13T00:00:00Z", ["P-01"])
    pack_t01(world)
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="CRK", shipment="T-01")
    world.tell("held", "P-01", "2025-03-11T03:20:00Z", "CRK", authority="BIA", shipment="T-01")
    world.tell("freed", "P-01", "2025-03-16T06:40:00Z", "CRK", authority="BIA", shipment="T-01")

    assert read(world, silent_shipments, as_of="2025-03-15T00:00:00Z", now=DEMO_NOW) == []
    assert read(world, silent_shipments, as_of="2025-03-20T00:00:00Z", now=DEMO_NOW) == []
    world.tell("freed", "P-01", "2025-03-13T06:40:00Z", "CRK", "2025-03-21T00:00:00Z", authority="BIA", shipment="T-01")
    known: dict[str, Any] = {"as_of": "2025-03-15T00:00:00Z", "now": DEMO_NOW}
    assert len(read(world, silent_shipments, **known)) == 1
    world.tell("seen", "V-011", "2025-03-14T12:00:00Z", "CRK", "2025-03-22T00:00:00Z")
    assert read(world, silent_shipments, **known) == []


def test_what_has_arrived_is_not_silent(world: World) -> None:
    """The addressee's own word ends it; what a carrier or the consignor typed for the addressee does not."""
    ship(world, "T-01", "2025-03-13T00:00:00Z", ["P-01"])
    ship(world, "T-02", "2025-03-13T00:00:00Z", ["P-02"])
    ship(world, "T-03", "2025-03-13T00:00:00Z", ["P-03"])
    world.tell("registered", ["P-01", "P-02", "P-03"], "2025-02-18T10:00:00Z", item="parcel")
    for box, trip in (("P-01", "T-01"), ("P-02", "T-02"), ("P-03", "T-03")):
        world.tell("released", box, "2025-03-10T10:05:00Z", to="CRK", shipment=trip)
    world.tell("accepted", "P-01", "2025-03-12T10:00:00Z", "TSI", from_="CRK", shipment="T-01")
    world.tell("accepted", "P-02", "2025-03-12T10:00:00Z", "CRK", party="TSI", from_="CRK", shipment="T-02")
    world.tell("accepted", "P-03", "2025-03-12T10:00:00Z", "TSI", party="CRK", from_="TRP", shipment="T-03")

    silent = read(world, silent_shipments, as_of="2025-03-20T00:00:00Z", now=DEMO_NOW)
    assert [row["shipment"] for row in silent] == ["T-02", "T-03"]
    before = read(world, silent_shipments, as_of="2025-03-20T00:00:00Z", known_on="2025-03-11T00:00:00Z", now=DEMO_NOW)
    assert [row["shipment"] for row in before] == ["T-01", "T-02", "T-03"]


def test_a_shipment_of_which_nothing_was_ever_told_is_silent(world: World) -> None:
    """There is no last word; consignor, addressee, carrier and auditor see it, others do not."""
    ship(world, "T-01", "2025-03-13T00:00:00Z", [])

    for who in ("TRP", "TSI", "CRK", somebody("MRL", "auditor")):
        (row,) = read(world, silent_shipments, who, now=DEMO_NOW)
        assert (row["last_word"], row["age_s"], row["certain"]) == (None, None, [])
    assert read(world, silent_shipments, "SMP", now=DEMO_NOW) == []


def test_silent_shipments_page_by_page(world: World) -> None:
    """Shipments that turn out not to be silent do not cut a page short."""
    for serial in range(1, 7):
        ship(world, f"T-0{serial}", "2025-03-13T00:00:00Z", [f"P-0{serial}"])
    world.tell("registered", [f"P-0{n}" for n in range(1, 7)], "2025-02-18T10:00:00Z", item="parcel")
    for serial in (1, 2, 4):
        world.tell("seen", f"P-0{serial}", "2025-03-19T10:00:00Z", "CRK", shipment=f"T-0{serial}")

    moments: dict[str, Any] = {"as_of": "2025-03-20T00:00:00Z", "now": DEMO_NOW}
    first = read(world, silent_shipments, limit=2, **moments)
    rest = read(world, silent_shipments, limit=2, after=("T-05",), **moments)
    assert [row["shipment"] for row in (*first, *rest)] == ["T-03", "T-05", "T-06"]


# ------------------------------------------------------------------------------------------------- one-sided stretches
def stretches(world: World, name: str, who: str = "TRP", now: str = DEMO_NOW, **asked: Any) -> list[Stretch]:
    """The one-sided stretches of an item."""
    moments = when(world, asked.pop("as_of", None), asked.pop("known_on", None), now)
    with world.database.engine.connect() as connection:
        return one_sided(connection, somebody(who), moments, number(name), **asked)


def test_a15_the_carriage_of_t_01(world: World) -> None:
    """A15: 2025-03-10 10:05 to 03-14 00:10, 86 h 05 min, the courier's side typed from paper; of box and sample."""
    t_01(world)

    for name in ("BRM-0010", "P-01"):
        (found,) = stretches(world, name)
        assert found.since == parse_instant("2025-03-10T10:05:00Z")
        assert found.until == parse_instant("2025-03-14T00:10:00Z")
        assert found.length == timedelta(hours=86, minutes=5)
        assert (found.state, found.certain, found.claimed) == ("giver_only", "TRP", "CRK")
        assert found.event_id == RELEASE


def test_a15_the_customs_hold_of_t_02(world: World) -> None:
    """A15: 99 h 20 min by the courier's word only; what the authority says itself is not one-sided."""
    world.tell("registered", "BRM-0011", "2025-02-18T10:30:00Z", item="sample")
    world.tell("released", "BRM-0011", "2025-03-24T09:15:00Z", to="CRK")
    world.tell("accepted", "BRM-0011", "2025-03-24T09:15:00Z", "CRK", from_="TRP")
    world.tell("held", "BRM-0011", "2025-03-26T03:20:00Z", "CRK", authority="BIA")
    told = world.tell("freed", "BRM-0011", "2025-03-30T06:40:00Z", "CRK", authority="BIA")

    (found,) = stretches(world, "BRM-0011")
    assert (found.length, found.claimed) == (timedelta(hours=99, minutes=20), "BIA")
    assert found.until == parse_instant("2025-03-30T06:40:00Z")
    world.tell("held", "BRM-0011", "2025-03-26T03:20:00Z", "BIA", told["recorded_at"], authority="BIA")
    assert [s for s in stretches(world, "BRM-0011") if s.claimed == "BIA"] == []


def test_a_stretch_is_cut_to_what_was_asked_and_goes_on_where_it_does(world: World) -> None:
    """from and to cut it; with nothing told since, it has no end; as known before the release it was another."""
    t_01(world)
    world.tell("released", "BRM-0010", "2026-11-20T12:00:00Z", "TSI", to="SMP")

    cut: dict[str, Any] = {
        "from_at": parse_instant("2025-03-11T00:00:00Z"),
        "to_at": parse_instant("2025-03-12T00:00:00Z"),
    }
    (found,) = stretches(world, "BRM-0010", **cut)
    assert found.length == timedelta(days=1)
    _, found = stretches(world, "BRM-0010")
    assert (found.until, found.length) == (None, timedelta(days=5))
    night = "2025-03-14T06:00:00Z"
    (found,) = stretches(world, "BRM-0010", as_of=night, known_on=night)
    assert (found.state, found.until, found.length) == ("taker_only", None, timedelta(hours=5, minutes=50))


def test_one_sided_stretches_end_for_a_party_with_its_part(world: World) -> None:
    """A former holder sees its own time and no later one's; for a stranger there is no such item (rulings 16)."""
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample")
    world.tell("released", "BRM-0010", "2025-03-01T00:00:00Z", to="TSI")
    world.tell("accepted", "BRM-0010", "2025-03-02T00:00:00Z", "TSI", from_="TRP")
    world.tell("released", "BRM-0010", "2025-04-01T00:00:00Z", "TSI", to="TRP")
    world.tell("accepted", "BRM-0010", "2025-04-02T00:00:00Z", from_="TSI")
    world.tell("released", "BRM-0010", "2025-05-01T00:00:00Z", to="SMP")

    assert len(stretches(world, "BRM-0010")) == 3
    assert [s.claimed for s in stretches(world, "BRM-0010", "TSI")] == ["TSI", "TRP"]
    with pytest.raises(errors.NotFound):
        stretches(world, "BRM-0010", "MRL")
    with pytest.raises(errors.NotFound):
        stretches(world, "BRM-0099", "TRP")
