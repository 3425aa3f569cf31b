"""What the door refuses: malformed facts, each with code, pointer and what to do (RFC 9457; RFC 6901 pointers)."""

import json
from typing import Any

import pytest

from shipsvc.domain.facts import DECISIONS
from shipsvc.store.tables import Event, table
from shipsvc.web.errors import MEDIA_TYPE
from tests.web.door import JAR, SAMPLE, Door, Json

EVENT = table(Event)
AT = "2026-03-10T11:00:00Z"


def without(fact: Json, name: str) -> Json:
    """A fact that lacks one member."""
    return {member: value for member, value in fact.items() if member != name}


@pytest.mark.parametrize(
    ("change", "code", "pointer", "remedy"),
    [
        ({"kind": "teleported"}, "unknown_kind", "/fact", "The kinds are listed under POST /v1/events"),
        (
            {"subjects": ["BRM-0010-K"]},
            "wrong_check_character",
            "/fact/subjects/0",
            "Read the label again, or scan it.",
        ),
        ({"subjects": [SAMPLE, "??"]}, "not_a_number", "/fact/subjects/1", "such as BRM-0001-L."),
        ({"subjects": ["BRM0010J.0"]}, "not_a_number", "/fact/subjects/0", "such as BRM-0001-L."),
        ({"time": {"raw": "2026-03-10T11:00:00"}}, "not_a_time", "/fact/time/raw", "2025-03-10T08:40:00+01:00."),
        ({"time": {"raw": "10.3.2026"}}, "not_a_time", "/fact/time/raw", "Write it as in"),
        ({"time": {"raw": "2026-02-30"}}, "not_a_time", "/fact/time/raw", "Write it as in"),
        ({"time": {"raw": "2026-03-10 11:00:00Z"}}, "not_a_time", "/fact/time/raw", "Write it as in"),
    ],
)
def test_what_is_wrong_with_a_fact(door: Door, change: Json, code: str, pointer: str, remedy: str) -> None:
    """422 with the code for programs, the member at fault, and the way out for people."""
    fact = {**door.fact(), **change}
    found = door.refused(fact)

    assert found[:2] == (code, pointer)
    assert remedy in found[2]
    assert door.all(EVENT, EVENT.c.id == fact["id"]) == []


@pytest.mark.parametrize(
    ("kind", "body", "code", "pointer"),
    [
        ("used", {"mass": "-5 mg"}, "bad_body", "/fact/body/mass"),
        ("weighed", {"mass": "-0.1 mg"}, "bad_body", "/fact/body/mass"),
        ("weighed", {"mass": "512.3"}, "not_a_mass", "/fact/body/mass"),
        ("weighed", {"mass": "512.3 lb"}, "not_a_mass", "/fact/body/mass"),
        ("weighed", {"mass": "1e30 mg"}, "not_a_mass", "/fact/body/mass"),
        ("weighed", {"mass": "10000000 kg"}, "not_a_mass", "/fact/body/mass"),
        ("weighed", {"mass": 512.3}, "malformed", "/fact/body/mass"),
        ("weighed", {}, "malformed", "/fact/body"),
        ("weighed", {"mass": "512.3 mg", "plus_minus": "some"}, "not_a_mass", "/fact/body/plus_minus"),
        ("dried", {"hours": "48"}, "malformed", "/fact/body/hours"),
        ("dried", {"hours": True}, "malformed", "/fact/body/hours"),
        ("packed", {"into": "J-01-X"}, "wrong_check_character", "/fact/body/into"),
        ("released", {"to": "somebody else"}, "malformed", "/fact/body/to"),
        ("seen", {"plaice": "TRP-GB1"}, "malformed", "/fact/body/plaice"),
        ("seal_checked", {"seals": [{"seal": "S-1", "state": "wet"}]}, "malformed", "/fact/body/seals/0/state"),
        ("condition_noted", {"words": "a\x00b"}, "malformed", "/fact/body/words"),
    ],
)
def test_what_is_wrong_with_a_body(door: Door, kind: str, body: Json, code: str, pointer: str) -> None:
    """Impossible masses, numbers as texts, misspelt members, characters that no database keeps: 422 that names them."""
    found = door.refused({**door.fact(kind), "body": body})

    assert found[:2] == (code, pointer)
    assert found[2].endswith((".", '."'))


@pytest.mark.parametrize("kind", DECISIONS)
def test_a_decision_has_a_route_of_its_own(door: Door, kind: str) -> None:
    """Rulings 1: the door does not take decisions, and says who does."""
    code, _, detail = door.refused(door.fact(kind))

    assert code == "decision_needs_its_route"
    assert detail == (
        f"The request is malformed: /fact: {kind} is a decision, not a fact about the world. Take it at"
        f" {DECISIONS[kind]}."
    )


def test_a_thing_in_itself(door: Door) -> None:
    """Only what contradicts itself is refused (rulings 1): a jar put into that same jar."""
    code, pointer, detail = door.refused(door.fact("packed", JAR, into=JAR))

    assert (code, pointer) == ("contains_itself", "/fact/body/into")
    assert JAR in detail


@pytest.mark.parametrize("name", ["id", "kind", "subjects", "time", "acting_for"])
def test_every_fact_says_as_much(door: Door, name: str) -> None:
    """What is missing is named; a fact without a kind is asked for that first."""
    code, pointer, detail = door.refused(without(door.fact(), name))

    assert (code, pointer) == ("malformed", "/fact" if name == "kind" else f"/fact/{name}")
    assert "API description" in detail


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"id": "7"}, "/fact/id"),
        ({"subjects": []}, "/fact/subjects"),
        ({"subjects": [SAMPLE] * 1001}, "/fact/subjects"),
        ({"time": {"raw": AT, "sequence": -1}}, "/fact/time/sequence"),
        ({"time": {"raw": AT, "sequence": 2**53}}, "/fact/time/sequence"),
        ({"time": {"raw": AT, "uncertainty_s": "60"}}, "/fact/time/uncertainty_s"),
        ({"time": {"raw": AT, "source": "guessed"}}, "/fact/time/source"),
        ({"note": "x" * 4001}, "/fact/note"),
        ({"note": "\x00"}, "/fact/note"),
        ({"recorded_at": AT}, "/fact/recorded_at"),
    ],
)
def test_limits_of_a_fact(door: Door, change: Json, pointer: str) -> None:
    """Beyond them 422; nobody sets the time of recording. 2^53 is the last whole number JSON programs agree on
    (RFC 8259 section 6).
    """
    code, found, detail = door.refused({**door.fact(), **change})

    assert (code, found) == ("malformed", pointer)
    assert detail.endswith(".")


def test_the_envelope_is_checked_too(door: Door) -> None:
    """The device's clock is a time with an offset, and its name no more than a name."""
    problem = door.tell(door.fact(), status=422, device_now="noon", device="d" * 65, boot=7, because="x")

    assert {fault["pointer"] for fault in problem["errors"]} == {"/device_now", "/device", "/boot", "/because"}


NEW = {"kind": "used", "subjects": [SAMPLE], "time": {"raw": AT}, "body": {"mass": "1 mg"}}


@pytest.mark.parametrize(
    ("change", "code", "pointer"),
    [
        ({"subjects": ["BRM-0010-K"]}, "wrong_check_character", "/subjects/0"),
        ({"body": {"mass": "-1 mg"}}, "bad_body", "/body/mass"),
        ({"body": {"mas": "1 mg"}}, "bad_body", "/body/mas"),
        ({"kind": "amended"}, "unknown_kind", "/kind"),
        ({"kind": "posted"}, "bad_body", ""),
    ],
)
def test_what_is_wrong_with_a_replacement(door: Door, change: Json, code: str, pointer: str) -> None:
    """An amendment puts a whole fact in the place of another: it is held to the same, and the pointer leads into it."""
    amendment = door.amendment(door.fact()["id"], {**NEW, **change})

    assert door.refused(amendment)[:2] == (code, f"/fact/body/replacement{pointer}")


# ------------------------------------------------------------------------------------------------ the body of a request
def posted(door: Door, content: bytes, **headers: str) -> tuple[int, Json]:
    """Send bytes as they are."""
    sent = {**door.people["clerk"], **{name.replace("_", "-"): value for name, value in headers.items()}}
    answer = door.service.client.post("/v1/events", content=content, headers=sent)
    assert answer.headers["Content-Type"] == MEDIA_TYPE
    assert answer.headers["X-Request-Id"]
    return answer.status_code, answer.json()


@pytest.mark.parametrize("content", [b"{", b"", b"\xff\xfe", b'{"fact": NaN}', b"[]", b"7", b"null", b"{}"])
def test_what_is_no_request(door: Door, content: bytes) -> None:
    """Not JSON (RFC 8259), or JSON but no fact: 400 or 422 as a problem, never a 500."""
    status, problem = posted(door, content, Content_Type="application/json")

    assert status in {400, 422}
    assert problem["detail"].endswith(".")
    assert all(not fault["pointer"] or fault["pointer"].startswith("/") for fault in problem["errors"])


@pytest.mark.parametrize("media", ["text/plain", "application/xml", "application/x-www-form-urlencoded"])
def test_what_is_not_said_to_be_json(door: Door, media: str) -> None:
    """A browser form from another site cannot tell facts: its content types are not taken."""
    status, _ = posted(door, json.dumps({"fact": door.fact()}).encode(), Content_Type=media)

    assert status == 422


@pytest.mark.parametrize("announced", [True, False], ids=["Content-Length", "chunked"])
def test_a_body_beyond_the_limit(door: Door, announced: bool) -> None:
    """413 (RFC 9110 section 15.5.14) where the length is announced and where it only comes to light."""
    limit = door.service.service.settings.body_bytes_max
    content = b'{"fact": "' + b"x" * limit + b'"}'
    sent: Any = content if announced else iter([content[:-9], content[-9:]])
    headers = {**door.people["clerk"], "Content-Type": "application/json"}
    answer = door.service.client.post("/v1/events", content=sent, headers=headers)

    assert (answer.status_code, answer.json()["code"]) == (413, "too_much")
    assert "smaller pieces" in answer.json()["detail"]


def test_deep_nesting_is_no_way_in(door: Door) -> None:
    """A body of a hundred thousand brackets is refused and does not end the process."""
    status, _ = posted(door, b'{"facts":' + b"[" * 100_000, Content_Type="application/json")

    assert status in {400, 422}


def test_a_batch_points_into_each_fact(door: Door) -> None:
    """In a batch the pointer starts at the fact, which is told by its place among the answers."""
    wrong = {**door.fact(), "subjects": ["BRM-0010-K"]}
    (answer,) = door.tell_all([wrong])

    assert answer["problem"]["errors"][0]["pointer"] == "/subjects/0"
    assert answer["problem"]["code"] == "wrong_check_character"
    assert answer["problem"]["status"] == 422
