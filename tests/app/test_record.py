"""The one door for facts, tried with the first trips of the scenario (demo.md 7.1 T10, T12; answers of 7.5)."""

import pytest

from shipsvc.domain import errors
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from shipsvc.store.tables_derived import Comparison, EventItem, Flag, ItemParty
from tests.world import World


@pytest.fixture
def world(database: Database) -> World:
    """The same world on each database."""
    return World(database)


def start_t01(world: World) -> None:
    """0010 in its vial, in store at the lender; the loan's box made known."""
    world.ship("T-01", "TRP", "TSI", "2025-03-08T00:00:00Z")
    world.tell("registered", "V-010", "2025-02-18T10:00:00Z", item="container", form="vial")
    world.tell("registered", ["G-01", "J-01", "P-01"], "2025-02-18T10:00:00Z", item="container", form="jar")
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample", mass="1204.3 mg", balance="B1")
    world.tell("packed", "BRM-0010", "2025-02-18T10:30:00Z", into="V010", material=True)
    world.tell("stored", "BRM-0010", "2025-02-18T10:35:00Z", place="TRP-GB1")


def tell_t01(world: World) -> None:
    """The facts of T-01 in the order in which they were told."""
    world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", "2025-03-14T00:12:00Z", from_="CRK", shipment="T-01")
    world.tell("seen", "BRM-0010", "2025-03-14T01:20:00Z", "TSI", "2025-03-14T01:21:00Z")
    world.tell(
        "weighed", "BRM-0010", "2025-03-14T01:20:00Z", "TSI", "2025-03-14T01:21:00Z", mass="1204.2 mg", balance="B6"
    )
    told = "2025-03-15T07:30:00Z"
    world.tell("packed", "BRM-0010", "2025-03-10T08:40:00Z", told=told, into="G01")
    world.tell("packed", "G-01", "2025-03-10T08:40:00Z", told=told, into="J01")
    world.tell("packed", "J-01", "2025-03-10T08:40:00Z", told=told, into="P01")
    for _ in range(3):
        world.tell("released", "P-01", "2025-03-10T10:05:00Z", told=told, id="e" * 36, to="CRK", shipment="T-01")
    told = "2025-03-17T09:00:00Z"
    at = "2025-03-10T10:06:00Z"
    world.tell("accepted", "P-01", at, told=told, party="CRK", from_="TRP", shipment="T-01")


def test_a1_holder_on_12_march(world: World) -> None:
    """A1: in store at TRP as known next day; now: claimed by the courier, certain still TRP, on the way."""
    start_t01(world)
    tell_t01(world)

    then = world.state("BRM-0010", "2025-03-12T12:00:00Z", "2025-03-13T00:00:00Z")
    assert (then.custody.certain, then.custody.claimed, then.where.status) == ("TRP", None, "stored")

    now = world.state("BRM-0010", "2025-03-12T12:00:00Z")
    assert (now.custody.certain, now.custody.claimed, now.where.status) == ("TRP", "CRK", "in_transit")
    assert now.custody.state == "giver_only"


def test_a2_receipt_told_before_release(world: World) -> None:
    """A2: TSI claims while the release is not told; once it is, TSI holds it by agreement since its acceptance."""
    start_t01(world)
    tell_t01(world)

    then = world.state("BRM-0010", "2025-03-14T06:00:00Z", "2025-03-14T06:00:00Z")
    assert (then.custody.certain, then.custody.claimed, then.custody.state) == ("TRP", "TSI", "taker_only")

    now = world.state("BRM-0010", "2025-03-14T06:00:00Z")
    assert (now.custody.certain, now.custody.claimed, now.custody.state) == ("TSI", None, "agreed")
    assert now.custody.certain_since == parse_instant("2025-03-14T00:10:00Z")


def test_a_repeated_fact_is_stored_once(world: World) -> None:
    """E-02 arrives three times: one event, the first answer again, word for word."""
    start_t01(world)
    first = world.tell("released", "P-01", "2025-03-10T10:05:00Z", id="a" * 36, to="CRK")
    again = world.tell("released", "P-01", "2025-03-10T10:05:00Z", told="2025-03-12T00:00:00Z", id="a" * 36, to="CRK")

    assert not first.pop("replayed")
    assert again.pop("replayed")
    assert first == again
    assert len([r for r in world.all(EventItem) if r["event_id"] == "a" * 36]) == 1


def test_the_same_id_with_other_words_is_refused(world: World) -> None:
    """An id names one fact for ever; neither another body nor another person may use it again."""
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", id="a" * 36, to="CRK")
    with pytest.raises(errors.IdUsedForOtherFact):
        world.tell("released", "P-01", "2025-03-10T10:05:00Z", id="a" * 36, to="TSI")
    with pytest.raises(errors.IdUsedForOtherFact):
        world.tell("released", "P-01", "2025-03-10T10:05:00Z", id="a" * 36, actor="somebody else", to="CRK")


def test_receipt_is_compared_with_the_book(world: World) -> None:
    """demo.md 7.4, first row: 1204.3 on B1, 1204.2 on B6: D -0.1 mg, u 0.219 mg, agrees."""
    start_t01(world)
    tell_t01(world)

    (found,) = world.all(Comparison)
    assert found["observed_ng"] - found["expected_ng"] == -100_000
    assert found["u_ng"] == pytest.approx(219_000, rel=0.002)
    assert (found["verdict"], found["marks"]) == ("agrees", "")


def test_a_piece_seen_elsewhere_leaves_its_box(world: World) -> None:
    """Trade case 29: direct evidence of the vial beats what its jar would say; the contradiction is flagged."""
    world.tell("registered", ["V-010", "J-01"], "2025-02-18T10:00:00Z", item="container", form="jar")
    world.tell("packed", "V-010", "2025-02-18T11:00:00Z", into="J01")
    world.tell("released", "J-01", "2025-02-19T10:00:00Z", to="TSI")
    world.tell("accepted", "J-01", "2025-02-20T10:00:00Z", "TSI", from_="TRP")
    assert world.state("V-010", "2025-02-20T12:00:00Z").custody.certain == "TSI"

    answer = world.tell("seen", "V-010", "2025-02-20T13:00:00Z", "TRP")

    assert answer["flags"] == ["seen_elsewhere"]
    state = world.state("V-010", "2025-02-20T14:00:00Z")
    assert (state.parent, state.custody.certain, state.custody.claimed) == (None, "TSI", "TRP")


def test_a_cycle_never_enters_the_nest(world: World) -> None:
    """Trade case 33: a jar told to be in its own bag is stored as told, flagged, and moves nothing."""
    world.tell("registered", ["G-01", "J-01"], "2025-02-18T10:00:00Z", item="container", form="jar")
    world.tell("packed", "G-01", "2025-02-18T11:00:00Z", into="J01")

    answer = world.tell("packed", "J-01", "2025-02-18T12:00:00Z", into="G01")

    assert answer["flags"] == ["nest_cycle"]
    assert world.state("J-01", "2025-02-18T13:00:00Z").parent is None
    assert world.state("G-01", "2025-02-18T13:00:00Z").parent == "J01"


def test_an_unknown_number_makes_a_provisional_item(world: World) -> None:
    """Rulings 1: the thing is there whether or not we were told of it before."""
    world.tell("seen", "BRM-0099", "2025-02-18T10:00:00Z", "TSI")
    assert world.item("BRM-0099")["provisional"]
    assert world.item("BRM-0099")["owner"] == "TRP"
    world.tell("registered", "BRM-0099", "2025-02-17T10:00:00Z", told="2025-02-19T00:00:00Z", item="sample")
    assert not world.item("BRM-0099")["provisional"]


def test_amendment_takes_the_place_of_the_fact(world: World) -> None:
    """A3, E-13 and E-14: 51.2 is a likely slip; amended to 512.3 it agrees, and as known before it still reads 51.2."""
    world.tell("registered", "BRM-0011", "2025-02-18T10:30:00Z", item="sample", mass="512.46 mg", balance="B2")
    at, told = "2025-04-01T01:00:00Z", "2025-04-01T02:10:00Z"
    world.tell("weighed", "BRM-0011", at, "MRL", told, id="b" * 36, mass="51.2 mg", balance="B7")
    told = "2025-04-02T23:30:00Z"
    world.tell("weighed", "BRM-0011", at, "MRL", told, amends="b" * 36, mass="512.3 mg", balance="B7")

    first, second = sorted(world.all(Comparison), key=lambda r: r["known_from"])
    assert (first["verdict"], second["verdict"]) == ("likely_slip", "agrees")
    assert first["known_to"] == second["known_from"]
    assert second["observed_ng"] - second["expected_ng"] == -160_000
    assert second["event_id"] == "b" * 36


def test_an_amendment_names_the_newest_one_it_saw(world: World) -> None:
    """Trade case 89: of two amendments made at once the second is told of the first."""
    at = "2025-04-01T01:00:00Z"
    world.tell("seen", "BRM-0011", at, "MRL", id="b" * 36)
    world.tell("seen", "BRM-0011", at, "MRL", id="c" * 36, amends="b" * 36)
    with pytest.raises(errors.AmendedMeanwhile):
        world.tell("seen", "BRM-0011", at, "MRL", amends="b" * 36)
    with pytest.raises(errors.AmendsAnAmendment):
        world.tell("seen", "BRM-0011", at, "MRL", amends="c" * 36)
    with pytest.raises(errors.NotYourRole):
        world.tell("seen", "BRM-0011", at, "TSI", amends="b" * 36, expected="c" * 36)
    world.tell("seen", "BRM-0011", at, "TRP", amends="b" * 36, expected="c" * 36)


def test_a_withdrawn_fact_drives_nothing(world: World) -> None:
    """An amendment with nothing in its place undoes what the fact did, from then on known."""
    world.tell("registered", "V-010", "2025-02-18T10:00:00Z", item="container", form="vial")
    world.tell("released", "V-010", "2025-02-19T10:00:00Z", id="d" * 36, to="CRK")
    assert world.state("V-010", "2025-02-20T00:00:00Z").custody.claimed == "CRK"

    world.tell("released", "V-010", "2025-02-19T10:00:00Z", told="2025-02-21T00:00:00Z", amends="d" * 36, withdraw=True)

    assert world.state("V-010", "2025-02-20T00:00:00Z").custody.claimed is None
    assert world.state("V-010", "2025-02-20T00:00:00Z", "2025-02-20T00:00:00Z").custody.claimed == "CRK"


def test_recorded_at_rises_for_each_item(world: World) -> None:
    """Rulings 8: even when the clock stands still, no two facts of one item are recorded at one instant."""
    first = world.tell("seen", "V-010", "2025-02-18T10:00:00Z")
    second = world.tell("seen", "V-010", "2025-02-18T10:00:00Z")
    assert parse_instant(first["recorded_at"]) < parse_instant(second["recorded_at"])


def test_labels_swapped_at_packing_move_what_was_told_of_them(world: World) -> None:
    """Trade case 104, E-22: a print names the vial it is on, and an amended attachment moves later uses with it."""
    for vial, sample in (("V-018", "BRM-0018"), ("V-019", "BRM-0019")):
        world.tell("registered", vial, "2025-04-02T10:00:00Z", item="container", form="vial")
        world.tell("registered", sample, "2025-04-02T10:00:00Z", item="sample", mass="250 mg", balance="B2")
        world.tell("packed", sample, "2025-04-02T10:05:00Z", into=vial.replace("-", ""), material=True)
    at = "2025-04-23T10:20:00Z"
    world.tell("label_attached", "BRM-0018.1", at, id="1" * 36, to="V019")
    world.tell("label_attached", "BRM-0019.1", at, id="2" * 36, to="V018")
    world.tell("used", "BRM-0018.1", "2026-02-10T10:00:00Z", mass="50.20 mg", balance="B6")
    assert world.state("BRM-0019", "2026-03-01T00:00:00Z").book.mass_ng == 199_800_000

    told = "2026-05-27T10:00:00Z"
    world.tell("label_attached", "BRM-0018.1", at, told=told, amends="1" * 36, to="V018")
    world.tell("label_attached", "BRM-0019.1", at, told=told, amends="2" * 36, to="V019")

    assert world.state("BRM-0019", "2026-03-01T00:00:00Z").book.mass_ng == 250_000_000
    assert world.state("BRM-0018", "2026-03-01T00:00:00Z").book.mass_ng == 199_800_000
    assert world.state("BRM-0019", "2026-03-01T00:00:00Z", "2026-05-26T00:00:00Z").book.mass_ng == 199_800_000


def test_flags_of_a_strangers_word_are_not_told_to_the_stranger(world: World) -> None:
    """Rulings 17: stating is open to all, and the answer says nothing of the state."""
    world.tell("registered", ["V-010", "J-01"], "2025-02-18T10:00:00Z", item="container", form="jar")
    world.tell("packed", "V-010", "2025-02-18T11:00:00Z", into="J01")

    answer = world.tell("seen", "V-010", "2025-02-20T13:00:00Z", "SMP")

    assert answer["flags"] == []
    assert {f["code"] for f in world.all(Flag)} == {"seen_elsewhere", "strangers_word"}
    state = world.state("V-010", "2025-02-20T14:00:00Z")
    assert (state.parent, state.custody.certain, state.custody.claimed) == ("J01", "TRP", "SMP")


def test_a_stranger_can_claim_and_do_nothing_else(world: World) -> None:
    """Rulings 17: neither place nor nest nor book moves by the word of somebody who has nothing to do with a sample."""
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample", mass="1204.3 mg", balance="B1")
    world.tell("stored", "BRM-0010", "2025-02-18T10:35:00Z", place="TRP-GB1")
    world.tell("registered", "J-01", "2025-02-18T10:30:00Z", "SMP", item="container", form="jar")
    for kind, body in (
        ("packed", {"into": "J01"}),
        ("stored", {"place": "SMP-N1"}),
        ("used", {"mass": "1000 mg", "balance": "B5", "all": True}),
        ("held", {"authority": "SMP"}),
    ):
        world.tell(kind, "BRM-0010", "2025-02-20T10:00:00Z", "SMP", **body)
    state = world.state("BRM-0010", "2025-02-21T00:00:00Z")
    assert (state.custody.certain, state.custody.claimed) == ("TRP", "SMP")
    assert (state.parent, state.where.place, state.book.mass_ng) == (None, "TRP-GB1", 1_204_300_000)
    assert {r["institution"] for r in world.all(ItemParty) if r["item"] == "BRM0010"} == {"TRP"}


def test_nobody_becomes_an_owner_by_saying_so(world: World) -> None:
    """OWASP API Security 2023, 1: a second registration by a stranger changes neither owner nor description."""
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample", what="chip")
    world.tell("registered", "BRM-0010", "2025-02-19T10:30:00Z", "SMP", owner="SMP", item="parcel", what="mine")
    assert (world.item("BRM-0010")["owner"], world.item("BRM-0010")["what"]) == ("TRP", "chip")
    world.tell("registered", "BRM-0011", "2025-02-19T10:30:00Z", "SMP", owner="SMP", item="sample")
    assert world.item("BRM-0011")["owner"] == "TRP"
    assert {r["institution"] for r in world.all(ItemParty) if r["item"] == "BRM0010"} == {"TRP"}


def test_pieces_registered_before_the_split_are_held_as_their_parent_was(world: World) -> None:
    """Trade case 36: a borrower takes numbers out of a block first and tells the split afterwards."""
    world.tell("registered", "BRM-0012", "2025-02-18T10:30:00Z", item="sample", mass="86.209 mg", balance="B3")
    world.tell("released", "BRM-0012", "2025-03-31T12:00:00Z", to="SMP")
    world.tell("accepted", "BRM-0012", "2025-04-03T16:11:18Z", "SMP", from_="TRP")
    world.tell("registered", "BRM-0021", "2025-06-20T18:50:00Z", "SMP", item="sample")
    assert world.state("BRM-0021", "2025-06-20T18:55:00Z").custody.certain is None
    piece = {"number": "BRM0021", "mass": "40.102 mg", "balance": "B5"}
    world.tell("divided", "BRM-0012", "2025-06-20T19:00:00Z", "SMP", children=[piece])
    state = world.state("BRM-0021", "2025-06-20T19:05:00Z")
    assert (state.custody.certain, state.custody.state, state.book.mass_ng) == ("SMP", "agreed", 40_102_000)
