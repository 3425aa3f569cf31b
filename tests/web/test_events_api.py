"""The one door over HTTP: identity of facts, batches, and who may come in (rulings 1, 5; promises 1, 7)."""

from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.store.tables import Event, table
from tests.web.door import Door, Json, new_id

EVENT = table(Event)


def event(door: Door, event_id: str) -> Json:
    """The row of the log."""
    (found,) = door.all(EVENT, EVENT.c.id == event_id)
    return dict(found)


def told(door: Door, *ids: str) -> set[str]:
    """Those of the ids that are in the log."""
    return {row["id"] for row in door.all(EVENT, EVENT.c.id.in_(ids))}


# ------------------------------------------------------------------------------------------------------------ identity
def test_a_fact_is_recorded(door: Door) -> None:
    """201 with both times; what contradicts nothing raises no flag."""
    fact = door.fact("seen", door.number())

    assert door.tell(fact) == {
        "id": fact["id"],
        "status": "recorded",
        "happened_at": "2026-03-10T11:00:00Z",
        "recorded_at": "2026-03-10T12:00:00Z",
        "flags": [],
        "replayed": False,
    }


def test_a_repetition_gives_the_first_answer(door: Door) -> None:
    """200 and the first answer word for word, minutes later too; stored once (rulings 5)."""
    fact = door.fact("seen", door.number())
    first = door.tell(fact)
    door.service.clock.forward(minutes=10)

    assert door.tell(fact, status=200) == {**first, "replayed": True}
    assert len(door.all(EVENT, EVENT.c.id == fact["id"])) == 1


def test_the_order_of_members_is_no_part_of_a_fact(door: Door) -> None:
    """RFC 8259 section 4: an object is unordered. The same words from another program are the same fact."""
    fact = door.fact("weighed", door.number(), mass="512.3 mg", balance="B7")
    door.tell(fact)
    turned = {**dict(reversed(fact.items())), "body": dict(reversed(fact["body"].items()))}

    assert door.tell(turned, status=200)["replayed"]


def test_the_envelope_is_no_part_of_a_fact(door: Door) -> None:
    """A retry comes with another device clock, from another run of the program: the same fact (rulings 5)."""
    fact = door.fact("seen", door.number(), time={"raw": "2026-03-10T11:00:00Z", "source": "device"})
    first = door.tell(fact, device="phone-3", device_now="2026-03-10T11:50:00Z", boot="7")
    again = door.tell(fact, status=200, device="phone-3", device_now="2026-03-10T12:30:00Z", boot="8", sent_at=None)

    assert again == {**first, "replayed": True}


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "found"},
        {"subjects": ["BRM-0011-H"]},
        {"body": {"place": "TRP-GB2"}},
        {"time": {"raw": "2026-03-10T11:00:01Z"}},
        {"time": {"raw": "2026-03-10T12:00:00+01:00"}},
        {"note": "another one"},
    ],
    ids=["kind", "subjects", "body", "time", "time, only written otherwise", "note"],
)
def test_the_same_id_with_other_words_is_refused(door: Door, change: Json) -> None:
    """409, and the first fact stands as it was (promise 7)."""
    fact = door.fact("seen", door.number(), note="by the door")
    door.tell(fact)
    before = event(door, fact["id"])

    code, _, detail = door.refused({**fact, **change}, 409)

    assert code == "id_used_for_other_fact"
    assert "under an id of its own" in detail
    assert event(door, fact["id"]) == before


def test_the_same_id_from_another_person_is_refused(door: Door) -> None:
    """409 with the same words as for another fact, so that nobody learns whose the id is (rulings 5)."""
    fact = door.fact("seen", door.number())
    door.tell(fact)

    problem = door.tell(fact, "curator", 409)

    assert problem == door.tell({**fact, "kind": "found"}, "clerk", 409)
    assert fact["subjects"][0] not in str(problem)


# -------------------------------------------------------------------------------------------------------------- batches
def test_alone_or_in_a_batch_it_is_the_same_fact(door: Door) -> None:
    """Told alone and again in a batch, or in a batch and again alone: the first answer, stored once."""
    alone, batched = door.fact("seen", door.number()), door.fact("seen", door.number())
    first = door.tell(alone)
    again, new = door.tell_all([alone, batched])

    assert again == {**first, "replayed": True}
    assert door.tell(batched, status=200) == {**new, "replayed": True}


def test_one_bad_fact_does_not_hold_up_the_others(door: Door) -> None:
    """Each is answered at its own place, the bad ones with what is wrong and where (rulings 5)."""
    good = [door.fact("seen", door.number()) for _ in range(2)]
    unreadable = door.fact("weighed", door.number(), mass="heavy")
    strangers = door.fact("seen", door.number(), acting_for="TSI")
    first, second, third, fourth = door.tell_all([good[0], unreadable, strangers, good[1]])

    assert [first["status"], fourth["status"]] == ["recorded", "recorded"]
    assert (second["id"], second["status"]) == (unreadable["id"], "failed")
    assert (second["problem"]["code"], second["problem"]["errors"][0]["pointer"]) == ("not_a_mass", "/body/mass")
    assert (third["id"], third["problem"]["code"], third["problem"]["status"]) == (
        strangers["id"],
        "not_your_institution",
        403,
    )
    assert told(door, *(f["id"] for f in [*good, unreadable, strangers])) == {f["id"] for f in good}


def test_what_has_no_id_is_told_by_its_place(door: Door) -> None:
    """A fact without an id, or with one that is no text, fails at its place; the one behind it is stored."""
    nameless, numbered, good = door.fact(), {**door.fact(), "id": 7}, door.fact("seen", door.number())
    del nameless["id"]
    first, second, third = door.tell_all([nameless, numbered, good])

    assert (first["id"], first["problem"]["errors"][0]["pointer"]) == (None, "/id")
    assert (second["id"], second["problem"]["errors"][0]["pointer"]) == (None, "/id")
    assert third["status"] == "recorded"


def test_original_and_amendment_in_one_batch(door: Door) -> None:
    """A phone's queue may hold both; the amendment is in force afterwards and the original is kept."""
    fact = door.fact("weighed", door.number(), mass="51.2 mg")
    amendment = door.amendment(fact["id"], {**fact, "body": {"mass": "512.3 mg"}})
    answers = door.tell_all([fact, amendment])

    assert [a["status"] for a in answers] == ["recorded", "recorded"]
    read = door.read(fact["id"])
    assert (read["body"], read["in_force"]["body"]) == ({"mass": "51.2 mg"}, {"mass": "512.3 mg"})


def test_what_depends_on_a_failed_fact_fails(door: Door) -> None:
    """An amendment and a confirmation of a fact that was not stored are not stored either, and say which it was."""
    bad = door.fact("weighed", door.number(), mass="512.3 mg", acting_for="TSI")
    amendment = door.amendment(bad["id"], {**bad, "body": {"mass": "512.4 mg"}})
    confirmation = door.fact("confirmed", door.number(), fact=bad["id"])
    _, *answers = door.tell_all([bad, amendment, confirmation])

    assert [a["problem"]["code"] for a in answers] == ["depends_on_failed", "depends_on_failed"]
    assert all(bad["id"] in a["problem"]["detail"] for a in answers)
    assert told(door, bad["id"], amendment["id"], confirmation["id"]) == set()


def test_an_id_twice_in_one_batch(door: Door) -> None:
    """The same words again are a repetition; other words under the id are refused; the first one stands."""
    fact = door.fact("seen", door.number())
    first, again, other = door.tell_all([fact, fact, {**fact, "kind": "found"}])

    assert (first["replayed"], again) == (False, {**first, "replayed": True})
    assert other["problem"]["code"] == "id_used_for_other_fact"
    assert event(door, fact["id"])["kind"] == "seen"


def test_a_thousand_facts(door: Door) -> None:
    """The most that one request may hold: all stored, in one transaction (one recorded_at a group)."""
    number = door.number()
    facts = [door.fact("seen", number) for _ in range(1000)]
    answers = door.tell_all(facts)

    assert {a["status"] for a in answers} == {"recorded"}
    assert [a["id"] for a in answers] == [f["id"] for f in facts]
    counted = door.all(EVENT, EVENT.c.id.in_([f["id"] for f in facts]))
    assert len(counted) == 1000
    assert [r["id"] for r in sorted(counted, key=lambda r: r["place_in_request"])] == [f["id"] for f in facts]


@pytest.mark.parametrize("count", [0, 1001])
def test_none_or_more_than_a_thousand(door: Door, count: int) -> None:
    """422 for the request as a whole; nothing of it is stored."""
    facts = [door.fact("seen", door.number()) for _ in range(count)]
    problem = door.service.post("/v1/events", {"facts": facts}, door.people["clerk"], 422)

    assert problem["errors"][0]["pointer"] == "/facts"
    assert told(door, *(f["id"] for f in facts[:500])) == set()


# -------------------------------------------------------------------------------------------------------- who comes in
def test_nobody_tells_without_a_token(door: Door) -> None:
    """401, and WWW-Authenticate names the scheme (RFC 9110 section 15.5.2, RFC 6750 section 3)."""
    fact = door.fact("seen", door.number())
    answer = door.service.client.post("/v1/events", json={"fact": fact})

    assert (answer.status_code, answer.json()["code"]) == (401, "not_signed_in")
    assert answer.headers["WWW-Authenticate"] == "Bearer"
    assert told(door, fact["id"]) == set()


def test_a_token_that_is_none(door: Door) -> None:
    """401 with the reason that RFC 6750 section 3.1 names."""
    headers = {"Authorization": "Bearer nonsense"}
    answer = door.service.client.post("/v1/events", json={"fact": door.fact()}, headers=headers)

    assert (answer.status_code, answer.json()["code"]) == (401, "bad_token")
    assert answer.headers["WWW-Authenticate"] == 'Bearer error="invalid_token"'


def test_who_only_reads_tells_nothing(door: Door) -> None:
    """An auditor reads all and writes nothing (design section 6): 403."""
    fact = door.fact("seen", door.number())
    code, pointer, _ = door.refused(fact, 403, "auditor")

    assert (code, pointer) == ("not_your_institution", "/fact/acting_for")
    assert told(door, fact["id"]) == set()


@pytest.mark.parametrize("whom", ["TSI", "CRK", "NOBODY"])
def test_nobody_speaks_for_another(door: Door, whom: str) -> None:
    """403, the same for an institution that is not there."""
    fact = door.fact("seen", door.number(), acting_for=whom)
    code, pointer, detail = door.refused(fact, 403)

    assert (code, pointer) == ("not_your_institution", "/fact/acting_for")
    assert detail == f'You do not act for {whom}. Name an institution that you act for in "acting_for".'


def test_anybody_may_state_what_they_see(door: Door) -> None:
    """Rulings 17: stating needs no relation, and the answer is the same whether or not the number is known."""
    known, unknown = door.number(), door.number()
    door.tell(door.fact("registered", known, item="sample"), "curator")
    answers = [
        door.tell(door.fact("seen", number, acting_for="TSI"), "analyst", device="scanner")
        for number in (known, unknown)
    ]

    assert [sorted(a) for a in answers] == [["flags", "happened_at", "id", "recorded_at", "replayed", "status"]] * 2
    assert [a["flags"] for a in answers] == [[], []]


def test_an_amendment_needs_the_newest_one_seen(door: Door) -> None:
    """Trade case 89 over HTTP: 409, naming the amendment that came in between; then it goes through."""
    number = door.number()
    door.tell(door.fact("stored", number, "2026-03-10T09:00:00Z", place="TRP-GB1"))
    fact = door.fact("seen", number)
    door.tell(fact)
    first = door.amendment(fact["id"], {**fact, "body": {"place": "TRP-GB1"}})
    door.tell(first)

    code, pointer, detail = door.refused(door.amendment(fact["id"], None), 409)
    assert (code, pointer) == ("amended_meanwhile", "/fact/body/expected")
    assert first["id"] in detail

    door.tell(door.amendment(fact["id"], None, expected=first["id"]))
    assert door.read(fact["id"])["in_force"] is None


def test_amending_what_is_not_there_or_not_an_original(door: Door) -> None:
    """404 for an unknown id; 409 for an amendment of an amendment, naming the original."""
    fact = door.fact("seen", door.number())
    door.tell(fact)
    amendment = door.amendment(fact["id"], fact)
    door.tell(amendment)

    assert door.refused(door.amendment(new_id(), None), 404)[:2] == ("not_found", "/fact/amends")
    code, pointer, detail = door.refused(door.amendment(amendment["id"], None), 409)
    assert (code, pointer) == ("amends_an_amendment", "/fact/amends")
    assert fact["id"] in detail


def test_outcomes_are_counted_after_the_commit(door: Door) -> None:
    """What /metrics says of facts: recorded, replayed and failed, one each."""

    def count(outcome: str) -> float:
        value: Any = door.service.service.metrics.registry.get_sample_value(
            "shipsvc_facts_told_total", {"kind": "seen", "outcome": outcome}
        )
        return float(value or 0)

    before = {outcome: count(outcome) for outcome in ("recorded", "replayed", "failed")}
    fact = door.fact("seen", door.number())
    door.tell_all([fact, fact, {**fact, "kind": "seen", "note": "other"}])

    assert {o: count(o) - before[o] for o in before} == {"recorded": 1, "replayed": 1, "failed": 1}


def test_the_log_holds_no_fact_twice(door: Door) -> None:
    """Whatever this module told: as many rows as ids, on either database."""
    with door.service.service.database.engine.connect() as connection:
        rows, ids = connection.execute(sa.select(sa.func.count(), sa.func.count(EVENT.c.id.distinct()))).one()
    assert rows == ids > 0
