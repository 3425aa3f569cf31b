"""The scan page over HTTP: the one next action, told by the same door as POST /v1/events; replays; who may; the queue.

Sources: trade.md 1.2 (what each role does), rulings 5 (ids and replays), 16 and 17 (who sees, who tells); the Fetch
standard (Sec-Fetch-Site). That a double click sends one form twice is common practice, no source.
"""

import re
import uuid
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest
from httpx2 import Response

from tests.databases import copied
from tests.web.chip import CHIP, JAR, NUMBERS, PARCEL, VIAL, send_chip
from tests.web.collection import Collection, collection, typed
from tests.web.test_pages import OWN
from tests.web.visits import HTML, cookie


@pytest.fixture
def world(sqlite_template: Any, tmp_path: Any) -> Iterator[Collection]:
    """A chip on its way to a laboratory."""
    with collection(copied(sqlite_template, tmp_path / "world.sqlite3")) as found:
        send_chip(found)
        found.running.client.follow_redirects = False
        yield found


def opened(world: Collection, login: str, path: str, status: int = 200) -> str:
    """A page as somebody sees it."""
    answer = world.running.client.get(path, headers={**HTML, "Cookie": f"shipsvc={cookie(world.running, login)}"})
    assert answer.status_code == status, answer.text
    return answer.text


def form_in(page: str, action: str = "/scan/tell") -> dict[str, str]:
    """The fields of the first form with that action, as a browser would send them."""
    match = re.search(rf'<form method="post" action="{action}".*?</form>', page, re.DOTALL)
    assert match, page
    tags = re.findall(r"<input [^>]*>", match[0])
    return {_attribute(tag, "name"): unescape(_attribute(tag, "value")) for tag in tags if _attribute(tag, "name")}


def _attribute(tag: str, name: str) -> str:
    found = re.search(rf'\b{name}="([^"]*)"', tag)
    return found[1] if found else ""


def posted(world: Collection, login: str, path: str, form: dict[str, str], **headers: str) -> Response:
    """Send a form from a page of ours."""
    sent = {**OWN, "Cookie": f"shipsvc={cookie(world.running, login)}", **headers}
    return world.running.client.post(path, data=form, headers=sent)


def told(world: Collection, number: str) -> list[str]:
    """The kinds of the facts of an item."""
    return [fact["kind"] for fact in world.get("cur", f"items/{number}/history", limit="200")["items"]]


def big(page: str) -> str:
    """The words on the big button."""
    match = re.search(r'<button class="big">(.*?)</button>', page)
    assert match, page
    return match[1]


# ------------------------------------------------------------------------------------------------ the one next action
def test_the_next_action_follows_the_state_and_the_role(world: Collection) -> None:
    """Released to the driver: they hand over; to the laboratory: accept; in its store: take out; out: put in store."""
    parcel, vial = NUMBERS[PARCEL], NUMBERS[VIAL]
    assert big(opened(world, "driver", f"/scan?code={parcel}")) == "Hand over"
    assert big(opened(world, "ana", f"/scan?code={parcel}")) == "Seen here"

    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T00:09:00Z", to="SMP")
    page = opened(world, "ana", f"/scan?code={parcel}")
    assert (big(page), form_in(page)["from"]) == ("Accept", "CRK")

    world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T00:10:00Z", from_="CRK")
    assert big(opened(world, "ana", f"/scan?code={vial}")) == "Unpack"
    world.tell("ana", "SMP", "unpacked", JAR, "2026-03-14T01:00:00Z")
    world.tell("ana", "SMP", "unpacked", VIAL, "2026-03-14T01:10:00Z")
    assert big(opened(world, "ana", f"/scan?code={vial}")) == "Put in store"
    world.tell("ana", "SMP", "stored", VIAL, "2026-03-14T01:20:00Z", place="SMP-N1")
    page = opened(world, "ana", f"/scan?code={vial}")
    assert (big(page), form_in(page)["place"]) == ("Take out", "SMP-N1")


def test_the_shipment_says_who_is_to_have_it(world: Collection) -> None:
    """A courier who never told that they took it is offered to, with the shipment; so is the addressee."""
    world.issue(kind="parcel", prefix="P", form="overpack", what="second box")
    number = typed("P-0002")
    route = {"addressee": "SMP", "carrier": "CRK", "expected_by": None, "handling": "Upright"}
    world.post("clerk", "shipments", {"code": "T-9", "consignor": "TRP", **route, "contents": [number]})

    page = opened(world, "clerk", f"/scan?code={number}")
    assert (big(page), form_in(page)["to"], form_in(page)["shipment"]) == ("Hand over", "CRK", "T-9")
    page = opened(world, "driver", f"/scan?code={number}")
    assert (big(page), form_in(page)["from"], form_in(page)["shipment"]) == ("Accept", "TRP", "T-9")
    assert "Upright" in page
    assert "second box" not in page, "a courier is not told what is in it (rulings 16)"


def test_roles_are_offered_only_what_they_may_tell(world: Collection) -> None:
    """A driver puts nothing in store (trade.md 1.2); an auditor tells nothing."""
    page = opened(world, "driver", f"/scan?code={NUMBERS[PARCEL]}")
    assert "kind=accepted" in page
    assert "kind=stored" not in page
    audited = opened(world, "aud", f"/scan?code={NUMBERS[PARCEL]}")
    assert "it tells nothing" in audited
    assert "/scan/tell" not in audited


def test_what_is_not_theirs_can_be_told_of_and_looks_like_the_unknown(world: Collection) -> None:
    """Stating needs no relation, and tells nothing (rulings 17)."""
    hidden = opened(world, "stranger", f"/scan?code={NUMBERS[CHIP]}")
    unknown = opened(world, "stranger", f"/scan?code={typed('BRM-0100')}")
    ids = r'name="id" value="[^"]*"'
    one, other = (re.sub(ids, "", page) for page in (hidden, unknown))
    assert one.replace(NUMBERS[CHIP], "X") == other.replace(typed("BRM-0100"), "X")
    assert posted(world, "stranger", "/scan/tell", form_in(hidden)).status_code == 303
    assert "seen" in told(world, NUMBERS[CHIP])


def test_a_slip_is_told_before_anything_is(world: Collection) -> None:
    """ISO/IEC 7064: the check character; the page keeps what was typed and says what to do."""
    wrong = opened(world, "ana", "/scan?code=BRM-0001-M", 422)
    assert 'role="alert"' in wrong
    assert 'value="BRM-0001-M"' in wrong
    assert "/scan/tell" not in wrong


# --------------------------------------------------------------------------------------------------------- telling it
def test_a_form_tells_the_fact_as_the_api_would(world: Collection) -> None:
    """Time with the offset of the place, the teller's word, and the page says what was recorded."""
    number = NUMBERS[PARCEL]
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T00:09:00Z", to="SMP")
    form = form_in(opened(world, "ana", f"/scan?code={number}"))
    answer = posted(world, "ana", "/scan/tell", form)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/scan?code={number}&told={form['id']}")

    fact = world.get("ana", f"events/{form['id']}")
    assert (fact["kind"], fact["subjects"], fact["acting_for"]) == ("accepted", [number], "SMP")
    assert fact["body"] == {"from": "CRK"}
    assert fact["time"]["happened_at"] == "2026-03-14T00:09:00Z"
    assert world.get("ana", f"items/{number}")["custody"]["certain"] == "SMP"
    assert "Recorded:" in opened(world, "ana", answer.headers["location"])


def test_a_double_click_is_one_fact(world: Collection) -> None:
    """The form brings the fact's id: the same words again are a replay, other words are refused (rulings 5)."""
    form = form_in(opened(world, "driver", f"/scan?code={NUMBERS[PARCEL]}")) | {"to": "SMP"}
    before = len(told(world, NUMBERS[PARCEL]))
    first, second = (posted(world, "driver", "/scan/tell", form) for _ in range(2))
    assert first.headers["location"] == second.headers["location"]
    assert len(told(world, NUMBERS[PARCEL])) == before + 1

    other = posted(world, "driver", "/scan/tell", form | {"to": "MRL"})
    assert other.status_code == 409
    assert form_in(other.text)["id"] != form["id"], "what is told now is another fact"
    assert form_in(other.text)["to"] == "MRL"


def test_a_print_is_kept_as_it_was_scanned(world: Collection) -> None:
    """The subject is what was read (rulings 4), also as the whole address on a label."""
    page = opened(world, "cur", "/scan?code=HTTPS://S.EXAMPLE/S/BRM0001L.1.00000000&kind=seen")
    form = form_in(page)
    answer = posted(world, "cur", "/scan/tell", form)
    assert answer.headers["location"] == f"/scan?code=BRM0001L.1&told={form['id']}"
    assert world.get("cur", f"events/{form['id']}")["subjects"] == ["BRM0001L.1"]


def test_packing_takes_the_scanned_label_of_the_outer_one(world: Collection) -> None:
    """Child into parent: both are scanned."""
    world.issue(what="second vial")
    number = typed("V-0002")
    form = form_in(opened(world, "cur", f"/scan?code={number}&kind=packed")) | {"into": "https://s.example/S/J0001R.1"}
    jar = typed("J-0001")
    form["into"] = f"https://s.example/S/{jar.replace('-', '')}.1.00000000"
    assert posted(world, "cur", "/scan/tell", form).status_code == 303
    assert world.get("cur", f"items/{number}")["nest"][0]["number"] == jar


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"when": "soon"}, "soon"),
        ({"when": "2026-03-14T00:10:00Z"}, "is not a time"),
        ({"to": "not a party"}, "/body/to"),
        ({"kind": "due_set"}, "due_set"),
        ({"kind": "packed", "into": "J-0001-X"}, "J-0001-X"),
        ({"kind": "packed", "into": ""}, "into"),
    ],
)
def test_what_is_malformed_is_said_and_can_be_mended(world: Collection, change: dict[str, str], says: str) -> None:
    """Nothing is stored; the form comes again with its id."""
    form = form_in(opened(world, "driver", f"/scan?code={NUMBERS[PARCEL]}"))
    before = told(world, NUMBERS[PARCEL])
    answer = posted(world, "driver", "/scan/tell", form | change)
    assert answer.status_code == 422
    assert says in re.search(r'role="alert">(.*?)</p>', answer.text, re.DOTALL)[1]  # type: ignore[index]
    assert form_in(answer.text)["id"] == form["id"]
    assert told(world, NUMBERS[PARCEL]) == before


def test_a_form_changed_by_hand_tells_no_more_than_the_role_may(world: Collection) -> None:
    """A driver who sends "stored", or for another institution, is refused."""
    form = form_in(opened(world, "driver", f"/scan?code={NUMBERS[PARCEL]}"))
    for change in ({"kind": "stored", "place": "CRK-1"}, {"acting_for": "TRP", "to": "SMP"}):
        assert posted(world, "driver", "/scan/tell", form | change).status_code == 403


def test_undo_is_an_amendment_with_a_reason(world: Collection) -> None:
    """Both stay on record (promise 3 of the design); a second click is a replay."""
    number = NUMBERS[PARCEL]
    form = form_in(opened(world, "driver", f"/scan?code={number}")) | {"to": "MRL"}
    page = opened(world, "driver", posted(world, "driver", "/scan/tell", form).headers["location"])
    back = form_in(page, "/scan/take-back") | {"because": "wrong door"}
    assert {posted(world, "driver", "/scan/take-back", back).status_code for _ in range(2)} == {303}

    fact = world.get("driver", f"events/{form['id']}")
    assert fact["in_force"] is None
    assert [one["because"] for one in fact["amendments"]] == ["wrong door"]
    assert "Taken back" in opened(world, "driver", f"/scan?code={number}&told={form['id']}")
    short = posted(world, "driver", "/scan/take-back", back | {"id": str(uuid.uuid4()), "because": " "})
    assert short.status_code == 422


@pytest.mark.parametrize("path", ["/scan/tell", "/scan/take-back", "/scan/facts"])
def test_no_page_of_others_tells_anything(world: Collection, path: str) -> None:
    """By what browsers say of where a request comes from; and nobody does without a session."""
    sent = {**HTML, "Cookie": f"shipsvc={cookie(world.running, 'cur')}", "Sec-Fetch-Site": "cross-site"}
    assert world.running.client.post(path, data={}, headers=sent).status_code == 403
    assert world.running.client.post(path, json={}, headers={"Sec-Fetch-Site": "same-origin"}).status_code == 401


def test_cautions_stand_where_the_hazard_is(world: Collection) -> None:
    """trade.md 6: dry ice at packing, gas at the cabinet; they defer to local rules and trained people."""
    packing = opened(world, "cur", f"/scan?code={NUMBERS[VIAL]}&kind=packed")
    step = packing[packing.index('class="next"') : packing.index("data-tell")]
    assert "DRY ICE" in step
    assert "trained, licensed staff decide" in step
    opening = opened(world, "cur", f"/scan?code={NUMBERS[VIAL]}&kind=opened")
    assert "NITROGEN OR ARGON" in opening[opening.index('class="next"') : opening.index("data-tell")]


# ---------------------------------------------------------------------------------------------------------- the queue
def queued(world: Collection, login: str, *facts: dict[str, Any], person: str = "") -> Response:
    """Send what a device kept."""
    body = {"person": person or world.running.people[login], "device": "web-1", "facts": list(facts)}
    headers = {"Sec-Fetch-Site": "same-origin", "Cookie": f"shipsvc={cookie(world.running, login)}"}
    return world.running.client.post("/scan/facts", json=body, headers=headers)


def fact(kind: str, subject: str, **body: str) -> dict[str, Any]:
    """A fact as the script of the page makes it."""
    time = {"raw": "2026-03-14T00:10:00Z", "source": "device", "sequence": 1}
    acts = {"id": str(uuid.uuid4()), "kind": kind, "subjects": [subject], "time": time, "acting_for": "SMP"}
    return {**acts, "body": body}


def test_the_queue_goes_out_with_the_session(world: Collection) -> None:
    """Each fact is answered on its own; a second sending changes nothing (rulings 5)."""
    good, bad = fact("accepted", NUMBERS[PARCEL]), fact("stored", NUMBERS[PARCEL])
    world.at("2026-03-14T00:20:00Z")
    answer = queued(world, "ana", good, bad)
    assert answer.status_code == 200
    assert [one["status"] for one in answer.json()["results"]] == ["recorded", "failed"]
    again = queued(world, "ana", good, {**bad, "body": {"place": "SMP-N1"}}).json()["results"]
    assert [one["status"] for one in again] == ["recorded", "recorded"]
    assert (again[0]["replayed"], again[1]["replayed"]) == (True, False)
    assert told(world, NUMBERS[PARCEL]).count("accepted") == 2, "the driver's and the laboratory's"


def test_nobody_sends_what_somebody_else_noted(world: Collection) -> None:
    """On a shared device the one who signs in next is not the one who saw it: the device is never the actor."""
    answer = queued(world, "ana", fact("seen", NUMBERS[PARCEL]), person=world.running.people["driver"])
    assert (answer.status_code, answer.json()["code"]) == (403, "noted_by_another")
    assert "seen" not in told(world, NUMBERS[PARCEL])


# ------------------------------------------------------------------------------------------------------- the page away
def test_the_page_without_a_network_names_nobody(world: Collection) -> None:
    """It is kept on the device for whoever comes: the same for all, signed in or not."""
    plain = world.running.client.get("/scan/shell", headers=HTML)
    signed = opened(world, "cur", "/scan/shell")
    assert plain.status_code == 200
    assert plain.text == signed
    assert "data-person" not in signed


def test_only_the_page_that_decodes_may_run_a_decoder(world: Collection) -> None:
    """wasm-unsafe-eval (CSP level 3) on the scan page alone, and never unsafe-eval or unsafe-inline."""
    headers = {**HTML, "Cookie": f"shipsvc={cookie(world.running, 'cur')}"}
    policy = world.running.client.get("/scan", headers=headers).headers["content-security-policy"]
    assert "script-src 'self' 'wasm-unsafe-eval';" in policy
    assert "'unsafe-" not in policy
    assert "wasm" not in world.running.client.get("/", headers=headers).headers["content-security-policy"]


def test_the_worker_stands_where_it_may_answer_for_the_page(world: Collection) -> None:
    """Service Workers: a script answers for what is below its own address; it is asked for anew each time."""
    answer = world.running.client.get("/scan-worker.js")
    assert answer.headers["content-type"].startswith("text/javascript")
    assert answer.headers["cache-control"] == "no-cache"
