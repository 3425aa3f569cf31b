"""Posted masses and time out over HTTP; and whether the description of items, numbers and labels is true."""

from collections.abc import Iterator

import pytest

from tests.web.chip import CHIP, NUMBERS, VIAL, receive_chip, send_chip
from tests.web.collection import Collection, collection
from tests.web.test_openapi import METHODS, _of_schema, validator


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


def test_a_weighing_moves_the_book_only_when_posted(world: Collection) -> None:
    """Promise 6 and rulings 18: 1204.3 by the book, 1203.9 weighed; posted, and 0.4 mg are unexplained."""
    weighing = world.tell("cur", "TRP", "weighed", CHIP, "2026-03-11T09:00:00Z", mass="1203.9 mg", balance="B1")
    path = f"items/{NUMBERS[CHIP]}"
    assert world.get("cur", path)["book"]["mass_mg"] == "1204.3"

    posted = world.post("cur", f"{path}/post-mass", {"weighing": weighing["id"], "because": "reconciled"})

    assert (posted["before_mg"], posted["mass_mg"], posted["unexplained_mg"]) == ("1204.3", "1203.9", "0.4")
    book = world.get("cur", path)["book"]
    assert (book["mass_mg"], book["how"], book["event_id"]) == ("1203.9", "posted", posted["event_id"])
    assert float(book["u_mg"]) == pytest.approx(0.2160, abs=5e-5)
    last = world.get("cur", f"{path}/history")["items"][-1]
    assert (last["kind"], last["body"]["weighing"], last["body"]["because"]) == ("posted", weighing["id"], "reconciled")


def test_a_weighing_is_posted_as_amended(world: Collection) -> None:
    """C-09: a decimal slip that was amended is posted in its right value."""
    at = "2026-03-11T09:00:00Z"
    slip = world.tell("cur", "TRP", "weighed", CHIP, at, mass="120.39 mg", balance="B1")
    world.tell(
        "cur", "TRP", "weighed", CHIP, at, "2026-03-11T11:00:00Z", amends=slip["id"], mass="1203.9 mg", balance="B1"
    )

    posted = world.post("cur", f"items/{NUMBERS[CHIP]}/post-mass", {"weighing": slip["id"], "because": "reconciled"})

    assert posted["mass_mg"] == "1203.9"


def test_what_cannot_be_posted(world: Collection) -> None:
    """For curators of the owner; a weighing, of this sample, still standing, after which nothing left it."""
    path = f"items/{NUMBERS[CHIP]}/post-mass"
    at = "2026-03-11T09:00:00Z"
    weighing = world.tell("cur", "TRP", "weighed", CHIP, at, mass="1203.9 mg", balance="B1")["id"]
    seen = world.tell("cur", "TRP", "seen", CHIP, at)["id"]
    other = world.issue(kind="sample", form="material", what="rest", prefix="BRM")["items"][0]["number"]
    body = {"weighing": weighing, "because": "reconciled"}

    assert world.post("clerk", path, body, 403)["code"] == "not_your_role"
    assert world.post("cur", path, {**body, "weighing": seen}, 404)["code"] == "not_found"
    assert world.post("cur", f"items/{other}/post-mass", body, 404)["code"] == "not_found"
    assert world.post("cur", f"items/{NUMBERS[VIAL]}/post-mass", body, 409)["code"] == "rule_forbids"
    assert world.post("cur", path, {**body, "posted_at": "2026-03-11T08:59:59Z"}, 409)["code"] == "rule_forbids"
    assert world.post("cur", path, {**body, "posted_at": "2026-04-01T00:00:00Z"}, 422)["code"] == "malformed"
    world.tell("cur", "TRP", "used", CHIP, "2026-03-11T11:00:00Z", mass="100 mg", balance="B1")
    assert "used" in world.post("cur", path, body, 409)["detail"]
    world.post("cur", path, {**body, "posted_at": "2026-03-11T10:59:00Z"})
    assert world.get("cur", f"items/{NUMBERS[CHIP]}")["book"]["mass_mg"] == "1103.9"
    world.tell("cur", "TRP", "weighed", CHIP, at, amends=weighing, withdraw=True)
    assert world.post("cur", path, body, 404)["code"] == "not_found"


# ----------------------------------------------------------------------------------------------------------- time out
def test_time_out_in_the_answer(world: Collection) -> None:
    """Design section 5: out for ten minutes for sure; the journey from the release on is not proven to be in."""
    receive_chip(world)
    world.tell("ana", "SMP", "stored", VIAL, "2026-03-14T01:00:00Z", place="SMP-N1")
    world.tell("ana", "SMP", "taken_out", VIAL, "2026-03-14T02:00:00Z")
    world.tell("ana", "SMP", "stored", VIAL, "2026-03-14T02:10:00.500Z", place="SMP-N1")

    out = world.get("ana", f"items/{NUMBERS[CHIP]}/time-out")

    journey_s = (3 * 24 - 10) * 3600 + 55 * 60  # 11th 10:05 to 14th 01:00
    assert (out["at_least_s"], out["longest_at_least_s"]) == (600, 600)
    assert (out["at_most_s"], out["longest_at_most_s"]) == (journey_s + 601, journey_s)
    assert out["before_accession_s"] == 20 * 60
    assert out["stretches"] == [
        {"start": "2026-03-11T10:05:00Z", "end": "2026-03-14T01:00:00Z", "proven": False},
        {"start": "2026-03-14T02:00:00Z", "end": "2026-03-14T02:10:00.500000Z", "proven": True},
    ]


def test_descriptions_and_examples_are_true(embedded: Collection) -> None:
    """OpenAPI 3.1: each operation has a name of its own; an example of each body and answer fits its schema."""
    schema = embedded.running.client.get("/openapi.json").json()
    ours = [
        operation
        for path in schema["paths"].values()
        for method, operation in path.items()
        if method in METHODS and operation["tags"][0] in {"items", "numbers", "labels"}
    ]
    assert len({operation["operationId"] for operation in ours}) == len(ours) == 32
    tried = 0
    for operation in ours:
        for part in [operation.get("requestBody", {}), *operation["responses"].values()]:
            for media, content in part.get("content", {}).items():
                if media in {"image/png", "image/svg+xml", "application/pdf"}:
                    continue
                examples = [content["example"]] if "example" in content else _of_schema(schema, content["schema"])
                assert examples, (operation["operationId"], media)
                for example in examples:
                    validator(schema, content["schema"]).validate(example)
                    tried += 1
    assert tried > 100
