"""The checklist at the door over HTTP: what is ticked becomes facts, as found first; what is not looked at is not told.

Sources: trade.md 1.2 (receiving laboratory, mail room: as found before touching) and its step cards; rulings 5 (ids and
replays), 14 (whose word counts). All or nothing of one form is common practice, no source.
"""

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from httpx2 import Response

from tests.databases import copied
from tests.web.chip import CHIP, NUMBERS, PARCEL, send_chip
from tests.web.collection import Collection, collection
from tests.web.visits import HTML, check, cookie, opened

HERE = f"here {NUMBERS[PARCEL]}"


@pytest.fixture
def world(sqlite_template: Path, tmp_path: Path) -> Iterator[Collection]:
    """A sealed parcel with a chip in it before the door of a laboratory."""
    with collection(copied(sqlite_template, tmp_path / "world.sqlite3")) as found:
        send_chip(found)
        found.tell("clerk", "TRP", "sealed", PARCEL, "2026-03-11T10:00:00Z", "2026-03-11T10:07:00Z", seals=["S-1"])
        route = {"addressee": "SMP", "carrier": "CRK", "expected_by": "2026-03-14T12:00:00Z", "handling": "Keep dry"}
        found.post("clerk", "shipments", {"code": "T-9", "consignor": "TRP", **route, "contents": [NUMBERS[PARCEL]]})
        found.tell("driver", "CRK", "released", PARCEL, "2026-03-14T08:59:00Z", to="SMP", shipment="T-9")
        found.at("2026-03-14T09:00:00Z")
        found.running.client.follow_redirects = False
        yield found


def listed(world: Collection, login: str = "ana", **filled: str) -> dict[str, str]:
    """The list as a browser would send it, with some fields filled in."""
    page = opened(world.running, login, "/receive/T-9")
    fields = {}
    for tag in re.findall(r"<input [^>]*>", page[page.index('action="/receive/T-9"') :]):
        name, value = (_attribute(tag, one) for one in ("name", "value"))
        if _attribute(tag, "type") not in {"radio", "checkbox"} or " checked" in tag:
            fields[name] = value
    return {**fields, "acting_for": "SMP", **filled}


def _attribute(tag: str, name: str) -> str:
    found = re.search(rf'\b{name}="([^"]*)"', tag)
    return unescape(found[1]) if found else ""


def sent(world: Collection, fields: dict[str, str], login: str = "ana", **headers: str) -> Response:
    """Send the list."""
    own = {"Sec-Fetch-Site": "same-origin", **HTML, "Cookie": f"shipsvc={cookie(world.running, login)}"}
    return world.running.client.post("/receive/T-9", data=fields, headers={**own, **headers})


def told(world: Collection) -> list[dict[str, Any]]:
    """What the laboratory told of the parcel, in order."""
    facts = world.get("cur", f"items/{NUMBERS[PARCEL]}/history", limit="200")["items"]
    return [fact for fact in facts if fact["acting_for"] == "SMP"]


def test_a_sound_box_is_received_in_one_go(world: Collection) -> None:
    """As found, seals, acceptance, place: facts in that order, and the laboratory has it; not opened."""
    fields = listed(world, **{HERE: "yes", "outer": "undamaged", "labels": "agree", "place": "SMP-N1"})
    fields[f"seal {NUMBERS[PARCEL]} S-1"] = "intact"
    answer = sent(world, fields)
    assert (answer.status_code, answer.headers["location"]) == (303, "/receive/T-9?told=4")

    facts = told(world)
    assert [fact["kind"] for fact in facts] == ["condition_noted", "seal_checked", "accepted", "stored"]
    assert facts[0]["body"]["words"] == "outer box undamaged; 1 of 1 counted; labels agree"
    assert facts[1]["body"]["seals"] == [{"seal": "S-1", "state": "intact"}]
    assert facts[2]["body"] == {"from": "CRK", "shipment": "T-9"}
    shown = world.get("ana", f"items/{NUMBERS[PARCEL]}")
    assert (shown["custody"]["certain"], shown["where"]["place"]) == ("SMP", "SMP-N1")
    assert "Recorded." in opened(world.running, "ana", answer.headers["location"])


def test_a_broken_seal_is_told_before_anything_is_taken(world: Collection) -> None:
    """The page says what to do; the seal alone can be told, with what was found."""
    page = opened(world.running, "ana", "/receive/T-9")
    for said in ("stop", "Photograph", "without opening", "call TRP"):
        assert said in page
    seal = {f"seal {NUMBERS[PARCEL]} S-1": "broken", "outer": "wet"}
    assert sent(world, listed(world, **seal)).headers["location"] == "/receive/T-9?told=2"
    assert [fact["kind"] for fact in told(world)] == ["condition_noted", "seal_checked"]
    assert world.get("cur", f"items/{NUMBERS[PARCEL]}")["custody"]["certain"] == "CRK"
    packed = world.get("cur", "shipments/T-9/packing-list")["contents"][0]
    assert [seal["state"] for seal in packed["seals"]] == ["broken"]


def test_what_is_not_looked_at_is_not_told(world: Collection) -> None:
    """The list as it comes says nothing, and sending it so tells nothing."""
    answer = sent(world, listed(world))
    assert answer.status_code == 422
    assert "nothing is ticked" in answer.text
    assert told(world) == []


def test_opened_and_weighed(world: Collection) -> None:
    """Not opened is what stands there first; each mass is of its sample, as found, and yields a verdict."""
    fields = listed(world, **{HERE: "yes", f"mass {NUMBERS[CHIP]}": "1204.2 mg"})
    assert fields["opened"] == "no"
    assert sent(world, fields | {"opened": "yes"}).status_code == 303
    assert [fact["kind"] for fact in told(world)] == ["condition_noted", "accepted", "opened"]
    facts = world.get("cur", f"items/{NUMBERS[CHIP]}/history", limit="200")["items"]
    (weighed,) = [fact for fact in facts if fact["kind"] == "weighed" and fact["acting_for"] == "SMP"]
    assert weighed["body"]["mass"] == "1204.2 mg"
    assert weighed["body"]["dryness"] == "as_found"


def test_sent_twice_it_is_told_once(world: Collection) -> None:
    """A double click, or a page gone back to: the same ids, so a replay."""
    fields = listed(world, **{HERE: "yes", "place": "SMP-N1"})
    assert {sent(world, fields).status_code for _ in range(2)} == {303}
    assert len(told(world)) == 3
    changed = sent(world, fields | {"place": "SMP-N2"})
    assert changed.status_code == 409
    assert len(told(world)) == 3


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"place": "in the fridge"}, "/body/place"),
        ({f"mass {NUMBERS[CHIP]}": "heavy"}, "heavy"),
        ({"when": "noon"}, "noon"),
        ({"id": "x"}, "/id"),
        ({"condition": "x" * 401}, "longer"),
    ],
)
def test_all_of_it_or_nothing(world: Collection, wrong: dict[str, str], says: str) -> None:
    """One fault, and nothing is stored; what was filled in stands there again."""
    answer = sent(world, listed(world, **{HERE: "yes", "outer": "wet"}, **wrong))
    assert answer.status_code == 422
    assert says in answer.text
    assert told(world) == []
    if "condition" not in wrong:
        assert re.search(r'name="outer" value="wet" checked', answer.text)


def test_who_may(world: Collection) -> None:
    """Strangers find nothing, readers are told that they do not receive, nobody is put words in the mouth of."""
    opened(world.running, "stranger", "/receive/T-9", 404)
    assert "does not receive" in opened(world.running, "aud", "/receive/T-9")
    filled = listed(world, **{HERE: "yes"})
    assert sent(world, filled | {"acting_for": "TRP"}).status_code == 403
    assert sent(world, filled, **{"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert told(world) == []
    driver = opened(world.running, "driver", "/receive/T-9")
    assert NUMBERS[CHIP] not in driver, "a courier is not told what is in it (rulings 16)"


def test_the_page_keeps_to_its_policy(world: Collection) -> None:
    """Nothing from elsewhere, nothing inline; cautions at the door and at opening defer to trained people."""
    page = check(world.running, "ana", "/receive/T-9")
    assert "DRY ICE" in page
    assert "Keep dry" in page
    assert page.count("trained, licensed staff decide") == 2
    assert 'href="/receive/T-9"' in opened(world.running, "ana", "/arriving?institution=SMP")


# ----------------------------------------------------------------------------------------------- photographs and papers
ONE, TWO = "a" * 64, "b" * 64


def test_photographs_go_with_what_they_show(world: Collection) -> None:
    """Those of the box with how it was found, those of the seals with the seals; each fact names its own."""
    found = {"outer": "damaged", "photos outer": ONE, f"seal {NUMBERS[PARCEL]} S-1": "broken", "photos seals": TWO}
    assert sent(world, listed(world, **{HERE: "yes", **found})).status_code == 303
    named = {fact["kind"]: fact["body"].get("files_sha256") for fact in told(world)}
    assert (named["condition_noted"], named["seal_checked"], named["accepted"]) == ([ONE], [TWO], None)


def test_photographs_alone_are_a_fact(world: Collection) -> None:
    """Nothing ticked, one picture taken: that it was taken is told."""
    assert sent(world, listed(world, **{"photos outer": ONE, "photos seals": TWO})).status_code == 303
    (fact,) = [fact for fact in told(world) if fact["kind"] == "photographed"]
    assert fact["body"]["files_sha256"] == [ONE, TWO]


def test_a_list_that_was_kept_goes_out_in_the_name_of_who_filled_it_in(world: Collection) -> None:
    """Whoever is signed in by then cannot send it for them."""
    fields = listed(world, **{HERE: "yes", "person": world.running.people["ana"]})
    assert sent(world, fields, "cur").status_code == 403
    assert sent(world, fields).status_code == 303


def test_the_packing_list_and_the_receipt_are_papers(world: Collection) -> None:
    """What is packed, with its seals and lines to sign; what was told at the door, as found."""
    paper = check(world.running, "clerk", "/shipments/T-9/packing-list")
    assert all(said in paper for said in (NUMBERS[PARCEL], NUMBERS[CHIP], "S-1", "Keep dry", "Taken over by, printed"))
    assert "Nothing was told of its arrival" in opened(world.running, "ana", "/shipments/T-9/receipt")
    sent(world, listed(world, **{HERE: "yes", "outer": "damaged", f"seal {NUMBERS[PARCEL]} S-1": "broken"}))
    paper = check(world.running, "cur", "/shipments/T-9/receipt")
    assert all(said in paper for said in ("outer box damaged", "S-1", "broken", "accepted"))
