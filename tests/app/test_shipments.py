"""Shipments: each parcel's state by its own facts, documents that come late (demo.md T10, T12; trade 2, 34, 75-79)."""

import pytest

from shipsvc.domain import errors
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from shipsvc.store.shipments import STATES
from shipsvc.store.tables import Event
from shipsvc.store.tables_derived import ItemSpan
from tests.desk import CLERK, CURATOR, DRIVER, NOW, RECEIVER, STRANGER, Desk, desk_in, told_on


@pytest.fixture
def desk(database: Database) -> Desk:
    """TRP's loading bay, on each database."""
    return desk_in(database)


@pytest.fixture
def embedded(sqlite_database: Database) -> Desk:
    """The same on SQLite, for what does not depend on the database."""
    return desk_in(sqlite_database)


def test_facts_told_before_the_shipment_was_written_down(desk: Desk) -> None:
    """Trade case 2 and rulings 14: once consignor and addressee are known, the addressee's word ends the trip; what
    was known before stays as it was known."""
    world, on = desk.world, told_on("T-01")
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="CRK", **on)
    world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", "2025-03-14T00:12:00Z", from_="CRK", **on)
    assert world.state("BRM-0010", "2025-03-14T06:00:00Z").custody.state == "taker_only"

    desk.create("T-01", "TSI", ["P-01"], "2025-03-15T07:30:00Z")

    now = world.state("BRM-0010", "2025-03-14T06:00:00Z").custody
    assert (now.certain, now.state) == ("TSI", "agreed")
    then = world.state("BRM-0010", "2025-03-14T06:00:00Z", "2025-03-15T07:00:00Z").custody
    assert (then.certain, then.claimed) == ("TRP", "TSI")
    assert desk.states("T-01", "2025-03-12T00:00:00Z") == {"P01": "moving"}
    assert desk.states("T-01", "2025-03-14T06:00:00Z") == {"P01": "confirmed"}
    with pytest.raises(errors.NotFound):
        desk.read("T-01", "2025-03-14T06:00:00Z", "2025-03-15T07:00:00Z")


def test_a_shipment_without_facts_moves_nothing(embedded: Desk) -> None:
    """Writing a shipment down is no fact about the world: no span is written."""
    before = embedded.world.all(ItemSpan)

    embedded.create("T-01", "TSI", ["P-01"], "2025-03-15T07:30:00Z")

    assert embedded.world.all(ItemSpan) == before
    assert embedded.states("T-01") == {"P01": "preparing"}


def test_state_of_a_parcel_all_along_its_way(desk: Desk) -> None:
    """T-02, trade cases 30, 75 and 76: held by the authority's claim, arrived by the driver's word, then confirmed."""
    world, on = desk.world, told_on("T-02")
    desk.create("T-02", "TSI/mail-room", ["P-01"], "2025-03-21T09:00:00Z", expected_by="2025-03-29T12:00:00Z")
    world.tell("released", "P-01", "2025-03-24T09:15:00Z", to="CRK", **on)
    world.tell("accepted", "P-01", "2025-03-24T09:15:00Z", "CRK", from_="TRP", **on)
    world.tell("held", "P-01", "2025-03-26T03:20:00Z", "CRK", authority="BIA", **on)
    world.tell("freed", "P-01", "2025-03-30T06:40:00Z", "CRK", authority="BIA", to="CRK", **on)
    world.tell("released", "P-01", "2025-03-31T20:00:00Z", "CRK", to="TSI/mail-room", **on)
    world.tell("accepted", "P-01", "2025-04-01T00:45:00Z", "TSI", from_="CRK", **on)
    way = {
        "2025-03-22T00:00:00Z": "preparing",
        "2025-03-25T00:00:00Z": "moving",
        "2025-03-28T00:00:00Z": "held",
        "2025-03-30T12:00:00Z": "moving",
        "2025-03-31T23:00:00Z": "arrived",
        "2025-04-02T00:00:00Z": "confirmed",
    }

    assert {at: desk.states("T-02", at)["P01"] for at in way} == way
    assert not desk.read("T-02", "2025-03-29T12:00:00Z").overdue
    assert desk.read("T-02", "2025-03-29T12:00:01Z").overdue
    done = desk.read("T-02")
    assert (done.overdue, done.parcels[0].row["confirmed_at"]) == (False, parse_instant("2025-04-01T00:45:00Z"))
    assert desk.states("T-02", "2025-03-28T00:00:00Z", "2025-03-25T00:00:00Z") == {"P01": "moving"}


def test_two_parcels_of_which_one_arrives(desk: Desk) -> None:
    """Trade case 34: the state of a trip is derived for each parcel; the list finds it under both states."""
    world, on = desk.world, told_on("T-03")
    desk.create("T-03", "TSI", ["P-01", "P-02"], "2025-03-21T09:00:00Z")
    world.tell("released", ["P-01", "P-02"], "2025-03-24T09:15:00Z", to="CRK", **on)
    world.tell("accepted", "P-02", "2025-03-28T09:00:00Z", "TSI", from_="CRK", **on)
    at = "2025-03-29T00:00:00Z"

    assert desk.states("T-03", at) == {"P01": "moving", "P02": "confirmed"}
    last = {parcel.row["number"]: parcel.last for parcel in desk.read("T-03", at).parcels}
    assert last["P01"] is not None
    assert last["P02"] is not None
    assert (last["P01"]["kind"], last["P02"]["kind"], last["P02"]["acting_for"]) == ("released", "accepted", "TSI")
    found = {state: desk.page(at, state=state) for state in STATES}
    assert {state for state, codes in found.items() if codes == ["T-03"]} == {"moving", "confirmed"}
    assert [one.row["code"] for one in desk.arriving("TSI", at, RECEIVER)] == ["T-03"]
    world.tell("accepted", "P-01", "2025-03-30T09:00:00Z", "TSI", from_="CRK", **on)
    assert desk.arriving("TSI", "2025-03-31T00:00:00Z", RECEIVER) == []


def test_the_addressees_own_word_confirms_before_the_release_is_told(desk: Desk) -> None:
    """Trade case 2: accepted, release not yet told. The parcel is there by the word of the one it was sent to."""
    desk.create("T-01", "TSI", ["P-01"], "2025-03-08T07:30:00Z")
    desk.world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", from_="CRK", shipment="T-01")

    (parcel,) = desk.read("T-01", "2025-03-14T06:00:00Z").parcels

    assert (parcel.row["state"], parcel.row["confirmed_at"], parcel.row["handover"]) == (
        "confirmed",
        None,
        "taker_only",
    )


def test_what_another_shipment_did_is_no_word_of_this_one(desk: Desk) -> None:
    """A box that is used again is being prepared, whatever it went through before; in lists as for itself."""
    world = desk.world
    desk.create("T-01", "TSI", ["P-01"], "2025-03-08T07:30:00Z")
    world.tell("released", "P-01", "2025-03-10T00:10:00Z", to="CRK", shipment="T-01")
    desk.create("T-011", "TSI", ["P-01"], "2025-03-11T07:30:00Z")
    at = "2025-03-12T00:00:00Z"
    assert (desk.states("T-01", at), desk.states("T-011", at)) == ({"P01": "moving"}, {"P01": "preparing"})
    assert desk.page(at, state="moving") == ["T-01"]
    world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", from_="CRK", shipment="T-01")
    at = "2025-03-15T00:00:00Z"
    assert (desk.page(at, state="confirmed"), desk.page(at, state="preparing")) == (["T-01"], ["T-011"])
    assert [one.row["code"] for one in desk.arriving("TSI", at, RECEIVER)] == ["T-011"]


def test_a_claim_on_another_shipment_confirms_nothing(embedded: Desk) -> None:
    """The addressee's word counts for the shipment that it named, though that one's code begins alike."""
    embedded.create("T-01", "TSI", ["P-01"], "2025-03-08T07:30:00Z")
    embedded.world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", from_="CRK", shipment="T-01")
    embedded.create("T-011", "TSI", ["P-01"], "2025-03-20T07:30:00Z")

    assert embedded.states("T-011", "2025-03-21T00:00:00Z") == {"P01": "preparing"}


def test_rejected_by_the_true_addressee(embedded: Desk) -> None:
    """Trade case 79: right signature, wrong building; the addressee may reject it."""
    world, on = embedded.world, told_on("T-01")
    embedded.create("T-01", "TSI", ["P-01"], "2025-03-08T07:30:00Z")
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", to="CRK", **on)
    world.tell("rejected", "P-01", "2025-03-14T10:05:00Z", "TSI", from_="CRK", **on)

    assert embedded.states("T-01") == {"P01": "rejected"}


def test_turned_round_by_the_carrier(desk: Desk) -> None:
    """T-09, E-28: told half an hour late; from that moment the consignor is the addressee, and its word ends the trip
    (rulings 14)."""
    world, on = desk.world, told_on("T-09")
    desk.create("T-09", "TSI", ["P-01"], "2026-08-07T09:00:00Z")
    world.tell("released", "P-01", "2026-08-10T11:00:00Z", to="CRK", **on)
    world.tell("accepted", "P-01", "2026-08-10T11:00:00Z", "CRK", from_="TRP", **on)
    desk.turn_round("T-09", "2026-08-15T02:00:00Z", "2026-08-15T02:30:00Z")

    assert desk.states("T-09", "2026-08-15T01:59:59Z") == {"P01": "moving"}
    assert desk.states("T-09", "2026-08-16T00:00:00Z") == {"P01": "turned_round"}
    assert desk.read("T-09", "2026-08-16T00:00:00Z").row["addressee"] == "TRP"
    assert desk.read("T-09", "2026-08-16T00:00:00Z", "2026-08-15T02:15:00Z").row["addressee"] == "TSI"
    assert [one.row["code"] for one in desk.arriving("TRP", "2026-08-16T00:00:00Z", CLERK)] == ["T-09"]
    world.tell("accepted", "P-01", "2026-08-21T09:40:00Z", from_="CRK", **on)
    assert desk.states("T-09") == {"P01": "confirmed"}
    assert world.state("BRM-0010", NOW).custody.certain == "TRP"
    (decision,) = [row for row in world.all(Event) if row["kind"] == "turned_round"]
    assert (decision["acting_for"], decision["shipment"], decision["time_source"]) == ("CRK", "T-09", "typed")
    assert decision["subjects"] == '[["P01",null]]'


def test_turning_round_reads_facts_told_meanwhile_again(desk: Desk) -> None:
    """The consignor took it back before anybody told that it was turned round: then its word was of a stranger's trip,
    now it ends it."""
    world, on = desk.world, told_on("T-09")
    desk.create("T-09", "TSI", ["P-01"], "2026-08-07T09:00:00Z")
    world.tell("released", "P-01", "2026-08-10T11:00:00Z", to="CRK", **on)
    world.tell("accepted", "P-01", "2026-08-10T11:00:00Z", "CRK", from_="TRP", **on)
    world.tell("accepted", "P-01", "2026-08-16T09:00:00Z", from_="CRK", **on)
    assert world.state("BRM-0010", "2026-08-17T00:00:00Z").custody.state == "taker_only"

    desk.turn_round("T-09", "2026-08-15T02:00:00Z", "2026-08-18T00:00:00Z", CURATOR)

    assert world.state("BRM-0010", "2026-08-17T00:00:00Z").custody.state == "agreed"
    then = world.state("BRM-0010", "2026-08-17T00:00:00Z", "2026-08-17T12:00:00Z").custody
    assert then.state == "taker_only"
    assert desk.states("T-09", "2026-08-17T00:00:00Z") == {"P01": "confirmed"}


def test_who_may_turn_round_and_when(embedded: Desk) -> None:
    """The consignor's curator or the carrier; once, and not what has all arrived."""
    world = embedded.world
    embedded.create("T-09", "TSI", ["P-01"], "2026-08-07T09:00:00Z")
    at = "2026-08-15T02:00:00Z"
    for actor, acting_for in ((CLERK, None), (RECEIVER, "TSI"), (DRIVER, "TRP")):
        with pytest.raises(errors.NotYourRole):
            embedded.turn_round("T-09", at, at, actor, acting_for)
    with pytest.raises(errors.NotFound):
        embedded.turn_round("T-09", at, at, STRANGER)
    with pytest.raises(errors.Malformed):
        embedded.turn_round("T-09", at, "2026-08-15T01:00:00Z")
    embedded.turn_round("T-09", at, at)
    with pytest.raises(errors.RuleForbids, match="already"):
        embedded.turn_round("T-09", at, at)

    embedded.create("T-10", "TSI", ["P-02"], "2026-08-07T09:00:00Z")
    world.tell("released", "P-02", "2026-08-10T11:00:00Z", to="CRK", shipment="T-10")
    world.tell("accepted", "P-02", "2026-08-12T11:00:00Z", "TSI", from_="CRK", shipment="T-10")
    with pytest.raises(errors.RuleForbids, match="arrived"):
        embedded.turn_round("T-10", at, at)


def test_a_new_addressee_counts_from_now_on(desk: Desk) -> None:
    """What happened before the change is read by the addressee of that time, also where it is told after it."""
    world, on = desk.world, told_on("T-01")
    desk.create("T-01", "SMP", ["P-01", "P-02"], "2025-03-08T09:00:00Z")
    world.tell("released", ["P-01", "P-02"], "2025-03-10T10:00:00Z", to="CRK", **on)
    desk.change("T-01", "TSI", "2025-03-12T09:00:00Z")
    world.tell("accepted", "P-01", "2025-03-11T09:00:00Z", "SMP", "2025-03-13T09:00:00Z", from_="CRK", **on)
    world.tell("accepted", "P-02", "2025-03-14T09:00:00Z", "TSI", from_="CRK", **on)

    assert world.state("P-01", "2025-03-13T12:00:00Z").custody.certain == "SMP"
    assert world.state("P-02", NOW).custody.certain == "TSI"
    assert desk.states("T-01") == {"P01": "confirmed", "P02": "confirmed"}
    with pytest.raises(errors.VersionMoved):
        desk.change("T-01", "SMP", "2025-03-15T09:00:00Z", follows=1)
    desk.change("T-01", "TSI", "2025-03-15T09:00:00Z", follows=2, expected_by="2025-03-20T00:00:00Z")
    assert [desk.read("T-01", f"2025-03-{day}T12:00:00Z").row["version"] for day in (11, 12, 16)] == [1, 2, 3]
