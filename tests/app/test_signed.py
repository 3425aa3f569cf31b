"""Two sides on one device: the taker's signature counts as their own word, for what was handed over and no more.

Sources: rulings 14 and 17 (own words; a stranger moves nothing), trade.md step 19 (names and signatures of both
sides); that a signature given on the giver's device counts, and is marked, is what the issue asks; an hour is common
practice, no source.
"""

from typing import Any

import pytest

from shipsvc.app import fsck
from shipsvc.domain import custody
from shipsvc.store.engine import Database
from tests.world import World

Json = dict[str, Any]
GIVEN = "00000000-0000-7000-8000-00000000000a"
OTHER = "00000000-0000-7000-8000-00000000000b"
AT, SIGNED_AT = "2025-03-10T10:05:00Z", "2025-03-10T10:06:00Z"


@pytest.fixture
def world(sqlite_database: Database) -> World:
    """Two boxes of TRP's, one in the other's neighbourhood; the first is handed to the courier."""
    found = World(sqlite_database)
    hand_over(found)
    return found


def hand_over(world: World) -> None:
    """P-01 with V-01 in it, and P-02; released to the courier."""
    world.tell("registered", ["P-01", "P-02", "V-01"], "2025-03-01T10:00:00Z", item="container", form="box")
    world.tell("packed", "V-01", "2025-03-01T11:00:00Z", into="P01")
    world.tell("released", "P-01", AT, id=GIVEN, to="CRK")
    world.tell("released", "P-02", AT, id=OTHER, to="CRK")


def sign(world: World, subjects: str = "P-01", at: str = SIGNED_AT, **body: Any) -> list[str]:
    """Tell the acceptance as the giver's device does; its flags."""
    said: Json = {"party": "CRK", "from_": "TRP", "signed": {"release": GIVEN, "how": "drawn"}, **body}
    return list(world.tell("accepted", subjects, at, "TRP", **said)["flags"])


def held(world: World, name: str) -> tuple[str | None, str | None, str]:
    """Who has a thing at the end of the day."""
    found = world.state(name, "2025-03-10T23:00:00Z").custody
    return found.certain, found.claimed, found.state


def test_it_is_the_takers_own_word_and_marked(database: Database) -> None:
    """What was handed over, and what is in it, is the taker's; the fact says that one device told both sides."""
    world = World(database)
    hand_over(world)
    assert "one_device" in sign(world)
    assert held(world, "P-01") == held(world, "V-01") == ("CRK", None, "agreed")
    assert world.state("P-01", "2025-03-10T23:00:00Z").where.status == "received"
    assert checked(world) == []


@pytest.mark.parametrize(
    ("subjects", "at", "body"),
    [
        ("P-02", SIGNED_AT, {}),  # another thing than the release names
        ("P-01", "2025-03-10T11:06:00Z", {}),  # more than an hour later
        ("P-01", "2025-03-10T10:04:00Z", {}),  # before it was handed over
        ("P-01", SIGNED_AT, {"party": "SMP"}),  # by somebody else
        ("P-01", SIGNED_AT, {"from_": "TSI"}),  # from somebody else
        ("P-01", SIGNED_AT, {"signed": {"release": OTHER, "how": "drawn"}}),  # of another release
    ],
    ids=["thing", "late", "early", "taker", "giver", "release"],
)
def test_it_is_never_more_than_what_was_handed_over(world: World, subjects: str, at: str, body: Json) -> None:
    """Anything else is a word typed for another: declared, and flagged."""
    assert "signature_alone" in sign(world, subjects, at, **body)
    certain, _, state = held(world, "P-01")
    assert (certain, state) != ("CRK", "agreed")
    assert certain == "TRP"
    assert checked(world) == []


def test_a_stranger_takes_nothing_away_with_two_words_of_their_own(world: World) -> None:
    """An institution that never had the box cannot give it on and sign for who takes it."""
    world.tell("released", "P-02", "2025-03-10T12:00:00Z", "MRL", id=GIVEN.replace("a", "c"), to="SMP")
    signed = {"release": GIVEN.replace("a", "c"), "how": "drawn"}
    said: Json = {"party": "SMP", "from_": "MRL", "signed": signed}
    flags = world.tell("accepted", "P-02", "2025-03-10T12:01:00Z", "MRL", **said)["flags"]
    assert "one_device" not in flags
    assert held(world, "P-02")[0] == "TRP"
    assert checked(world) == []


def test_a_courier_who_was_handed_it_has_the_addressee_sign(world: World) -> None:
    """Nobody need have typed the courier's own acceptance before: what was given to it, it may give on."""
    given = OTHER.replace("b", "d")
    world.tell("released", "P-01", "2025-03-10T14:00:00Z", "CRK", id=given, to="SMP")
    signed = {"release": given, "how": "drawn"}
    said: Json = {"party": "SMP", "from_": "CRK", "signed": signed}
    world.tell("accepted", "P-01", "2025-03-10T14:02:00Z", "CRK", **said)
    assert held(world, "P-01") == ("SMP", None, "agreed")
    assert checked(world) == []


def test_with_the_release_the_signature_goes(world: World) -> None:
    """A release that is withdrawn leaves a signature for nothing."""
    sign(world)
    world.tell("released", "P-01", AT, told="2025-03-11T09:00:00Z", amends=GIVEN, withdraw=True)
    assert held(world, "P-01")[0] == "TRP"
    assert checked(world) == []


def test_the_limit_is_the_one_told_of() -> None:
    """One hour, which is what the page says."""
    assert custody.SIGNED_WITHIN.total_seconds() == 3600


def checked(world: World) -> list[str]:
    """What the checker of derived state, which has rules of its own, finds otherwise."""
    with world.database.engine.connect() as connection:
        return [str(found) for found in fsck.check(connection)]
