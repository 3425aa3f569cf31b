"""Label prints over HTTP: made, replaced, voided, drawn, scanned; the drawing is read back by another library."""

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import get_args, get_type_hints

import pytest
import zxingcpp
from PIL import Image
from pydantic import SecretStr

from shipsvc.app import labels
from shipsvc.app.labels import authenticity_tag
from shipsvc.web import api_labels
from tests.web.collection import Collection, collection, typed

VIAL = "V-0001"
LABELS = f"items/{typed(VIAL)}/labels"


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A vial without a label, once on each database."""
    with collection(database_url) as found:
        found.issue(what="4 ml, steel cap")
        yield found


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Collection]:
    """The same on SQLite, for what does not depend on the database."""
    with collection(sqlite_database_url) as found:
        found.issue(what="4 ml, steel cap")
        yield found


def drawn(world: Collection, code: str, kind: str = "png", **asked: str) -> bytes:
    """A label as it is drawn."""
    answer = world.running.client.get(f"/v1/labels/{code}.{kind}", params=asked, headers=dict(world.head("cur")))
    assert answer.status_code == 200, answer.text
    return answer.content


def read_back(png: bytes) -> str:
    """What an independent decoder (zxing-cpp) reads off a drawing."""
    found = zxingcpp.read_barcodes(Image.open(io.BytesIO(png)))
    assert [str(one.format) for one in found] == ["QR Code"]
    text: str = found[0].text
    return text


def scanned(world: Collection, path: str) -> tuple[int, str]:
    """What somebody reads who is not signed in."""
    answer = world.running.client.get(path)
    return answer.status_code, answer.text


# ------------------------------------------------------------------------------------------------ prints and serials
def test_a_reprint_replaces_and_says_why(world: Collection) -> None:
    """Trade case 20: each print has its serial, one is live; scanning the other says what replaced it, and why."""
    first = world.post("clerk", LABELS, {})
    assert (first["code"], first["state"], first["replaced_by"]) == ("V00015.1", "live", None)
    assert world.post("clerk", LABELS, {}, 409)["code"] == "rule_forbids"
    world.at("2026-03-20T09:00:00Z")
    second = world.post("clerk", LABELS, {"because": "came off in the cold"})
    assert (second["code"], second["serial"], second["state"]) == ("V00015.2", 2, "live")

    listed = world.get("cur", LABELS)["items"]
    assert [label["state"] for label in listed] == ["replaced", "live"]
    old = world.get("cur", "labels/V00015.1")
    assert old["state"] == "replaced"
    assert old["replaced_by"]["code"] == "V00015.2"
    assert old["replaced_by"]["by"] == world.running.people["clerk"]
    assert "print 2 on 2026-03-20T09:00:00Z: came off in the cold" in old["said"]
    assert world.get("cur", f"items/{typed(VIAL)}")["label"] == "V00015.2"
    # And the print that was seen still leads to the thing (rulings 4).
    assert world.get("cur", "items/V00015.1")["number"] == typed(VIAL)


def test_a_void_label_explains_itself(world: Collection) -> None:
    """Trade step 5: scanning a voided one explains rather than fails; it is never live again, nor voided twice."""
    world.post("clerk", LABELS, {})
    world.post("clerk", LABELS, {"because": "smudged"})
    world.at("2026-03-21T09:00:00Z")

    gone = world.post("clerk", f"{LABELS}/2/void", {"because": "on the wrong lid"}, 200)

    assert (gone["state"], gone["voided"]["because"]) == ("void", "on the wrong lid")
    said = world.get("cur", "labels/V00015.2")["said"]
    assert said == "This label is void since 2026-03-21T09:00:00Z: on the wrong lid."
    assert [label["state"] for label in world.get("cur", LABELS)["items"]] == ["replaced", "void"]
    assert world.get("cur", f"items/{typed(VIAL)}")["label"] is None
    assert world.post("clerk", f"{LABELS}/2/void", {"because": "again"}, 409)["code"] == "rule_forbids"
    assert world.post("clerk", f"{LABELS}/3/void", {"because": "x"}, 404)["code"] == "not_found"
    assert world.post("clerk", LABELS, {"because": "a good one"})["serial"] == 3


def test_a_label_in_use_is_void_once_a_second_person_confirms(world: Collection) -> None:
    """Two people void a live label (rulings 2): it stays live until another than the first one confirms."""
    world.post("clerk", LABELS, {})
    world.tell("clerk", "TRP", "label_attached", "V00015.1", "2026-03-20T09:00:00Z", to="V00015")
    gone = world.post("clerk", f"{LABELS}/1/void", {"because": "on the wrong vial"}, 200)
    assert (gone["state"], gone["unconfirmed"], gone["voided"]["because"]) == ("live", True, "on the wrong vial")
    assert "once a second person confirms it" in world.get("cur", "labels/V00015.1")["said"]
    assert "second person" in world.post("cur", f"{LABELS}/1/void", {"because": "x"}, 409)["detail"]
    (waiting,) = world.get("cur", "reports/unconfirmed")["items"]
    assert (waiting["event_id"], waiting["kind"]) == (gone["voided"]["event_id"], "label_voided")
    assert (waiting["actor"], waiting["about"]) == (world.running.people["clerk"], [typed(VIAL)])

    event = {"fact": gone["voided"]["event_id"]}
    own = world.tell("clerk", "TRP", "confirmed", VIAL, "2026-03-20T10:00:00Z", **event)
    assert own["flags"] == ["same_person"]
    assert world.get("cur", "labels/V00015.1")["state"] == "live"
    world.tell("cur", "TRP", "confirmed", VIAL, "2026-03-20T11:00:00Z", **event)

    now = world.get("cur", "labels/V00015.1")
    assert (now["state"], now["unconfirmed"]) == ("void", False)
    assert world.get("cur", "reports/unconfirmed")["items"] == []
    then = world.get("cur", "labels/V00015.1", known_on="2026-03-20T10:30:00Z")
    assert (then["state"], then["unconfirmed"]) == ("live", True)


def test_prints_and_voids_are_facts_of_the_log(world: Collection) -> None:
    """Rulings 1: both are decisions with routes of their own, in the same log; the door refuses them."""
    printed = world.post("clerk", LABELS, {})
    voided = world.post("clerk", f"{LABELS}/1/void", {"because": "on the wrong lid"}, 200)

    last = world.get("cur", f"items/{typed(VIAL)}/history")["items"][-2:]
    assert [(entry["kind"], entry["event_id"]) for entry in last] == [
        ("label_printed", printed["printed"]["event_id"]),
        ("label_voided", voided["voided"]["event_id"]),
    ]
    assert [entry["body"]["prints"] for entry in last] == [["V00015.1"]] * 2
    refused = world.tell("clerk", "TRP", "label_printed", VIAL, "2026-03-11T09:00:00Z", status=422)
    assert "decision_needs_its_route" in str(refused)


def test_as_known_before_it_was_replaced(world: Collection) -> None:
    """Promise 2: as of a moment, and as known on it, a print is what it was then."""
    world.post("clerk", LABELS, {})
    world.at("2026-03-20T09:00:00Z")
    world.post("clerk", LABELS, {"because": "came off"})

    for asked in ({"as_of": "2026-03-19T00:00:00Z"}, {"known_on": "2026-03-19T00:00:00Z"}):
        assert [label["state"] for label in world.get("cur", LABELS, **asked)["items"]] == ["live"]
        assert world.get("cur", "labels/V00015.1", **asked)["state"] == "live"
        assert world.get("cur", f"items/{typed(VIAL)}", **asked)["label"] == "V00015.1"
        world.get("cur", "labels/V00015.2", 404, **asked)


def test_two_reprints_at_once_are_two_serials(world: Collection) -> None:
    """A serial is given once, however many print at a time, and one print is live in the end."""
    world.post("clerk", LABELS, {})
    head = dict(world.head("clerk"))

    def one(n: int) -> int:
        answer = world.running.client.post(f"/v1/{LABELS}", json={"because": f"copy {n}"}, headers=head)
        assert answer.status_code == 201, answer.text
        serial: int = answer.json()["serial"]
        return serial

    with ThreadPoolExecutor(4) as pool:
        assert sorted(pool.map(one, range(6))) == [2, 3, 4, 5, 6, 7]
    assert [label["state"] for label in world.get("cur", LABELS)["items"]] == ["replaced"] * 6 + ["live"]


def test_a_retry_prints_once(world: Collection) -> None:
    """Promise 7: the same request under the same key is done once."""
    head = {**world.head("clerk"), "Idempotency-Key": "one-label"}

    both = [world.running.client.post(f"/v1/{LABELS}", json={}, headers=head) for _ in range(2)]

    assert [answer.status_code for answer in both] == [201, 201]
    assert both[0].json() == both[1].json()
    assert len(world.get("cur", LABELS)["items"]) == 1


def test_who_prints_and_voids(world: Collection) -> None:
    """Issuers of the owner, and whoever certainly holds the thing; nobody else, and strangers see no such thing."""
    for who, body, status in (("ana", {}, 404), ("aud", {}, 403), ("clerk", {"acting_for": "SMP"}, 403)):
        world.post(who, LABELS, body, status)
    world.tell("clerk", "TRP", "released", VIAL, "2026-03-11T10:00:00Z", to="SMP")
    world.post("ana", LABELS, {"acting_for": "SMP"}, 403)
    world.tell("ana", "SMP", "accepted", VIAL, "2026-03-12T10:00:00Z", from_="TRP")

    assert world.post("ana", LABELS, {}, 403)["code"] == "not_your_role"
    assert world.post("ana", LABELS, {"acting_for": "SMP"})["serial"] == 1
    assert world.post("ana", f"{LABELS}/1/void", {"because": "torn", "acting_for": "SMP"}, 200)["state"] == "void"
    assert world.post("cur", LABELS, {"because": "fresh"})["serial"] == 2


def test_what_a_print_was_stuck_on(world: Collection) -> None:
    """Trade case 21: the attachment is a dated fact of its own, and can be amended on its own."""
    world.issue(what="another")
    world.post("clerk", LABELS, {})
    at = "2026-03-11T09:00:00Z"
    stuck = world.tell("clerk", "TRP", "label_attached", "V00015.1", at, to=typed("V-0002"))["id"]
    assert world.get("cur", "labels/V00015.1")["attached_to"] == typed("V-0002")
    assert world.get("cur", "labels/V00015.1", as_of="2026-03-11T08:00:00Z")["attached_to"] is None

    world.tell("clerk", "TRP", "label_attached", "V00015.1", at, "2026-03-12T09:00:00Z", amends=stuck, to=typed(VIAL))

    assert world.get("cur", "labels/V00015.1")["attached_to"] == typed(VIAL)
    assert world.get("cur", "labels/V00015.1", known_on="2026-03-11T10:00:00Z")["attached_to"] == typed("V-0002")


def test_labels_that_are_not_there(world: Collection) -> None:
    """Unknown, invisible and unprinted look alike; a bare number is no label, and a wrong one is said to be wrong."""
    world.post("clerk", LABELS, {})
    for code in ("V00015.2", "V00023.1", typed(VIAL), "V00015.999999999"):
        assert world.get("cur", f"labels/{code}", 404)["code"] == "not_found"
        assert world.get("stranger", f"labels/{code}", 404)["code"] == "not_found"
    hidden = world.get("stranger", "labels/V00015.1", 404)
    assert hidden == world.get("stranger", "labels/V00023.1", 404) | {"detail": hidden["detail"]}
    for path in ("labels/V00019.1", "labels/V00019.1.png", "labels/V00019.1.svg"):
        assert world.get("cur", path, 422)["code"] == "wrong_check_character"
    world.get("stranger", "labels/V00015.1.png", 404)


# ----------------------------------------------------------------------------------------------------------- drawing
def test_the_drawing_is_read_by_another_library(world: Collection) -> None:
    """ISO/IEC 18004 by zxing-cpp: the address in capitals, code and tag; and what it says is taken for ours."""
    world.post("clerk", LABELS, {})

    text = read_back(drawn(world, "V00015.1"))

    assert re.fullmatch(r"HTTP://127\.0\.0\.1:8000/S/V00015\.1\.[0-9A-HJKMNP-TV-Z]{8}", text)
    code = text.rpartition("/")[2]
    for seen, authentic in ((code, True), (code[:-1] + ("0" if code[-1] != "0" else "1"), False), ("V00015.1", None)):
        assert world.get("cur", f"labels/{seen}")["authentic"] is authentic
    # A phone hands on the address as it stands in the symbol, small host or not.
    assert world.tell("clerk", "TRP", "seen", text, "2026-03-11T09:00:00Z")["flags"] == []
    # Drawn again it is the same label: the key of the tags was made once.
    assert read_back(drawn(world, "V00015.1")) == text


def test_the_drawing_has_its_words(world: Collection) -> None:
    """Trade 2.7: human text and check character beside the symbol; an SVG of 8 or 9 mm on a vial; cautions whole."""
    world.post("clerk", LABELS, {})

    root = ET.fromstring(drawn(world, "V00015.1", "svg", hazards="dry_ice"))

    words = " ".join("".join(part.itertext()) for part in root)
    assert typed(VIAL) in words
    assert "vial · print 1" in words
    assert "4 ml, steel" in words
    assert "DRY ICE" in words
    assert float(root.attrib["width"].removesuffix("mm")) < 30
    assert world.get("cur", "labels/V00015.1.svg", 422, hazards="bees")["status"] == 422


def test_only_a_live_print_is_drawn(world: Collection) -> None:
    """A label that is replaced or void is not to be printed once more."""
    world.post("clerk", LABELS, {})
    world.post("clerk", LABELS, {"because": "smudged"})
    world.post("clerk", f"{LABELS}/2/void", {"because": "wrong lid"}, 200)
    for code, why in (("V00015.1", "replaced by print 2"), ("V00015.2", "void")):
        for kind in ("png", "svg"):
            refused = world.get("cur", f"labels/{code}.{kind}", 409)
            assert refused["code"] == "rule_forbids"
            assert why in refused["detail"]


def test_every_hazard_can_be_asked_for() -> None:
    """The list in the API is the list of the cautions."""
    hinted = get_type_hints(api_labels.draw_label_png)["hazards"]
    assert get_args(get_args(hinted)[0]) == labels.HAZARDS


def test_a_key_of_the_settings_counts(sqlite_database_url: str) -> None:
    """RFC 2104: where a key is set, the tag is made with it; else with one that was made once and is kept."""
    with collection(sqlite_database_url) as world:
        world.issue(print_labels=True)
        kept = read_back(drawn(world, "V00015.1"))
        assert kept == read_back(drawn(world, "V00015.1"))
        service = world.running.service
        service.settings = service.settings.model_copy(update={"label_secret": SecretStr("our own")})
        tag = authenticity_tag(b"our own", "V00015.1")
        assert read_back(drawn(world, "V00015.1")).endswith(f"/S/V00015.1.{tag}")
        assert not kept.endswith(tag)


# --------------------------------------------------------------------------------------------------------- strangers
def test_a_stranger_reads_how_to_keep_it_and_no_more(world: Collection) -> None:
    """Trade case 24: the same words for any code; no contents, value, origin, destination or history; no sign-in."""
    world.issue(kind="sample", form="material", what="interior chip", prefix="BRM", print_labels=True)

    answers = {scanned(world, f"/{s}/{code}") for s in "Ss" for code in CODES}

    ((status, text),) = answers
    assert status == 200
    for said in ("upright", "dry", "cold", "not open", "number on the label"):
        assert said in text
    for unsaid in ("chip", "BRM", "Tarnhythe", "TRP", "Braithmoss", "vial"):
        assert unsaid not in text


#: Known, unknown, misread, of another's making, and no code at all.
CODES = (
    "BRM0001L.1",
    "BRM0001L.1.00000000",
    "BRM0099B.1",
    "BRM0001M.1",
    "V00015",
    "x",
    "a%00b",
    "%F0%9F%A7%AA",
    "y" * 3000,
)


def test_who_has_the_label_in_hand_learns_whom_to_call(world: Collection) -> None:
    """Trade case 24, whom to call: only the tag on the label itself opens that, and it says no more than the name."""
    world.post("clerk", LABELS, {})
    path = read_back(drawn(world, "V00015.1")).removeprefix("HTTP://127.0.0.1:8000")

    status, text = scanned(world, path)

    assert status == 200
    assert "Tarnhythe Repository" in text
    assert text.replace("It belongs to Tarnhythe Repository. ", "").count("Tarnhythe") == 0
    for unsaid in ("4 ml", "V-0001", "SMP"):
        assert unsaid not in text
    assert scanned(world, path.lower()) == scanned(world, path)
    other = path.replace("V00015", "V00023")
    assert "Tarnhythe" not in scanned(world, other)[1]


def test_a_stranger_writes_nothing(world: Collection) -> None:
    """Without any label printed there is no key, and a scan does not make one."""
    scanned(world, "/S/V00015.1.00000000")
    with world.running.service.database.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM secret").scalar_one() == 0
    world.post("clerk", LABELS, {})
    drawn(world, "V00015.1")
    with world.running.service.database.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM secret").scalar_one() == 1


def test_nothing_of_the_key_is_in_the_answers(embedded: Collection) -> None:
    """The key of the tags stays in the database: no answer holds it."""
    embedded.post("clerk", LABELS, {})
    drawn(embedded, "V00015.1")
    with embedded.running.service.database.engine.connect() as connection:
        key = connection.exec_driver_sql("SELECT value FROM secret").scalar_one()
    assert len(bytes.fromhex(key)) == 32
    texts = [str(embedded.get("cur", LABELS)), drawn(embedded, "V00015.1", "svg").decode()]
    texts += [str(embedded.get("cur", "labels/V00015.1")), scanned(embedded, "/S/V00015.1")[1]]
    assert not any(key in text for text in texts)
