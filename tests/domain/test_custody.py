"""Who holds a thing, word by word (rulings 14, 15, 26, 27; trade cases 74 to 79: common practice, no source)."""

from datetime import UTC, datetime, timedelta

import pytest

from shipsvc.domain.custody import Custody, after
from shipsvc.domain.facts import Fact, Trip

START = datetime(2025, 3, 10, 10, 0, tzinfo=UTC)
TRIP = Trip("T-01", "TRP", "TSI")


def fact(kind: str, acting_for: str, hours: float = 0, trip: Trip | None = None, **body: str) -> Fact:
    """A fact told by an institution so many hours after the start."""
    at = START + timedelta(hours=hours)
    words = {name.rstrip("_"): value for name, value in body.items()}
    return Fact(f"{kind}-{acting_for}-{hours}", kind, (), at, at, acting_for, words, trip=trip)


def told(*facts: Fact) -> Custody:
    """The custody after a thing of TRP's was told of."""
    custody = after(Custody(), fact("registered", "TRP", -24))
    for one in facts:
        custody = after(custody, one)
    return custody


def seen(custody: Custody) -> tuple[str | None, str | None, str]:
    """What a reader is shown."""
    return custody.certain, custody.claimed, custody.state


def test_both_sides_agree_at_the_later_of_the_two_words() -> None:
    """Rulings 26: before the second word the giver is certain and the taker claims."""
    release = fact("released", "TRP", to="CRK")
    assert seen(told(release)) == ("TRP", "CRK", "giver_only")
    agreed = told(release, fact("accepted", "CRK", 1, from_="TRP"))
    assert seen(agreed) == ("CRK", None, "agreed")
    assert agreed.certain_since == START + timedelta(hours=1)


def test_a_word_typed_for_the_other_side_is_only_declared() -> None:
    """Rulings 14: TRP may type the courier's receipt from paper; it does not make the handover two-sided."""
    custody = told(fact("released", "TRP", to="CRK"), fact("accepted", "TRP", 1, party="CRK", from_="TRP"))
    assert seen(custody) == ("TRP", "CRK", "giver_only")


@pytest.mark.parametrize(("days", "state"), [(14, "agreed"), (14.001, "taker_only")])
def test_words_without_a_shipment_match_up_to_fourteen_days(days: float, state: str) -> None:
    """Rulings 26: the fourteenth day is included."""
    custody = told(fact("released", "TRP", to="TSI"), fact("accepted", "TSI", days * 24, from_="TRP"))
    assert custody.state == state


def test_the_addressee_ends_a_trip_whatever_the_carrier_said() -> None:
    """Rulings 14: consignor's release and addressee's acceptance on one shipment make it certain."""
    custody = told(
        fact("released", "TRP", trip=TRIP, to="CRK"),
        fact("accepted", "CRK", 1, from_="TRP"),  # the carrier does not name the shipment
        fact("accepted", "TSI", 90, trip=TRIP, from_="CRK"),
    )
    assert seen(custody) == ("TSI", None, "agreed")


def test_somebody_else_at_the_door_does_not_end_it() -> None:
    """Trade case 79: the right signature in the wrong building is a claim, and can be rejected."""
    sent = (fact("released", "TRP", trip=TRIP, to="CRK"), fact("accepted", "CRK", 0.5, trip=TRIP, from_="TRP"))
    wrong = fact("accepted", "MRL", 80, trip=TRIP, from_="CRK")
    assert seen(told(*sent, wrong)) == ("CRK", "MRL", "taker_only")
    rejected = fact("rejected", "MRL", 81, trip=TRIP, from_="CRK")
    assert seen(told(*sent, wrong, rejected)) == ("CRK", None, "rejected")


def test_two_own_words_that_name_different_takers_are_disputed() -> None:
    """The giver names one, another says it was given to them."""
    custody = told(fact("released", "TRP", to="TSI"), fact("accepted", "MRL", 2, from_="TRP"))
    assert seen(custody) == ("TRP", "MRL", "disputed")


def test_a_desk_hands_to_a_desk_by_one_word() -> None:
    """Rulings 14: mail room to laboratory inside one institution."""
    sent = (fact("released", "TRP", to="LSC/mail-room"), fact("accepted", "LSC", 5, party="LSC/mail-room", from_="TRP"))
    assert seen(told(*sent)) == ("LSC/mail-room", None, "agreed")
    assert seen(told(*sent, fact("accepted", "LSC", 30, from_="LSC/mail-room"))) == ("LSC", None, "agreed")


@pytest.mark.parametrize("authority_first", [True, False])
def test_an_authority_is_certain_once_both_have_spoken(authority_first: bool) -> None:
    """Rulings 27: a claim while one tells it, and no bare word of a stranger takes a thing away."""
    carried = (fact("released", "TRP", to="CRK"), fact("accepted", "CRK", from_="TRP"))
    words = [fact("held", "BIA", 41, authority="BIA"), fact("held", "CRK", 42, authority="BIA")]
    first, second = words if authority_first else reversed(words)
    assert seen(told(*carried, first)) == ("CRK", "BIA", "held")
    assert seen(told(*carried, first, second)) == ("BIA", None, "held")


def test_what_is_freed_is_with_whom_it_was() -> None:
    """After a hold that only the carrier told, the carrier has it again; an open handover is open again."""
    hold = (fact("held", "CRK", 41, authority="BIA"), fact("freed", "CRK", 140, authority="BIA", to="CRK"))
    carried = (fact("released", "TRP", to="CRK"), fact("accepted", "CRK", from_="TRP"))
    assert seen(told(*carried, *hold)) == ("CRK", None, "agreed")
    assert seen(told(carried[0], *hold)) == ("TRP", "CRK", "declared")


def test_a_strangers_release_moves_nothing() -> None:
    """Rulings 17: stating needs no relation and takes nothing from anybody."""
    assert seen(told(fact("released", "MRL", to="SMP"))) == ("TRP", None, "agreed")


def test_what_has_ended_is_held_by_nobody_whatever_is_told_later() -> None:
    """Trade case 98: ended items drop from now."""
    assert after(Custody(state="ended"), fact("accepted", "TSI")) == Custody(state="ended")


def test_the_first_word_about_anothers_number_is_a_claim() -> None:
    """Rulings 17: who is first to speak of a thing that the owner did not register yet does not hold it by that."""
    for kind in ("seen", "registered", "stored"):
        assert seen(after(Custody(), fact(kind, "CRK"), "TRP")) == (None, "CRK", "taker_only")
        assert seen(after(Custody(), fact(kind, "TRP"), "TRP")) == ("TRP", None, "agreed")
    desk = fact("released", "CRK", to="CRK/depot")
    assert seen(after(Custody(), desk, "TRP")) == (None, "CRK/depot", "giver_only")


def test_a_sighting_on_a_shipment_answers_a_release_on_that_shipment_alone() -> None:
    """Rulings 14: sides match on the same shipment, so that who opens a box of one trip took nothing from another."""
    opened = fact("opened", "TSI", 1, trip=Trip("T-05", "TRP", "TSI"))
    same = fact("released", "TRP", 2, to="TSI", trip=Trip("T-05", "TRP", "TSI"))
    other = fact("released", "TRP", 2, to="TSI", trip=Trip("T-06", "TRP", "TSI"))

    assert told(opened, same).state == "agreed"
    assert told(opened, other).state != "agreed"
