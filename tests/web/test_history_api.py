"""The chain of custody over HTTP: order, the nest, amendments, and what each may read of it."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy import event

from shipsvc.web.cursors import encode
from tests.web.collection import Collection, collection, typed

CHIP, VIAL, JAR, PARCEL = "BRM-0001", "V-0001", "J-0001", "P-0001"
ROUTE = "/v1/items/{}/history"


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip in a vial in a jar in a parcel, once on each database."""
    with collection(database_url) as found:
        pack_chip(found)
        yield found


def pack_chip(world: Collection) -> None:
    """Registered, weighed, packed; nothing has left yet."""
    world.issue(kind="sample", form="material", what="interior chip", prefix="BRM")
    world.issue()
    world.issue(prefix="J", form="jar", what="jar")
    world.issue(kind="parcel", prefix="P", form="overpack", what="box")
    world.tell("cur", "TRP", "weighed", CHIP, "2026-03-10T12:10:00Z", mass="1204.3 mg", balance="B1")
    world.tell("cur", "TRP", "packed", CHIP, "2026-03-10T12:15:00Z", into=typed(VIAL), material=True)
    world.tell("cur", "TRP", "packed", VIAL, "2026-03-11T08:40:00Z", into=typed(JAR))
    world.tell("cur", "TRP", "packed", JAR, "2026-03-11T08:45:00Z", into=typed(PARCEL))


def told(world: Collection, number: str, who: str = "cur", **asked: str) -> list[dict[str, Any]]:
    """All entries of a history."""
    found: list[dict[str, Any]] = world.get(who, f"items/{typed(number)}/history", **asked)["items"]
    return found


def kinds(entries: list[dict[str, Any]]) -> list[str]:
    """What was told."""
    return [entry["kind"] for entry in entries]


def test_facts_of_the_nest_are_facts_of_the_chip(world: Collection) -> None:
    """Trade case 28: while it was in the box, what was told of the box is in its history, and says by which parent."""
    world.tell("clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", to="SMP")
    world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T00:10:00Z", from_="TRP")
    world.tell("ana", "SMP", "unpacked", JAR, "2026-03-14T01:00:00Z")
    world.tell("ana", "SMP", "seen", PARCEL, "2026-03-14T02:00:00Z")
    world.tell("ana", "SMP", "unpacked", VIAL, "2026-03-14T03:00:00Z")
    world.tell("ana", "SMP", "seen", JAR, "2026-03-14T04:00:00Z")
    world.tell("ana", "SMP", "stored", VIAL, "2026-03-14T05:00:00Z", place="SMP-N1")

    entries = told(world, CHIP)

    assert [(entry["kind"], entry["by_parent"]) for entry in entries] == [
        ("registered", None),
        ("weighed", None),
        ("packed", None),
        ("packed", typed(VIAL)),
        ("packed", typed(JAR)),
        ("released", typed(PARCEL)),
        ("accepted", typed(PARCEL)),
        ("unpacked", typed(JAR)),
        ("unpacked", typed(VIAL)),
        ("stored", typed(VIAL)),
    ]
    assert entries[3]["body"] == {"into": typed(JAR)}
    assert [entry["happened_at"] for entry in entries] == sorted(entry["happened_at"] for entry in entries)


def test_what_else_was_put_into_the_box_is_not_its_history(world: Collection) -> None:
    """A second vial in the same jar is a fact about that vial and the jar, not about the chip in the first."""
    world.issue()
    world.tell("cur", "TRP", "packed", "V-0002", "2026-03-11T09:00:00Z", into=typed(JAR))
    world.tell("cur", "TRP", "tared", JAR, "2026-03-11T09:05:00Z", mass="80 g", balance="B1")
    both = world.tell("cur", "TRP", "sealed", f"{JAR} {PARCEL}", "2026-03-11T09:10:00Z", seals=["S-1"])

    assert kinds(told(world, JAR))[-3:] == ["packed", "tared", "sealed"]
    entries = told(world, CHIP)
    assert kinds(entries) == ["registered", "weighed", "packed", "packed", "packed", "sealed"]
    # Told of two things around it, it is there once, by the nearer one.
    assert (entries[-1]["event_id"], entries[-1]["by_parent"]) == (both["id"], typed(JAR))


def test_each_word_says_whose_it_is_and_when_it_was_told(world: Collection) -> None:
    """E-03: typed by the consignor from the courier's paper a week later: declared, and told late (more than 24 h)."""
    world.tell("clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", to="CRK")
    late = "2026-03-17T09:00:00Z"
    paper = world.tell("clerk", "TRP", "accepted", PARCEL, "2026-03-11T10:06:00Z", late, party="CRK", from_="TRP")

    own, declared = told(world, CHIP)[-2:]

    assert (own["party"], own["acting_for"], own["own_word"], own["told_late"]) == ("TRP", "TRP", True, False)
    assert own["by"] == world.running.people["clerk"]
    assert (declared["party"], declared["acting_for"], declared["own_word"]) == ("CRK", "TRP", False)
    assert (declared["told_at"], declared["told_late"]) == (late, True)
    assert declared["told_late_s"] == 5 * 86_400 + 22 * 3600 + 54 * 60
    assert declared["event_id"] == paper["id"]


def test_an_amendment_stands_beside_what_it_amends(world: Collection) -> None:
    """E-13 and E-14, trade case 88: the fact as it counts, and what was said before, by whom and why it was changed."""
    at = "2026-03-11T09:00:00Z"
    slip = world.tell("cur", "TRP", "weighed", CHIP, at, mass="120.42 mg", balance="B1")["id"]
    later = "2026-03-13T09:00:00Z"
    first = world.tell("cur", "TRP", "weighed", CHIP, at, later, amends=slip, mass="1204 mg", balance="B1")["id"]
    world.tell(
        "cur",
        "TRP",
        "weighed",
        CHIP,
        at,
        "2026-03-13T10:00:00Z",
        amends=slip,
        expected=first,
        mass="1204.2 mg",
        balance="B1",
    )

    (entry,) = (entry for entry in told(world, CHIP) if entry["event_id"] == slip)

    assert entry["body"]["mass"] == "1204.2 mg"
    assert (entry["told_at"], entry["stands"]) == (at, True)
    assert [a["before"]["body"]["mass"] for a in entry["amendments"]] == ["120.42 mg", "1204 mg"]
    assert [a["because"] for a in entry["amendments"]] == ["it was otherwise"] * 2
    assert entry["amendments"][0]["event_id"] == first
    assert entry["amendments"][0]["told_late_s"] == 2 * 86_400
    # As it was known between the two, and before both.
    for known_on, mass, count in (("2026-03-13T09:30:00Z", "1204 mg", 1), ("2026-03-12T00:00:00Z", "120.42 mg", 0)):
        (then,) = (entry for entry in told(world, CHIP, known_on=known_on) if entry["event_id"] == slip)
        assert (then["body"]["mass"], len(then["amendments"])) == (mass, count)


def test_what_was_withdrawn_stays_to_be_read(world: Collection) -> None:
    """Promise 3: nothing is overwritten; a withdrawn fact no longer counts, and its history still tells of it."""
    wrong = world.tell("clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", to="CRK")["id"]
    world.tell(
        "clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", "2026-03-11T12:00:00Z", amends=wrong, withdraw=True
    )

    (entry,) = (entry for entry in told(world, PARCEL) if entry["event_id"] == wrong)
    assert (entry["stands"], entry["body"]["to"]) == (False, "CRK")
    assert entry["amendments"][0]["before"]["body"]["to"] == "CRK"
    (then,) = (e for e in told(world, PARCEL, known_on="2026-03-11T11:00:00Z") if e["event_id"] == wrong)
    assert then["stands"]
    assert wrong not in {entry["event_id"] for entry in told(world, CHIP)}
    assert wrong in {entry["event_id"] for entry in told(world, CHIP, known_on="2026-03-11T11:00:00Z")}


def test_a_fact_that_moved_to_another_says_so(world: Collection) -> None:
    """E-22, trade case 104: a use told of the wrong chip is amended to the other one, and both histories tell of it."""
    world.issue(kind="sample", form="material", what="other", prefix="BRM")
    use: Any = {"mass": "1 mg", "balance": "B1"}
    at = "2026-03-11T09:00:00Z"
    moved = world.tell("cur", "TRP", "used", CHIP, at, **use)["id"]
    world.tell("cur", "TRP", "used", "BRM-0002", at, "2026-03-12T09:00:00Z", amends=moved, **use)

    (left,) = (entry for entry in told(world, CHIP) if entry["event_id"] == moved)
    (came,) = (entry for entry in told(world, "BRM-0002") if entry["event_id"] == moved)
    assert (left["stands"], came["stands"]) == (False, True)
    assert left["subjects"] == came["amendments"][0]["before"]["subjects"] == [typed(CHIP)]
    assert came["subjects"] == [typed("BRM-0002")]


def test_pages_are_the_whole_in_pieces(world: Collection) -> None:
    """Cursors: pages of any size give each fact once and in order, also those of one instant."""
    for hour in range(5):
        for kind in ("seen", "photographed", "condition_noted"):
            world.tell("cur", "TRP", kind, VIAL, f"2026-03-11T1{hour}:00:00Z")

    whole = told(world, CHIP)
    for limit in ("1", "2", "7"):
        pieces: list[dict[str, Any]] = []
        page = world.get("cur", f"items/{typed(CHIP)}/history", limit=limit)
        while page["next"]:
            pieces += page["items"]
            page = world.get("cur", f"items/{typed(CHIP)}/history", limit=limit, cursor=page["next"])
        assert pieces + page["items"] == whole


def test_a_made_up_cursor_is_refused(world: Collection) -> None:
    """Times that are none and numbers too wide are malformed, not faults of the server."""
    at = "2026-03-11T10:00:00Z"
    for key in (("x", at, 0, "i"), (at, at, 2**31, "i"), (at, at, "0", "i")):
        answer = world.get("cur", f"items/{typed(CHIP)}/history", 422, cursor=encode("history", *key))
        assert answer["code"] in {"malformed", "not_a_time"}


def test_as_of_a_moment_only_what_had_happened(world: Collection) -> None:
    """A history up to a moment ends with it."""
    assert kinds(told(world, CHIP, as_of="2026-03-10T12:15:00Z")) == ["registered", "weighed", "packed"]
    assert told(world, CHIP, as_of="2026-03-10T11:00:00Z") == []


def test_outsiders_read_until_their_part_ends(world: Collection) -> None:
    """Rulings 16: others read what happened before their last relation ended, and for ever what they told."""
    world.tell("clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", to="CRK")
    world.tell("driver", "CRK", "accepted", PARCEL, "2026-03-11T10:06:00Z", from_="TRP")
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T00:09:00Z", to="SMP")
    world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T00:10:00Z", from_="CRK")
    world.tell("ana", "SMP", "used", CHIP, "2026-03-15T10:00:00Z", mass="1 mg", balance="B5", technique="noble gas")
    after = world.tell("driver", "CRK", "condition_noted", PARCEL, "2026-03-16T10:00:00Z")["id"]

    assert kinds(told(world, PARCEL, "driver"))[-4:] == ["released", "accepted", "released", "condition_noted"]
    assert told(world, PARCEL, "driver")[-1]["event_id"] == after
    world.get("driver", f"items/{typed(CHIP)}/history", 404)
    assert "used" in kinds(told(world, CHIP, "cur"))
    world.get("stranger", f"items/{typed(CHIP)}/history", 404)


def test_others_purposes_and_things_are_left_out(world: Collection) -> None:
    """Rulings 16: without others' purposes and results; and promise 10: without the numbers of things of others."""
    world.issue(kind="sample", form="material", what="kept back", prefix="BRM")
    world.tell("cur", "TRP", "seen", f"{CHIP} BRM-0002", "2026-03-11T09:00:00Z", why="for the other study")
    world.tell("clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", to="SMP")
    world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T00:10:00Z", from_="TRP")
    world.tell("ana", "SMP", "used", CHIP, "2026-03-15T10:00:00Z", mass="1 mg", balance="B5", technique="noble gas")

    def seen(who: str) -> dict[str, Any]:
        return next(entry for entry in told(world, CHIP, who) if entry["kind"] == "seen")

    assert seen("cur")["subjects"] == [typed(CHIP), typed("BRM-0002")]
    assert seen("cur")["body"] == {"why": "for the other study"}
    assert seen("ana")["subjects"] == [typed(CHIP)]
    assert seen("ana")["body"] == {}
    assert told(world, CHIP, "ana")[-1]["body"]["technique"] == "noble gas"


def test_statements_do_not_grow_with_the_nest_or_the_past(world: Collection) -> None:
    """Design section 7: one SELECT a level of the nest, and a fixed number besides, whatever it has been through."""
    seen: list[str] = []

    def listen(_c: sa.Connection, _cursor: object, statement: str, *_rest: object) -> None:
        if re.match(r"\s*(SELECT|WITH)", statement):
            seen.append(statement)

    event.listen(world.running.service.database.engine, "before_cursor_execute", listen)
    counts = []
    for day in range(1, 4):
        seen.clear()
        told(world, CHIP)
        counts.append(len(seen))
        for hour in range(10, 15):
            world.tell("cur", "TRP", "seen", VIAL, f"2026-03-1{day}T{hour}:00:00Z")
    assert len(set(counts)) == 1
