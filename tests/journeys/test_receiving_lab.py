"""The receiving laboratory: what is coming, as found before touching, weighed, stored, corrected (trade.md 1.2).

What they fear: being blamed for damage in transit.
"""

from collections.abc import Iterator

import pytest

from tests.journeys.steps import Box, House, Json, handed_to_courier, house, packed

SHIPPED = "2026-03-11T10:05:00Z"


@pytest.fixture
def laboratory(sqlite_database_url: str) -> Iterator[House]:
    """The story's beginning, on SQLite."""
    with house(sqlite_database_url) as found:
        yield found


@pytest.fixture
def anywhere(database_url: str) -> Iterator[House]:
    """The story's beginning, once on each database."""
    with house(database_url) as found:
        yield found


def arrived(of: House) -> Box:
    """A box that both sides handed to the courier and that the laboratory took from it, in local time."""
    box = packed(of, loan="L-01")
    handed_to_courier(of, box, SHIPPED)
    of.person("receiver").tells("accepted", box.box, "2026-03-14T09:10:00+09:00", from_="CRK", shipment=box.shipment)
    return box


def custody(of: House, login: str, number: str, **moments: str) -> tuple[str | None, str | None, str]:
    """Certain holder, claimed holder and state of the handover, as that person is told."""
    held = of.person(login).asks(f"items/{number}", **moments)["custody"]
    return held["certain"], held["claimed"], held["handover"]


def test_the_laboratory_sees_what_is_coming(laboratory: House) -> None:
    """What, from whom, when, how to keep it, and what is packed in what; not a word for those it does not concern."""
    box = packed(laboratory, loan="L-01")
    handed_to_courier(laboratory, box, SHIPPED)

    (coming,) = laboratory.person("receiver").asks("arriving", institution="TSI")["items"]

    assert (coming["code"], coming["consignor"], coming["carrier"]) == (box.shipment, "TRP", "CRK")
    assert (coming["expected_by"], coming["handling"]) == ("2026-03-14T12:00:00Z", "Keep upright and dry.")
    assert (coming["overdue"], coming["contents"][0]["state"]) == (False, "moving")
    jar = coming["packed"][0]["contents"][0]
    sample = jar["contents"][0]["contents"][0]["contents"][0]
    assert (jar["number"], sample["number"], sample["mass_mg"]) == (box.jar, box.sample, "1204.3")
    laboratory.person("neighbour").asks("arriving", 403, institution="TSI")


def test_the_laboratory_accepts_before_the_release_was_told(anywhere: House) -> None:
    """One side's word is an open handover with a certain and a claimed holder; the other's, told late, closes it."""
    box = packed(anywhere, loan="L-01")
    receiver = anywhere.person("receiver")
    before = receiver.tells(
        "accepted", box.box, "2026-03-14T09:10:00+09:00", "2026-03-14T00:12:00Z", from_="CRK", shipment=box.shipment
    )

    assert custody(anywhere, "receiver", box.sample) == ("TRP", "TSI", "taker_only")
    (row,) = anywhere.person("curator").rows("open-handovers")
    assert (row["item"], row["certain"], row["claimed"], row["state"]) == (box.box, "TRP", "TSI", "taker_only")
    assert (row["silent_sides"], row["event_id"]) == (["giver"], before["id"])
    assert box.sample in row["contents"]

    handed_to_courier(anywhere, box, SHIPPED, told="2026-03-15T07:30:00Z")

    assert custody(anywhere, "receiver", box.sample) == ("TSI", None, "agreed")
    since = receiver.asks(f"items/{box.sample}")["custody"]["certain_since"]
    assert since == "2026-03-14T00:10:00Z"
    assert anywhere.person("curator").rows("open-handovers") == []
    # What was known on the 14th stays what it was.
    as_known = {"as_of": "2026-03-14T06:00:00Z", "known_on": "2026-03-14T06:00:00Z"}
    assert custody(anywhere, "curator", box.sample, **as_known) == ("TRP", "TSI", "taker_only")


def seals(of: House, box: Box, who: str) -> dict[str, str]:
    """The state of each seal of the box and the jar in it, as that person reads it."""
    (outer,) = of.person(who).asks(f"shipments/{box.shipment}/packing-list")["contents"]
    return {seal["seal"]: seal["state"] for thing in (outer, outer["contents"][0]) for seal in thing["seals"]}


def test_the_laboratory_notes_what_it_found_before_touching(laboratory: House) -> None:
    """The box seal is broken, the inner one intact: both on record, with a photograph, before anything is opened."""
    box = arrived(laboratory)
    receiver = laboratory.person("receiver")
    assert seals(laboratory, box, "receiver") == {"S-0002": "put_on", "S-0001": "put_on"}
    photograph = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"

    receiver.tells("seal_checked", box.box, "2026-03-14T09:12:00+09:00", seals=[{"seal": "S-0002", "state": "broken"}])
    receiver.tells("condition_noted", box.box, "2026-03-14T09:13:00+09:00", words="corner crushed, tape cut")
    receiver.tells("photographed", box.box, "2026-03-14T09:14:00+09:00", files_sha256=[photograph])
    receiver.tells("seal_checked", box.jar, "2026-03-14T09:15:00+09:00", seals=[{"seal": "S-0001", "state": "intact"}])

    assert seals(laboratory, box, "curator") == {"S-0002": "broken", "S-0001": "intact"}
    history = laboratory.person("curator").asks(f"items/{box.box}/history")["items"]
    found = [fact["body"].get("words") or fact["body"].get("files_sha256") for fact in history]
    assert "corner crushed, tape cut" in found
    assert [photograph] in found


def comparison(of: House, who: str = "curator", **asked: str) -> list[Json]:
    """Every weighing against the book."""
    return of.person(who).rows("mass-discrepancies", verdict="all", **asked)


def test_the_laboratory_weighs_and_stores(anywhere: House) -> None:
    """Seen by its label, weighed within its uncertainty, put in its place: all in local time, the book untouched."""
    box = arrived(anywhere)
    analyst, printed = anywhere.person("analyst"), box.labels[box.sample]
    told = analyst.tells("seen", printed, "2026-03-14T10:20:00+09:00")
    analyst.tells("weighed", box.sample, "2026-03-14T10:30:00+09:00", mass="1204.2 mg", balance="B6")
    analyst.tells("stored", box.sample, "2026-03-14T10:40:00+09:00", place="TSI-N1")

    (row,) = comparison(anywhere)
    # trade.md 2.2 and 2.3: u = sqrt 2 sqrt(s^2 + d^2/12) of each, D = -0.1 mg, |r| <= 2 agrees.
    u = (2 * (0.15**2 + 0.1**2 / 12) + 2 * (0.025**2 + 0.01**2 / 12)) ** 0.5
    assert (row["difference_mg"], row["verdict"], row["by_party"]) == ("-0.1", "agrees", "TSI")
    assert float(row["u_mg"]) == pytest.approx(u, abs=1e-6)
    assert row["r"] == pytest.approx(-0.1 / u, abs=1e-3)

    shown = analyst.asks(f"items/{box.sample}")
    assert (shown["where"]["status"], shown["where"]["place"]) == ("stored", "TSI-N1")
    assert shown["where"]["since"] == "2026-03-14T01:40:00Z"
    assert shown["book"]["mass_mg"] == "1204.3"
    said = analyst.asks(f"events/{told['id']}")
    assert (said["time"]["raw"], said["time"]["happened_at"]) == ("2026-03-14T10:20:00+09:00", "2026-03-14T01:20:00Z")
    assert said["subjects"] == [printed]


def test_a_day_is_a_day_of_the_laboratory(laboratory: House) -> None:
    """A bare date is that whole day in Tokyo: from 15:00 of the day before to 15:00, by UTC (no summer time there)."""
    box = arrived(laboratory)
    analyst = laboratory.person("analyst")

    told = analyst.tells("refilled", box.box, "2026-03-14", "2026-03-16T00:00:00Z", words="silica gel")

    time = analyst.asks(f"events/{told['id']}")["time"]
    assert (time["happened_at"], time["happened_latest"]) == ("2026-03-13T15:00:00Z", "2026-03-14T15:00:00Z")


def test_a_decimal_slip_is_amended_and_not_forgotten(laboratory: House) -> None:
    """120.42 for 1204.2 is a likely slip at once; amended it agrees, and what was said first stays to be read."""
    box = arrived(laboratory)
    analyst = laboratory.person("analyst")
    weighing = {"kind": "weighed", "subjects": box.sample, "at": "2026-03-14T10:30:00+09:00", "balance": "B6"}
    slip = analyst.tells(**weighing, mass="120.42 mg")
    assert [row["verdict"] for row in comparison(laboratory)] == ["likely_slip"]

    mended = analyst.amends(
        slip["id"], "decimal slip, printout attached", "2026-03-15T23:30:00Z", **weighing, mass="1204.2 mg"
    )

    (now,) = comparison(laboratory)
    assert (now["event_id"], now["observed_mg"], now["verdict"]) == (slip["id"], "1204.2", "agrees")
    (then,) = comparison(laboratory, known_on="2026-03-15T00:00:00Z")
    assert (then["observed_mg"], then["verdict"]) == ("120.42", "likely_slip")
    history = laboratory.person("curator").asks(f"items/{box.sample}/history")["items"]
    (entry,) = [fact for fact in history if fact["kind"] == "weighed"]
    (amendment,) = entry["amendments"]
    assert (amendment["event_id"], amendment["because"]) == (mended["id"], "decimal slip, printout attached")
    assert (amendment["before"]["body"]["mass"], entry["body"]["mass"]) == ("120.42 mg", "1204.2 mg")


def test_a_misdelivered_box_is_not_taken(laboratory: House) -> None:
    """A box meant for another laboratory: its refusal is recorded and moves nothing; the courier still answers."""
    box = packed(laboratory, addressee="MRL")
    handed_to_courier(laboratory, box, SHIPPED)

    told = laboratory.person("receiver").tells(
        "rejected", box.box, "2026-03-14T09:10:00+09:00", from_="CRK", shipment=box.shipment, why="not for us"
    )

    assert (told["status"], told["flags"]) == ("recorded", [])
    assert custody(laboratory, "curator", box.sample)[:2] == ("CRK", None)
    laboratory.person("receiver").asks(f"items/{box.sample}", 404)
    (coming,) = laboratory.person("neighbour").asks("arriving", institution="MRL")["items"]
    assert coming["code"] == box.shipment
    history = laboratory.person("curator").asks(f"items/{box.box}/history")["items"]
    assert (history[-1]["kind"], history[-1]["acting_for"], history[-1]["body"]["why"]) == (
        "rejected",
        "TSI",
        "not for us",
    )
