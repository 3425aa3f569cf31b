"""Items over HTTP: found, shown as they stood, listed; their contents and other names."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.chip import CHIP, JAR, NUMBERS, PARCEL, VIAL, receive_chip, send_chip
from tests.web.collection import Collection, collection, typed


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip in a vial in a jar in a parcel, sent to SMP, once on each database."""
    with collection(database_url) as found:
        send_chip(found)
        yield found


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Collection]:
    """The same on SQLite, for what does not depend on the database."""
    with collection(sqlite_database_url) as found:
        send_chip(found)
        yield found


# ---------------------------------------------------------------------------------------------------------- one item
def test_the_nest_and_what_is_known_by_it(world: Collection) -> None:
    """Trade case 28: nobody scanned the chip, and yet it is known who holds it, by the box that it is in."""
    accepted = receive_chip(world)

    shown = world.get("cur", f"items/{NUMBERS[CHIP]}")

    assert [step["number"] for step in shown["nest"]] == [NUMBERS[VIAL], NUMBERS[JAR], NUMBERS[PARCEL]]
    assert [step["since"] for step in shown["nest"]] == [
        "2026-03-10T12:15:00Z",
        "2026-03-11T08:40:00Z",
        "2026-03-11T08:45:00Z",
    ]
    assert shown["nest"][0]["what"] == "4 ml, steel cap"
    assert shown["custody"] == {
        "certain": "SMP",
        "certain_since": "2026-03-14T00:10:00Z",
        "claimed": None,
        "handover": "agreed",
        "since": "2026-03-14T00:10:00Z",
        "event_id": accepted["id"],
        "by_parent": NUMBERS[PARCEL],
    }
    assert (shown["where"]["status"], shown["where"]["by_parent"]) == ("received", NUMBERS[PARCEL])
    assert world.get("cur", f"items/{NUMBERS[JAR]}")["contents"][0]["number"] == NUMBERS[VIAL]


def test_since_when_each_part_is_so(world: Collection) -> None:
    """A weighing later on does not move since when a thing is in its place, nor a move since when it weighs so."""
    weighing = world.tell("cur", "TRP", "weighed", CHIP, "2026-03-11T08:00:00Z", mass="1204.2 mg", balance="B1")
    world.post("cur", f"items/{NUMBERS[CHIP]}/post-mass", {"weighing": weighing["id"], "because": "dry again"})
    receive_chip(world)

    shown = world.get("cur", f"items/{NUMBERS[CHIP]}")
    assert shown["nest"][0]["since"] == "2026-03-10T12:15:00Z"
    assert shown["where"]["since"] == "2026-03-14T00:10:00Z"
    assert shown["book"]["since"] == "2026-03-11T10:06:00Z"  # when it was posted, by the clock of the test
    before = world.get("cur", f"items/{NUMBERS[CHIP]}", as_of="2026-03-11T08:30:00Z")
    assert (before["where"]["place"], before["where"]["since"]) == ("TRP-GB1", "2026-03-10T12:20:00Z")


def test_the_book_has_its_uncertainty(world: Collection) -> None:
    """demo.md T5: u of a net weighing on B1 (d 0.1, s 0.15 mg) is 0.2160 mg; a weighing is not an estimate."""
    book = world.get("cur", f"items/{NUMBERS[CHIP]}")["book"]

    assert (book["mass_mg"], book["how"], book["estimated_u_mg"]) == ("1204.3", "weighed", "0")
    assert float(book["u_mg"]) == pytest.approx(0.2160, abs=5e-5)
    assert world.get("cur", f"items/{NUMBERS[VIAL]}")["book"] is None


def test_as_of_a_moment_and_as_known_on_a_moment(world: Collection) -> None:
    """Trade case 15: a word told late changes what is known of the past, and not what was known in the past."""
    late = "2026-03-20T09:00:00Z"
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T00:09:00Z", late, to="SMP")
    world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T00:10:00Z", "2026-03-20T09:01:00Z", from_="CRK")

    def holder(**moments: str) -> Any:
        return world.get("cur", f"items/{NUMBERS[CHIP]}", **moments)["custody"]["certain"]

    assert holder(as_of="2026-03-15T00:00:00Z") == "SMP"
    assert holder(as_of="2026-03-15T00:00:00Z", known_on="2026-03-19T00:00:00Z") == "CRK"
    assert holder(as_of="2026-03-11T09:00:00Z") == "TRP"
    assert holder() == "SMP"


def test_every_answer_says_what_it_is_about(world: Collection) -> None:
    """Promise 2: as_of and known_on come back; what may still be added to is provisional, what is long past is not."""
    path = f"items/{NUMBERS[CHIP]}"
    asked = {"as_of": "2026-03-11T09:00:00Z", "known_on": "2026-03-11T09:30:00Z"}
    for tail in ("", "/history", "/contents", "/labels", "/time-out"):
        answer = world.get("cur", path + tail, **asked)
        assert {**asked, "provisional": False}.items() <= answer.items(), tail
        now = world.get("cur", path + tail)
        assert (now["as_of"], now["known_on"]) == ("2026-03-11T10:06:00Z",) * 2
        assert now["provisional"], tail


# ----------------------------------------------------------------------------------------------------------- finding
def test_found_as_typed_as_scanned_and_by_another_name(world: Collection) -> None:
    """Trade cases 22, 23 and 26: case, hyphens and look-alikes are folded, a print code and its tag are read."""
    name = world.post("ana", f"items/{NUMBERS[CHIP]}/aliases", {"institution": "SMP", "alias": "Anna-3"}, 404)
    assert name["code"] == "not_found"
    receive_chip(world)
    world.post("ana", f"items/{NUMBERS[CHIP]}/aliases", {"institution": "SMP", "alias": "Anna-3"})

    for said in ("BRM-0001-L", "brm 0001 l", "BRMOOOIL", "BRM0001L.1", "BRM0001L.1.K3F9A1XY", "Anna-3"):
        assert world.get("cur", f"items/{said}")["number"] == NUMBERS[CHIP]
    assert world.get("cur", "items/Anna-3")["aliases"][0]["institution"] == "SMP"


def test_a_wrong_check_character_is_said_to_be_wrong(world: Collection) -> None:
    """Trade case 22: a number typed wrong is told apart from one that is not there, on all paths."""
    for tail in ("", "/history", "/contents", "/time-out", "/labels"):
        answer = world.get("cur", f"items/BRM-0001-M{tail}", 422)
        assert answer["code"] == "wrong_check_character"


def test_unknown_and_invisible_look_alike(world: Collection) -> None:
    """Rulings 16: same status and same words, for a number, a print code and another name."""
    receive_chip(world)
    world.post("ana", f"items/{NUMBERS[CHIP]}/aliases", {"institution": "SMP", "alias": "Anna-3"})

    for tail in ("", "/history", "/contents", "/time-out", "/labels"):
        hidden = world.get("stranger", f"items/{NUMBERS[CHIP]}{tail}", 404)
        unknown = world.get("stranger", f"items/{typed('BRM-0099')}{tail}", 404)
        assert {**hidden, "detail": ""} == {**unknown, "detail": ""}
        assert hidden["detail"].replace(NUMBERS[CHIP], "N") == unknown["detail"].replace(typed("BRM-0099"), "N")
    assert world.get("stranger", "items/Anna-3", 404)["code"] == "not_found"
    body = {"institution": "MRL", "alias": "x"}
    assert world.post("stranger", f"items/{NUMBERS[CHIP]}/aliases", body, 404)["code"] == "not_found"


def test_nobody_deletes(embedded: Collection) -> None:
    """Promise 3: there is no way to delete an item."""
    client, head = embedded.running.client, dict(embedded.head("cur"))
    answer = client.delete(f"/v1/items/{NUMBERS[CHIP]}", headers=head)
    assert answer.status_code == 405
    assert "DELETE" not in answer.headers["Allow"]


def test_what_no_database_takes_is_no_fault_of_the_server(world: Collection) -> None:
    """NUL in an address or a search is a malformed request, on both databases."""
    for path in ("items/a%00b", "items?q=a%00b"):
        answer = world.running.client.get(f"/v1/{path}", headers=dict(world.head("cur")))
        assert answer.status_code == 422, answer.text
    for odd in ("100%25", "_", "%F0%9F%A7%AA", "'; --", "\\"):
        assert world.running.client.get(f"/v1/items/{odd}", headers=dict(world.head("cur"))).status_code == 404
        listed = world.running.client.get("/v1/items", params={"q": odd}, headers=dict(world.head("cur")))
        assert listed.status_code == 200


# ------------------------------------------------------------------------------------------------------- other names
def test_a_name_means_one_thing_for_ever(world: Collection) -> None:
    """Trade case 26: never reused at one institution; told again it is there already; elsewhere it may mean another."""
    receive_chip(world)
    other = world.issue(kind="sample", form="material", what="rest", prefix="BRM")["items"][0]["number"]
    body = {"institution": "TRP", "alias": "bag 3"}

    first = world.post("cur", f"items/{NUMBERS[CHIP]}/aliases", body)
    assert world.post("cur", f"items/{NUMBERS[CHIP]}/aliases", body, 200) == first
    assert world.post("cur", f"items/{other}/aliases", body, 409)["code"] == "already_there"
    assert (
        world.post("cur", f"items/{other}/aliases", {**body, "institution": "SMP"}, 403)["code"]
        == "not_your_institution"
    )
    assert world.post("cur", f"items/{other}/aliases", {**body, "alias": "BRM-0001-L"}, 422)["code"] == "malformed"

    world.post("ana", f"items/{NUMBERS[CHIP]}/aliases", {"institution": "SMP", "alias": "no. 7"})
    world.post("cur", f"items/{other}/aliases", {"institution": "TRP", "alias": "no. 7"})
    two = world.get("cur", "items/no. 7", 422)
    assert NUMBERS[CHIP] in two["detail"]
    assert other in two["detail"]
    # Who sees only one of the two is asked nothing.
    assert world.get("ana", "items/no. 7")["number"] == NUMBERS[CHIP]


# --------------------------------------------------------------------------------------------------------------- list
def test_searched_by_number_name_and_words(world: Collection) -> None:
    """A whole number, its beginning, another name, and words in any order and case are all ways to find it."""
    world.post("cur", f"items/{NUMBERS[CHIP]}/aliases", {"institution": "TRP", "alias": "bag 3"})
    world.issue(kind="sample", form="material", what="EXTERIOR chip, 50 % crust", prefix="BRM")

    def found(q: str) -> list[str]:
        return [row["number"] for row in world.get("cur", "items", q=q)["items"]]

    both = [NUMBERS[CHIP], "BRM-0002-J"]
    assert found("brm-0001-l") == found("BRM0001L.1") == found("bag 3") == [NUMBERS[CHIP]]
    assert found("BRM") == found("brm-00") == found("chip") == both
    assert found("chip exterior") == found("50 %") == ["BRM-0002-J"]
    for nothing in ("chip jar", "BRM-0003", typed("BRM-0099"), "0 %t", "in_erior", "no such"):
        assert found(nothing) == [], nothing


def test_listed_by_what_it_is_and_where_it_is(world: Collection) -> None:
    """Each filter alone and several together; each answer in the order of numbers."""
    receive_chip(world)
    world.issue(what="spare")

    def found(who: str = "cur", **filters: str) -> list[str]:
        return [row["number"][:-2] for row in world.get(who, "items", **filters)["items"]]

    assert found() == [CHIP, JAR, PARCEL, VIAL, "V-0002"]
    assert found(kind="container") == [JAR, VIAL, "V-0002"]
    assert found(holder="SMP") == [CHIP, JAR, PARCEL, VIAL]
    assert found(holder="TRP") == ["V-0002"]
    assert found(status="received", kind="sample") == [CHIP]
    assert found(place="TRP-GB1") == []  # of the giver, and no matter any more
    assert found(place="TRP-GB1", as_of="2026-03-11T09:00:00Z") == [CHIP, VIAL]
    assert found(owner="SMP") == []
    assert found(holder="TRP", as_of="2026-03-11T09:00:00Z") == [CHIP, JAR, PARCEL, VIAL]
    assert found(holder="SMP", known_on="2026-03-13T00:00:00Z") == []
    world.tell("ana", "SMP", "seen", "BRM-0005", "2026-03-15T10:00:00Z")
    assert found(provisional="true") == ["BRM-0005"]
    assert "BRM-0005" not in found(provisional="false")


def test_a_row_tells_how_it_stands(world: Collection) -> None:
    """What is asked of each item stands in its row; what nothing was told of has nulls."""
    row = world.get("cur", "items", q=NUMBERS[CHIP])["items"][0]

    assert row == {
        "number": NUMBERS[CHIP],
        "kind": "sample",
        "form": "material",
        "what": "interior chip",
        "owner": "TRP",
        "collection": "BRAITHMOSS",
        "registered": True,
        "status": "received",
        "place": None,
        "certain": "CRK",
        "claimed": None,
        "handover": "agreed",
        "inside": NUMBERS[VIAL],
        "mass_mg": "1204.3",
    }
    before = world.get("cur", "items", q=NUMBERS[CHIP], as_of="2026-03-10T11:00:00Z")["items"][0]
    assert (before["status"], before["certain"], before["mass_mg"]) == (None, None, None)


def test_pages_go_on_behind_the_last_row(world: Collection) -> None:
    """RFC 8288: following "next" gives every item once; what is new behind the cursor is found, nothing repeats."""
    seen: list[str] = []
    asked: dict[str, str] = {"limit": "2"}
    while True:
        page = world.get("cur", "items", **asked)
        seen += [row["number"] for row in page["items"]]
        if page["next"] is None:
            break
        asked["cursor"] = page["next"]
        if len(seen) == 2:
            world.issue(what="came meanwhile")
    assert seen == [NUMBERS[CHIP], NUMBERS[JAR], NUMBERS[PARCEL], NUMBERS[VIAL], "V-0002-3"]


def test_each_sees_what_is_theirs(world: Collection) -> None:
    """Promise 10: the owner and the auditor all of it, holders what they hold, strangers nothing - also in a filter."""

    def listed(who: str, **filters: str) -> dict[str, Any]:
        return {row["number"][:-2]: row for row in world.get(who, "items", **filters)["items"]}

    assert listed("stranger") == {}
    assert listed("ana") == {}
    assert listed("driver").keys() == {PARCEL}
    assert listed("aud").keys() == {CHIP, JAR, PARCEL, VIAL}
    receive_chip(world)
    assert listed("ana").keys() == {CHIP, JAR, PARCEL, VIAL}

    # The courier carried it once; where it is now is not for the courier, nor to be asked out by filters.
    assert listed("driver")[PARCEL]["certain"] is None
    assert listed("driver")[PARCEL]["status"] is None
    assert listed("driver", holder="SMP") == listed("driver", status="received") == {}
    shown = world.get("driver", f"items/{NUMBERS[PARCEL]}")
    assert (shown["custody"], shown["where"], shown["book"], shown["nest"]) == (None, None, None, [])
    then = world.get("driver", f"items/{NUMBERS[PARCEL]}", as_of="2026-03-12T00:00:00Z")
    assert then["custody"]["certain"] == "CRK"
    # What is in it was never for the courier.
    assert (then["contents"], then["book"], then["what"]) == ([], None, "")
    for number in (PARCEL, JAR):
        for tail in ("contents", "time-out"):
            world.get("driver", f"items/{NUMBERS[number]}/{tail}", 404, as_of="2026-03-12T00:00:00Z")


# ----------------------------------------------------------------------------------------------------------- contents
def test_what_is_in_it_comes_in_pages(world: Collection) -> None:
    """What lay directly in it at the moment asked about, and not what that holds in turn."""
    vials = [one["number"] for one in world.issue(count=3)["items"]]
    world.tell("cur", "TRP", "packed", " ".join(v[:-2] for v in vials), "2026-03-11T11:00:00Z", into=NUMBERS[JAR])

    page = world.get("cur", f"items/{NUMBERS[JAR]}/contents", limit="3")
    rest = world.get("cur", f"items/{NUMBERS[JAR]}/contents", limit="3", cursor=page["next"])

    assert [row["number"] for row in page["items"] + rest["items"]] == [NUMBERS[VIAL], *vials]
    assert rest["next"] is None
    before = world.get("cur", f"items/{NUMBERS[JAR]}/contents", as_of="2026-03-11T09:00:00Z")
    assert [row["number"] for row in before["items"]] == [NUMBERS[VIAL]]
    assert world.get("cur", f"items/{NUMBERS[VIAL]}/contents")["items"][0]["number"] == NUMBERS[CHIP]


def test_others_things_in_one_box_are_not_shown(world: Collection) -> None:
    """Promise 10: a box that two owners share shows each only their own, in lists as in counts."""
    receive_chip(world)
    world.post("first", "prefixes", {"prefix": "W", "institution": "SMP", "because": "own vials"}, 201)
    own = world.post(
        "ana", "items", {"kind": "container", "what": "ours", "acting_for": "SMP", "prefix": "W", "count": 1}, 403
    )
    assert own["code"] == "not_your_role"
    world.tell("ana", "SMP", "registered", "W-0001", "2026-03-14T10:00:00Z", item="container", form="vial", what="ours")
    world.tell("ana", "SMP", "packed", "W-0001", "2026-03-14T10:01:00Z", into=NUMBERS[JAR])

    assert len(world.get("ana", f"items/{NUMBERS[JAR]}/contents")["items"]) == 2
    assert [row["number"] for row in world.get("cur", f"items/{NUMBERS[JAR]}")["contents"]] == [NUMBERS[VIAL]]
    assert len(world.get("cur", f"items/{NUMBERS[JAR]}/contents")["items"]) == 1


def test_flags_and_where_it_was_seen_elsewhere(world: Collection) -> None:
    """Trade case 29: a vial seen elsewhere is flagged on the item, by the fact that said so, and leaves its box."""
    answer = world.tell("clerk", "TRP", "seen", VIAL, "2026-03-12T10:00:00Z")
    assert answer["flags"] == ["seen_elsewhere"]

    shown = world.get("cur", f"items/{NUMBERS[VIAL]}")
    assert [(flag["code"], flag["event_id"]) for flag in shown["flags"]] == [("seen_elsewhere", answer["id"])]
    assert shown["nest"] == []
    assert world.get("cur", f"items/{NUMBERS[VIAL]}", as_of="2026-03-12T09:00:00Z")["flags"] == []
