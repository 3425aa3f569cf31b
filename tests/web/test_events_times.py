"""Times, notes and digests of what is told over HTTP (design section 5; rulings 5, 6, 7)."""

import hashlib
import json
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.store.tables import Event, Note, table
from shipsvc.store.tables_derived import Flag
from tests.web.door import BOX, Door, Json

EVENT, NOTE, FLAG = table(Event), table(Note), table(Flag)


def from_device(raw: str, **more: Any) -> Json:
    """A time read on a device."""
    return {"raw": raw, "source": "device", **more}


def happened(
    door: Door, raw: str, device_now: str | None, envelope_boot: str = "7", **time: Any
) -> tuple[str, list[str]]:
    """Tell a fact timed by a device; when it counts as having happened, and the flags."""
    fact = door.fact("seen", door.number(), time=from_device(raw, **time))
    answer = door.tell(fact, device="phone-3", device_now=device_now, boot=envelope_boot)
    return answer["happened_at"], answer["flags"]


# ---------------------------------------------------------------------------------------------------------------- skew
def test_a_slow_clock_is_set_right(door: Door) -> None:
    """Demo E-16 on another day: 15:58:18 on a device that reads 15:58:20 at our 16:11:20 was 16:11:18; flagged."""
    door.service.clock.at = parse_instant("2026-03-10T16:11:20Z")
    signed_in = door.service.token("clerk")
    fact = door.fact("seen", BOX, time=from_device("2026-03-10T15:58:18Z"))
    request = {"fact": fact, "device": "phone-5", "device_now": "2026-03-10T15:58:20Z"}
    answer = door.service.post("/v1/events", request, signed_in)

    assert (answer["happened_at"], answer["flags"]) == ("2026-03-10T16:11:18Z", ["clock_skew"])
    read = door.service.get(f"/v1/events/{fact['id']}", signed_in)["time"]
    assert (read["raw"], read["happened_at"]) == ("2026-03-10T15:58:18Z", "2026-03-10T16:11:18Z")
    (flag,) = door.all(FLAG, FLAG.c.event_id == fact["id"])
    assert flag["detail"] == "+780 s"


@pytest.mark.parametrize(
    ("device_now", "counts", "flags"),
    [
        ("2026-03-10T12:00:02Z", "2026-03-10T11:00:00Z", []),
        ("2026-03-10T11:59:57Z", "2026-03-10T11:00:03Z", []),
        ("2026-03-10T11:58:00Z", "2026-03-10T11:02:00Z", []),
        ("2026-03-10T11:57:59Z", "2026-03-10T11:02:01Z", ["clock_skew"]),
        ("2026-03-10T12:02:01Z", "2026-03-10T10:57:59Z", ["clock_skew"]),
        ("2026-03-10T21:00:00+09:00", "2026-03-10T11:00:00Z", []),
        (None, "2026-03-10T11:00:00Z", []),
    ],
)
def test_from_which_skew_on(door: Door, device_now: str | None, counts: str, flags: list[str]) -> None:
    """Up to 2 s is the network's, beyond 2 min is flagged (rulings 5; design section 5); nothing without device_now."""
    assert happened(door, "2026-03-10T11:00:00Z", device_now) == (counts, flags)


def test_only_a_devices_time_is_moved(door: Door) -> None:
    """What was typed, or written on a carrier's paper, was not read off that clock (rulings 5)."""
    for source in ("typed", "carrier", "import"):
        fact = door.fact("seen", door.number(), time={"raw": "2026-03-10T11:00:00Z", "source": source})
        assert door.tell(fact, device_now="2026-03-10T11:00:00Z")["happened_at"] == "2026-03-10T11:00:00Z"


def test_a_device_that_was_started_anew(door: Door) -> None:
    """Design section 5: another boot counter at upload, so the skew then says nothing of the scan: kept and flagged."""
    raw, now = "2026-03-10T11:00:00Z", "2026-03-10T11:00:00Z"

    assert happened(door, raw, now, envelope_boot="8", boot="7") == (raw, ["time_unsure"])
    assert happened(door, raw, now, envelope_boot="7", boot="7") == ("2026-03-10T12:00:00Z", ["clock_skew"])


# -------------------------------------------------------------------------------------------------------------- future
def test_what_is_still_to_come_drives_nothing_until_then(door: Door) -> None:
    """Kept, flagged, and the item is where it was until its time (design section 5)."""
    number = door.number()
    door.tell(door.fact("stored", number, "2026-03-10T09:00:00Z", place="TRP-GB1"))
    answer = door.tell(door.fact("stored", number, "2026-03-10T12:10:00Z", place="TRP-GB2"))

    assert (answer["flags"], answer["happened_at"]) == (["future"], "2026-03-10T12:10:00Z")

    def place() -> str | None:
        found: str | None = door.service.get(f"/v1/items/{number}", door.people["clerk"])["where"]["place"]
        return found

    assert place() == "TRP-GB1"
    door.service.clock.forward(minutes=9, seconds=59)
    assert place() == "TRP-GB1"
    door.service.clock.forward(seconds=1)
    assert place() == "TRP-GB2"


@pytest.mark.parametrize(("ahead", "flags"), [("12:02:00", []), ("12:02:01", ["future"])])
def test_from_when_on_it_is_the_future(door: Door, ahead: str, flags: list[str]) -> None:
    """Two minutes are tolerated: clocks differ."""
    assert door.tell(door.fact("seen", door.number(), f"2026-03-10T{ahead}Z"))["flags"] == flags


# ----------------------------------------------------------------------------------------------------------- bare dates
@pytest.mark.parametrize(
    ("who", "institution", "day", "first", "end"),
    [
        # Tokyo is 9 h ahead all year; London turns its clocks on 2025-03-30, a day of 23 hours (IANA tz).
        ("analyst", "TSI", "2026-03-09", "2026-03-08T15:00:00Z", "2026-03-09T15:00:00Z"),
        ("clerk", "TRP", "2025-03-30", "2025-03-30T00:00:00Z", "2025-03-30T23:00:00Z"),
        ("clerk", "TRP", "2025-07-01", "2025-06-30T23:00:00Z", "2025-07-01T23:00:00Z"),
    ],
)
def test_a_bare_date_is_a_day_at_the_institution(
    door: Door, who: str, institution: str, day: str, first: str, end: str
) -> None:
    """Rulings 6: the whole local day of the institution that tells it; told late counts from its end (rulings 28)."""
    fact = door.fact("seen", door.number(), day, acting_for=institution)

    assert door.tell(fact, who)["happened_at"] == first
    read = door.read(fact["id"], who)
    assert (read["time"]["raw"], read["time"]["happened_latest"]) == (day, end)
    late = parse_instant(read["recorded_at"]) - parse_instant(end)
    assert read["told_late_s"] == int(late.total_seconds())


def test_very_early_times(door: Door) -> None:
    """A fall of long ago is a fact as well: its lateness is more seconds than 32 bits hold."""
    fact = door.fact("found", door.number(), "1492-11-07T11:30:00Z")
    door.tell(fact)

    assert door.read(fact["id"])["told_late_s"] > 2**31


# ---------------------------------------------------------------------------------------------------- notes and digests
def sha256(content: Any) -> str:
    """SHA-256 of the canonical form. Of texts in ASCII and small whole numbers RFC 8785 is JSON with sorted keys."""
    return hashlib.sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def digests(door: Door, sent: Json, note_hash: str | None = None) -> tuple[str, str]:
    """(request_digest, digest) by the words of rulings 5 and 7, from what was sent and what was answered."""
    read = door.read(sent["id"])
    request = sha256({**sent, "note": note_hash})
    proof = {
        "request": request,
        "actor": door.service.people["clerk"],
        "acting_for": sent["acting_for"],
        "happened_at": read["time"]["happened_at"],
        "recorded_at": read["recorded_at"],
    }
    return request, sha256(proof)


def stored(door: Door, event_id: str) -> tuple[str, str]:
    """(request_digest, digest) in the log."""
    (row,) = door.all(EVENT, EVENT.c.id == event_id)
    return row["request_digest"], row["digest"]


def test_a_digest_can_be_made_again(door: Door) -> None:
    """Rulings 5 and 7 by hand: the fact word for word, with hyphens as typed, then who, for whom and both times."""
    packed = door.fact("packed", door.number(), into=door.number("V").lower(), why="cafe")
    amendment = door.amendment(packed["id"], {**packed, "time": {"raw": "2026-03-10T10:59:00+00:00"}})
    door.tell(packed)
    door.tell(amendment)

    for fact in (packed, amendment):
        assert stored(door, fact["id"]) == digests(door, fact)


def test_every_word_counts(door: Door) -> None:
    """Told with the skew of a device: the digest holds the raw time and the corrected one."""
    fact = door.fact("seen", door.number(), time=from_device("2026-03-10T11:00:00Z", sequence=17))
    door.tell(fact, device="phone-3", device_now="2026-03-10T11:50:00Z")

    request, digest = digests(door, fact)
    assert stored(door, fact["id"]) == (request, digest)
    assert sha256({**fact, "time": {**fact["time"], "sequence": 18}, "note": None}) != request


def test_a_note_stands_apart_and_can_be_erased(door: Door) -> None:
    """Rulings 7: the log holds a salted hash of it; with the row gone the digest holds, and no word of it is left."""
    fact = door.fact("condition_noted", door.number(), note="J. Example had wet hands")
    door.tell(fact)
    note = door.read(fact["id"])["note"]
    hashed = hashlib.sha256(f"{note['salt']}{note['text']}".encode()).hexdigest()
    before = stored(door, fact["id"])
    assert before == digests(door, fact, hashed)

    with door.service.service.database.engine.begin() as connection:
        connection.execute(sa.delete(NOTE).where(NOTE.c.event_id == fact["id"]))

    assert door.read(fact["id"])["note"] is None
    assert stored(door, fact["id"]) == before == digests(door, fact, hashed)
    assert "wet hands" not in json.dumps([repr(rows) for rows in door.stored().values()])


def test_the_same_note_is_hashed_otherwise_each_time(door: Door) -> None:
    """The salt is drawn anew, so that nobody can try out likely words on an erased note."""
    facts = [door.fact("seen", door.number(), note="box was wet") for _ in range(2)]
    door.tell_all(facts)
    salts = {door.read(fact["id"])["note"]["salt"] for fact in facts}

    assert len(salts) == 2
    assert all(len(salt) >= 32 for salt in salts)  # 128 bits as hexadecimal digits


def test_no_request_sets_the_time_of_recording(door: Door) -> None:
    """Rulings 8: it is ours, and rises for each item even while our clock stands still."""
    number = door.number()
    times = [door.tell(door.fact("seen", number))["recorded_at"] for _ in range(3)]

    assert times[0] == format_instant(door.service.clock())
    assert sorted(set(times), key=parse_instant) == times
