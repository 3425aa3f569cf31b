"""GET /v1/events/{id}: what was told and what became of it, for those whose it is to read (rulings 3, 16)."""

import pytest

from tests.web.door import Door, Json, new_id


def lent(door: Door) -> tuple[str, Json]:
    """A sample of the lender that the laboratory has accepted; its number, and the fact that it was weighed there."""
    number = door.number()
    door.tell(door.fact("registered", number, "2026-03-01T09:00:00Z", item="sample", mass="512.46 mg"))
    door.tell(door.fact("released", number, "2026-03-02T09:00:00Z", to="TSI"))
    door.tell(door.fact("accepted", number, "2026-03-05T09:00:00Z", acting_for="TSI", from_="TRP"), "analyst")
    weighed = door.fact(
        "weighed", number, "2026-03-06T09:00:00Z", acting_for="TSI", mass="51.2 mg", why="check", note="n"
    )
    door.tell(weighed, "analyst", device="bench-2")
    return number, weighed


def stored(door: Door) -> str:
    """A sample in the lender's store, with which nobody else has to do; its number."""
    number = door.number()
    door.tell(door.fact("registered", number, "2026-03-01T09:00:00Z", item="sample", mass="512.46 mg"))
    door.tell(door.fact("stored", number, "2026-03-01T09:30:00Z", place="TRP-GB1"))
    return number


def test_a_fact_is_read_back_as_it_was_told(door: Door) -> None:
    """What, by whom, for whom, when, raw and counted, how late, with its note; and what it bears on."""
    number = stored(door)
    time = {"raw": "2026-03-10T20:00:00+09:00", "source": "device", "uncertainty_s": 60, "sequence": 17, "boot": "7"}
    fact = door.fact("weighed", number, mass="512.3 mg", balance="B7", note="draughty", time=time, acting_for="TSI")
    answer = door.tell(fact, "analyst", device="phone-3", device_now="2026-03-10T11:59:00Z", boot="7")
    read = door.read(fact["id"], "analyst")

    wording = {
        "kind": "weighed",
        "subjects": [number],
        "time": {**time, "happened_at": "2026-03-10T11:01:00Z", "happened_latest": "2026-03-10T11:01:00Z"},
        "body": fact["body"],
    }
    assert read.pop("note")["text"] == "draughty"
    assert len(read.pop("digest")) == len(read.pop("request_digest")) == 64
    assert read == {
        **wording,
        "id": fact["id"],
        "by": door.service.people["analyst"],
        "acting_for": "TSI",
        "device": "phone-3",
        "recorded_at": answer["recorded_at"],
        "told_late_s": 59 * 60,
        "flags": [],
        "items": [],  # known to be the lender's, and the laboratory has nothing to do with it
        "amends": None,
        "amendments": [],
        "in_force": wording,
    }
    assert door.read(fact["id"], "curator")["items"] == [number]


def test_numbers_are_written_as_people_see_them(door: Door) -> None:
    """With check characters, in the body as well; a scanned print stays the print that it was (rulings 4)."""
    sample, vial = door.number(), door.number("V")
    attached = door.fact("label_attached", f"{sample.replace('-', '')}.1", to=vial)
    divided = door.fact("divided", sample, children=[{"number": door.number(), "mass": "10 mg"}])
    door.tell_all([attached, divided])

    read = door.read(attached["id"])
    assert (read["subjects"], read["body"]) == ([f"{sample.replace('-', '')}.1"], {"to": vial})
    assert door.read(divided["id"])["body"] == divided["body"]


def test_amendments_with_before_and_after(door: Door) -> None:
    """Oldest first, each with who, for whom, why, what held before and what after; the last one is in force."""
    number, weighed = lent(door)
    first = door.amendment(weighed["id"], {**weighed, "body": {"mass": "512.3 mg"}}, acting_for="TSI")
    door.tell(first, "analyst")
    second = door.amendment(weighed["id"], None, expected=first["id"])
    door.tell(second, "curator")

    read = door.read(weighed["id"])
    assert [a["id"] for a in read["amendments"]] == [first["id"], second["id"]]
    assert [a["by"] for a in read["amendments"]] == [door.service.people[who] for who in ("analyst", "curator")]
    assert [a["acting_for"] for a in read["amendments"]] == ["TSI", "TRP"]
    assert {a["because"] for a in read["amendments"]} == {"read off wrongly"}
    said = [(a["before"]["body"], a["after"] and a["after"]["body"]) for a in read["amendments"]]
    assert said == [(weighed["body"], {"mass": "512.3 mg"}), ({"mass": "512.3 mg"}, None)]
    assert (read["body"], read["in_force"]) == (weighed["body"], None)
    assert read["amendments"][0]["before"]["subjects"] == [number]


def test_an_amendment_is_read_by_its_own_id(door: Door) -> None:
    """It names the original and holds what it put in its place; the story of the original comes with it."""
    _, weighed = lent(door)
    amendment = door.amendment(weighed["id"], {**weighed, "body": {"mass": "512.3 mg"}}, acting_for="TSI")
    door.tell(amendment, "analyst")

    read = door.read(amendment["id"], "analyst")
    assert (read["kind"], read["amends"]) == ("amended", weighed["id"])
    assert read["body"]["replacement"]["body"] == {"mass": "512.3 mg"}
    assert read["body"]["replacement"]["subjects"] == weighed["subjects"]
    assert read["in_force"]["kind"] == "weighed"
    assert [a["id"] for a in read["amendments"]] == [amendment["id"]]


@pytest.mark.parametrize("who", ["analyst", "clerk", "curator", "auditor"])
def test_who_reads_it(door: Door, who: str) -> None:
    """Those who told it, the owner of the item, and an auditor: all of it, the note too."""
    _, weighed = lent(door)

    read = door.read(weighed["id"], who)
    assert (read["body"], read["note"]["text"]) == (weighed["body"], "n")


def test_for_all_others_it_is_not_there(door: Door) -> None:
    """404 with the same words as for an id that was never used: unknown and not theirs look alike (rulings 16)."""
    _, weighed = lent(door)
    never_used = new_id()

    hidden, unknown = door.read(weighed["id"], "driver", 404), door.read(never_used, "driver", 404)

    assert str(hidden).replace(weighed["id"], "") == str(unknown).replace(never_used, "")
    assert hidden["detail"].endswith("Check how it is written.")


def test_who_has_to_do_with_it_reads_without_notes_and_reasons(door: Door) -> None:
    """Rulings 16: a holder reads the facts of the time before and of its own, without others' purposes and results."""
    number, _ = lent(door)
    noted = door.fact(
        "condition_noted", number, "2026-03-01T10:00:00Z", words="cracked", shipment="T-9", note="private"
    )
    door.tell(noted)

    read = door.read(noted["id"], "analyst")
    assert (read["body"], read["note"], read["subjects"]) == ({"shipment": "T-9"}, None, [number])
    assert read["in_force"]["body"] == {"shipment": "T-9"}


def test_other_peoples_items_are_left_out(door: Door) -> None:
    """A fact about two samples, one of them lent: the laboratory reads of that one only."""
    number, _ = lent(door)
    other = door.number()
    seen = door.fact("seen", f"{other} {number}", "2026-03-01T10:00:00Z")
    door.tell(seen)

    assert door.read(seen["id"])["subjects"] == [other, number]
    assert door.read(seen["id"], "analyst")["subjects"] == [number]
    assert other not in str(door.read(seen["id"], "analyst"))


def test_what_comes_after_is_not_theirs(door: Door) -> None:
    """Rulings 16: once it is back, what is told of it is the owner's business; what they told stays theirs."""
    number, weighed = lent(door)
    door.tell(door.fact("released", number, "2026-03-07T09:00:00Z", acting_for="TSI", to="TRP"), "analyst")
    door.tell(door.fact("accepted", number, "2026-03-08T09:00:00Z", from_="TSI"))
    afterwards = door.fact("seen", number, "2026-03-09T09:00:00Z")
    door.tell(afterwards)

    door.read(afterwards["id"], "analyst", 404)
    door.read(weighed["id"], "analyst")


def test_a_strangers_word_stays_theirs_to_read(door: Door) -> None:
    """Rulings 16: for ever what they told, and with it what became of that, but not what else it bears on."""
    number = stored(door)
    seen = door.fact("seen", number, acting_for="CRK")
    door.tell(seen, "driver")
    door.tell(door.amendment(seen["id"], {**seen, "body": {"place": "TRP-GB1"}}), "curator")

    read = door.read(seen["id"], "driver")
    assert (read["subjects"], read["items"]) == ([number], [])
    assert read["in_force"]["body"] == {"place": "TRP-GB1"}


def test_a_token_is_needed_and_an_id_has_its_form(door: Door) -> None:
    """401 without a token; 422 for what is no id."""
    fact = door.fact("seen", door.number())
    door.tell(fact)

    assert door.service.client.get(f"/v1/events/{fact['id']}").status_code == 401
    problem = door.read("7", status=422)
    assert problem["errors"][0]["pointer"] == "/id"
