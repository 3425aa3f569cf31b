"""Requests, approvals and the reserve over HTTP: rulings 16, 18 and 31, trade steps 13 and 14, cases 86, 87 and 102."""

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest

from shipsvc.app import fsck
from shipsvc.web.deps import transaction
from tests.web.collection import Collection, Json, collection
from tests.web.reserved import FLOOR_PPM, asked, granted, reserved


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A collection of 1000 mg, 800 mg of it reserve, of which 700 mg must stay; once on each database."""
    with collection(database_url) as found:
        reserved(found)
        yield found


def nothing_is_amiss(world: Collection) -> None:
    """What is derived is what the log, told once more, says (``fsck``)."""
    with transaction(world.running.service, writes=False) as connection:
        assert list(fsck.check(connection)) == []


def headroom(world: Collection, **asked: Any) -> Any:
    """The report, for the curator."""
    return world.get("cur", "reports/headroom", collection="BRAITHMOSS", **asked)


def test_can_i_approve(world: Collection) -> None:
    """Answer A8 in small: yes or no, the largest allowed, and what that is reckoned from; by moments too."""
    found = headroom(world, sample=world.running.people["stone"], mass_mg="160")

    assert (found["accession_mg"], found["floor_mg"], found["reserve_mg"]) == ("1000", "700", "800")
    assert (found["headroom_mg"], found["allowed"], found["largest_mg"]) == ("100", False, "100")
    assert headroom(world, sample=world.running.people["stone"], mass_mg="100")["allowed"] is True
    working = headroom(world, sample=world.running.people["dust"])
    assert (working["of_reserve"], working["largest_mg"], working["allowed"]) == (False, "200", None)
    before = headroom(world, as_of="2026-03-10T13:30:00Z")
    assert (before["reserve_mg"], before["below_floor"]) == ("0", True)
    assert world.get("ana", "reports/headroom", 404, collection="BRAITHMOSS")["code"] == "not_found"


def test_an_approval_promises_and_a_withdrawal_frees(world: Collection) -> None:
    """Trade step 14: approvals reserve mass at once; 409 with the largest allowed for more than that."""
    first, second = asked(world, "90"), asked(world, "90")
    shown = granted(world, first, "60")
    assert (shown["status"], shown["reduced"], shown["promises"][0]["mass_mg"]) == ("approved", True, "60")
    found = headroom(world)
    assert (found["promised_mg"], found["headroom_mg"]) == ("60", "40")
    assert [(p["request"], p["institution"], p["mass_mg"]) for p in found["promises"]] == [(first, "SMP", "60")]

    refused = granted(world, second, "40.000001", 409)

    assert (refused["code"], refused["errors"][0]["pointer"]) == ("more_than_headroom", "/grants/0/mass_mg")
    assert "at most 40 mg" in refused["detail"]
    world.post("ana", f"requests/{first}/withdraw", {"because": "measured elsewhere"}, 200)
    assert headroom(world)["headroom_mg"] == "100"
    assert granted(world, second, "90")["reduced"] is False
    assert granted(world, second, "1", 409)["detail"].startswith("This cannot be done: request")
    gone = world.get("ana", f"requests/{first}")
    assert (gone["status"], [p["state"] for p in gone["promises"]]) == ("withdrawn", ["freed"])


def test_all_grants_of_an_approval_stand_or_fall_together(world: Collection) -> None:
    """Two pieces of two reserve samples together are more than the headroom: neither is promised."""
    code = asked(world, "60", pieces=2)
    grants = [{"sample": world.running.people[name], "mass_mg": "60"} for name in ("stone", "half")]

    refused = world.post("cur", f"requests/{code}/approve", {"grants": grants, "because": "both"}, 409)

    assert (refused["errors"][0]["pointer"], "at most 40 mg" in refused["detail"]) == ("/grants/1/mass_mg", True)
    assert headroom(world)["promised_mg"] == "0"


def test_a_promise_that_runs_out_is_free_again(world: Collection) -> None:
    """Trade step 14: expiry of unused approvals returns the mass, with nobody telling anything."""
    code = asked(world, "90")
    granted(world, code, "90", expires_at="2026-03-20T00:00:00Z")
    assert headroom(world)["headroom_mg"] == "10"
    world.at("2026-03-20T00:00:00Z")
    assert headroom(world)["headroom_mg"] == "100"
    assert headroom(world, as_of="2026-03-19T23:59:59Z")["headroom_mg"] == "10"


def test_a_promise_dated_a_little_ahead_counts_at_once(world: Collection) -> None:
    """A decision may be told by a clock that is up to two minutes ahead; two of those must not both be the last."""
    one, other = asked(world, "90"), asked(world, "90")
    granted(world, one, "90", approved_at="2026-03-10T15:01:30Z")
    assert granted(world, other, "90", 409, approved_at="2026-03-10T15:01:30Z")["code"] == "more_than_headroom"


def test_what_was_cut_counts_and_not_what_was_granted(world: Collection) -> None:
    """Trade case 102: 94 mg cut for 90 granted stands, and takes the promise's place; 95 would need a further grant."""
    code, stone = asked(world, "90"), world.running.people["stone"]
    granted(world, code, "90")
    piece, heavy, other = (world.issue(**SAMPLE)["items"][0]["number"] for _ in range(3))
    children = [{"number": n, "mass": m, "balance": "B1"} for n, m in ((piece, "94 mg"), (heavy, "95 mg"))]
    told = world.tell("cur", "TRP", "divided", stone[:-2], "2026-03-10T15:10:00Z", children=children)
    assert (told["flags"], headroom(world)["below_floor"]) == (["below_reserve_floor"], True)

    path = f"requests/{code}/pieces"
    refused = world.post("cur", path, {"line": 1, "piece": heavy}, 409)
    assert "94.5 mg" in refused["detail"]
    assert "not made of" in world.post("cur", path, {"line": 1, "piece": other}, 409)["detail"]
    found = world.post("cur", path, {"line": 1, "piece": piece}, 200)

    promise = found["promises"][0]
    assert (found["status"], promise["state"], promise["piece"], promise["cut_mg"]) == ("fulfilled", "cut", piece, "94")
    after = headroom(world)
    assert (after["reserve_mg"], after["promised_mg"], after["headroom_mg"]) == ("611", "0", "-89")
    assert "not promised" in world.post("cur", path, {"line": 1, "piece": piece}, 409)["detail"]


def test_an_act_that_breaks_the_floor_is_flagged_and_never_refused(world: Collection) -> None:
    """Trade case 87 and promise 1 of the design: a split that takes the reserve below its floor is accepted."""
    stone, piece = world.running.people["stone"], world.issue(**SAMPLE)["items"][0]["number"]

    def split(mass: str, at: str) -> Any:
        children = [{"number": piece, "mass": mass, "balance": "B1"}]
        return world.tell("cur", "TRP", "divided", stone[:-2], at, children=children)["flags"]

    assert split("100 mg", "2026-03-10T15:10:00Z") == []
    used = world.tell("cur", "TRP", "used", stone[:-2], "2026-03-10T15:20:00Z", mass="0.1 mg", balance="B1")
    assert used["flags"] == ["below_reserve_floor"]
    found = headroom(world)
    assert (found["headroom_mg"], found["below_floor"], found["largest_mg"]) == ("-0.1", True, "0")
    flags = world.get("cur", f"items/{stone}")["flags"]
    assert [flag["code"] for flag in flags] == ["below_reserve_floor"]
    nothing_is_amiss(world)


def test_what_is_no_reserve_breaks_no_floor(world: Collection) -> None:
    """Using up the working stock changes neither reserve nor floor."""
    dust = world.running.people["dust"]
    used = world.tell("cur", "TRP", "used", dust[:-2], "2026-03-10T15:20:00Z", mass="200 mg", balance="B1")
    assert (used["flags"], headroom(world)["headroom_mg"]) == ([], "100")


def test_leaving_the_reserve_needs_headroom_and_a_second_person(world: Collection) -> None:
    """Rulings 2 and trade section 2.6: opening the reserve is a two-person act; no release nibbles at the floor."""
    half, crumb = world.running.people["half"], world.issue(**SAMPLE)["items"][0]["number"]
    out = {"reserve": False, "because": "given to the working stock"}
    assert "100 mg at most" in world.post("cur", f"items/{half}/reserve", out, 409)["detail"]
    world.tell("cur", "TRP", "accessioned", crumb[:-2], "2026-03-10T15:05:00Z", mass="50 mg", balance="B1")
    put = world.post("cur", f"items/{crumb}/reserve", {"reserve": True, "because": "late find"})
    assert (put["unconfirmed"], headroom(world)["reserve_mg"]) == (False, "850")

    decided = world.post("cur", f"items/{crumb}/reserve", out)

    assert (decided["unconfirmed"], headroom(world)["reserve_mg"]) == (True, "850")
    assert "second person" in world.post("cur", f"items/{crumb}/reserve", out, 409)["detail"]
    world.tell("clerk", "TRP", "confirmed", crumb[:-2], "2026-03-10T15:30:00Z", fact=decided["event_id"])
    assert headroom(world)["reserve_mg"] == "800"
    assert headroom(world, known_on="2026-03-10T15:29:59Z")["reserve_mg"] == "850"
    nothing_is_amiss(world)
    assert world.post("clerk", f"items/{half}/reserve", out, 403)["code"] == "not_your_role"


def test_going_below_the_floor_takes_two_people(world: Collection) -> None:
    """Trade step 34: the override is said, needs a second person, and is flagged when it takes effect."""
    half = world.running.people["half"]
    out = {"reserve": False, "because": "the panel decided so", "over_floor": True}
    decided = world.post("cur", f"items/{half}/reserve", out)
    assert (decided["unconfirmed"], headroom(world)["reserve_mg"]) == (True, "800")
    at = "2026-03-10T15:30:00Z"
    alone = world.tell("cur", "TRP", "confirmed", half[:-2], at, fact=decided["event_id"])
    assert ("same_person" in alone["flags"], headroom(world)["reserve_mg"]) == (True, "800")
    told = world.tell("clerk", "TRP", "confirmed", half[:-2], at, fact=decided["event_id"])
    assert (told["flags"], headroom(world)["below_floor"]) == (["below_reserve_floor"], True)
    nothing_is_amiss(world)


def test_mending_a_word_takes_nothing_out_of_the_reserve_alone(world: Collection) -> None:
    """Registered as reserve, then amended to be none: it holds, and waits for a second person."""
    number = world.issue(**SAMPLE)["items"][0]["number"][:-2]
    words: Json = {"item": "sample", "mass": "50 mg", "balance": "B1"}
    at, later = "2026-03-10T15:10:00Z", "2026-03-10T15:20:00Z"
    told = world.tell("cur", "TRP", "registered", number, at, **words, reserve=True)
    kept = world.tell("cur", "TRP", "registered", number, at, later, amends=told["id"], **words, reserve=True, what="x")
    assert "unconfirmed" not in kept["flags"]
    mended = world.tell(
        "cur", "TRP", "registered", number, at, "2026-03-10T15:30:00Z", amends=told["id"], expected=kept["id"], **words
    )
    assert "unconfirmed" in mended["flags"]
    nothing_is_amiss(world)
    world.tell("clerk", "TRP", "confirmed", number, "2026-03-10T15:40:00Z", fact=mended["id"])
    assert world.get("cur", "reports/unconfirmed")["items"] == []
    nothing_is_amiss(world)


def test_others_never_hear_of_a_request(world: Collection) -> None:
    """Rulings 16 and trade case 94: purposes and promises of others look like nothing at all; one's own are shown."""
    mine = asked(world, "90")
    granted(world, mine, "90")
    theirs = asked(world, "10", who="stranger", institution="MRL")

    assert world.get("stranger", f"requests/{mine}", 404)["code"] == "not_found"
    assert world.post("stranger", f"requests/{mine}/withdraw", {"because": "x"}, 404)["code"] == "not_found"
    assert [r["code"] for r in world.get("stranger", "requests")["items"]] == [theirs]
    assert [r["code"] for r in world.get("ana", "requests")["items"]] == [mine]
    assert {r["code"] for r in world.get("cur", "requests")["items"]} == {mine, theirs}
    assert [r["code"] for r in world.get("cur", "requests", status="in_review")["items"]] == [theirs]
    assert world.get("aud", f"requests/{mine}")["purpose"] == "noble gas"
    then = "2026-03-10T15:00:01.500000Z"
    before = world.get("ana", f"requests/{mine}", as_of=then, known_on=then)
    assert before["status"] == "in_review"


def test_who_may_ask_and_decide(world: Collection) -> None:
    """One asks for one's own institution; curators decide, and none who is of the institution that asks."""
    body: Json = {
        "collection": "BRAITHMOSS",
        "institution": "SMP",
        "responsible": "p12",
        "what": "chip",
        "purpose": "x",
    }
    body |= {"destructive": True, "wanted_mg": "90", "least_mg": "60"}
    assert world.post("stranger", "requests", body, 403)["code"] == "not_your_institution"
    assert world.post("ana", "requests", {**body, "collection": "NOWHERE"}, 404)["code"] == "not_found"
    assert world.post("ana", "requests", {**body, "samples": ["V-0001-5"]}, 422)["errors"][0]["pointer"] == "/samples/0"
    code = world.post("ana", "requests", body)["code"]
    assert granted(world, code, "59", 409)["detail"].count("60 mg") == 1
    for who, status in (("clerk", 403), ("ana", 403), ("both", 409)):
        assert granted(world, code, "60", status, who=who)["status"] == status
    refused = world.post("cur", f"requests/{code}/refuse", {"because": "twice the same study"}, 200)
    assert (refused["status"], refused["because"]) == ("refused", "twice the same study")
    assert world.post("ana", f"requests/{code}/withdraw", {"because": "x"}, 409)["code"] == "rule_forbids"


def test_what_pending_requests_would_leave(world: Collection) -> None:
    """Trade question 2: one after another, as wanted and at the least, and who competes for the same piece."""
    stone, dust = world.running.people["stone"], world.running.people["dust"]
    first = asked(world, "70", samples=[stone], least_mg="20")
    other = asked(world, "150", samples=[dust])
    third = asked(world, "40", samples=[stone], least_mg="40", who="stranger", institution="MRL")

    found = world.get("cur", "reports/request-effects", collection="BRAITHMOSS")

    assert found["headroom_mg"] == "100"
    rows = [
        (r["request"], r["of_reserve"], r["headroom_after_wanted_mg"], r["headroom_after_least_mg"], r["fits"])
        for r in found["effects"]
    ]
    assert rows == [
        (first, True, "30", "80", True),
        (other, False, "30", "80", True),
        (third, True, "-10", "40", False),
    ]
    assert [r["competing"] for r in found["effects"]] == [[third], [], [first]]
    assert world.get("ana", "reports/request-effects", 404, collection="BRAITHMOSS")["code"] == "not_found"


def test_headroom_and_effects_as_files(world: Collection) -> None:
    """RFC 4180, read by the csv module: the same figures, and each row says which moments it is about."""
    stone = world.running.people["stone"]
    code = asked(world, "70", samples=[stone], least_mg="20")
    found = {}
    for report, more in (("headroom", {"sample": stone, "mass_mg": "160"}), ("request-effects", {})):
        asks = {"collection": "BRAITHMOSS", **more}
        head = {**world.head("cur"), "Accept": "text/csv"}
        answer = world.running.client.get(f"/v1/reports/{report}", params=asks, headers=head)
        assert answer.status_code == 200
        assert "Accept" in answer.headers["Vary"]
        (found[report],) = csv.DictReader(io.StringIO(answer.text, newline=""))
    room, effect = found["headroom"], found["request-effects"]
    assert (room["headroom_mg"], room["allowed"], room["largest_mg"]) == ("100", "False", "100")
    assert (effect["request"], effect["headroom_after_wanted_mg"], effect["fits"]) == (code, "30", "True")
    assert room["as_of"] == effect["as_of"]


def test_the_share_is_a_whole_number(world: Collection) -> None:
    """A floor is parts per million, no float, and changed by a new version of the collection."""
    head = {**world.head("cur"), "If-Match": '"v2"'}
    content = {"name": "Braithmoss", "zone": "Europe/London", "because": "New policy"}
    put = world.running.client.put
    path = "/v1/collections/BRAITHMOSS"
    assert put(path, json={**content, "reserve_floor_ppm": 0.7}, headers=head).status_code == 422
    assert put(path, json={**content, "reserve_floor_ppm": FLOOR_PPM + 99_999}, headers=head).status_code == 200
    assert headroom(world)["headroom_mg"] == "0.001"


SAMPLE = {"kind": "sample", "form": "material", "what": "piece", "prefix": "BRM"}
