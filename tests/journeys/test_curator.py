"""The curator: what is out, with whom, what is late, what does not add up, who had it then (trade.md 1.2).

What they fear: silent loss, a split with no number, overdue loans held by people who left.
"""

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from tests.journeys.steps import Box, House, Json, handed_to_courier, house, packed

OUT = {"taken out": "2026-03-11T08:00:00Z", "packed": "2026-03-11T08:30:00Z", "stored": "2026-03-14T01:40:00Z"}
HOUR_S = 3600


@dataclass(frozen=True)
class Lent:
    """A loan whose sample is at the laboratory since 14 March, due on 31 May in Tokyo."""

    house: House
    box: Box


def begun(of: House) -> Lent:
    """Sent on the 11th, which was told on the 20th; taken and stored on the 14th in local time."""
    box = packed(of, OUT["packed"], loan="L-01")
    receiver = of.person("receiver")
    of.person("driver").tells("accepted", box.box, "2026-03-11T10:05:00Z", from_="TRP", shipment=box.shipment)
    receiver.tells("accepted", box.box, "2026-03-14T09:10:00+09:00", from_="CRK", shipment=box.shipment)
    receiver.tells("stored", box.sample, "2026-03-14T10:40:00+09:00", place="TSI-N1")
    late = {"to": "CRK", "shipment": box.shipment}
    of.person("clerk").tells("released", box.box, "2026-03-11T10:05:00Z", "2026-03-20T16:00:00Z", **late)
    return Lent(of, box)


@pytest.fixture
def lent(sqlite_database_url: str) -> Iterator[Lent]:
    """The loan, on SQLite."""
    with house(sqlite_database_url) as found:
        yield begun(found)


@pytest.fixture
def anywhere(database_url: str) -> Iterator[Lent]:
    """The loan, once on each database."""
    with house(database_url) as found:
        yield begun(found)


def line(of: Lent, **moments: str) -> Json:
    """The one line of the loan."""
    (found,) = of.house.person("curator").asks("loans/L-01", **moments)["lines"]
    return dict(found)


def test_the_curator_asks_what_is_out(anywhere: Lent) -> None:
    """With whom, since when, where, until when, and how long out of storage: at least as seen, at most unproven."""
    anywhere.house.stand_at("2026-05-01T12:00:00Z")

    (row,) = anywhere.house.person("curator").rows("outstanding-loans")

    assert (row["item"], row["loan"], row["borrower"]) == (anywhere.box.sample, "L-01", "TSI")
    assert (row["certain"], row["certain_since"]) == ("TSI", "2026-03-14T00:10:00Z")
    assert (row["status"], row["place"], row["line"]) == ("stored", "TSI-N1", "held")
    # By hand: 31 May less 1 May in Tokyo, where it is 21:00 of the same day.
    assert (row["due_on"], row["days_left"]) == ("2026-05-31", 30)
    # Design section 5: in the open from 08:00 to 08:30 is proven; until it was stored, 65 h 40 min, nobody proved it
    # in, nor in the minute between its accession and its first storing.
    assert row["at_least_s"] == HOUR_S / 2
    assert row["at_most_s"] == 65 * HOUR_S + 40 * 60 + 60
    shown = anywhere.house.person("curator").asks(f"items/{anywhere.box.sample}/time-out")
    assert (shown["at_least_s"], shown["at_most_s"]) == (row["at_least_s"], row["at_most_s"])


def test_the_curator_extends_late_recalls_and_closes(anywhere: Lent) -> None:
    """Overdue from the end of the day in Tokyo; days without a due date stay uncovered; recalled, returned, closed."""
    curator = anywhere.house.person("curator")
    anywhere.house.stand_at("2026-05-31T14:59:59Z")
    assert (line(anywhere)["overdue"], curator.rows("overdue")) == (False, [])
    anywhere.house.stand_at("2026-05-31T15:00:00Z")
    assert (line(anywhere)["overdue"], line(anywhere)["days_overdue"]) == (True, 1)

    anywhere.house.stand_at("2026-06-12T09:00:00Z")
    (row,) = curator.rows("overdue")
    # Rulings 20: 1 to 12 June; the due day does not count.
    assert (row["item"], row["days_overdue"], row["uncovered_days"]) == (anywhere.box.sample, 12, 12)
    curator.does("loans/L-01/due", {"due_on": "2026-08-31", "because": "asked after the date"}, 200)
    extended = line(anywhere)
    assert (extended["due_on"], extended["overdue"], extended["uncovered_days"]) == ("2026-08-31", False, 12)

    anywhere.house.stand_at("2026-07-01T09:00:00Z")
    recalled = curator.does(
        "loans/L-01/recall", {"due_on": "2026-07-31", "because": "New decision on the reserve"}, 200
    )
    assert (recalled["state"], recalled["lines"][0]["due_on"]) == ("recalled", "2026-07-31")
    refused = curator.does("loans/L-01/close", {"because": "Reconciled"}, 409)
    assert refused["code"] == "rule_forbids"

    comes_back(anywhere)
    back = line(anywhere)
    assert (back["state"], back["in_time"], back["uncovered_days"]) == ("returned", True, 12)
    closed = curator.does("loans/L-01/close", {"because": "Reconciled"}, 200)
    assert closed["state"] == "closed"
    assert curator.rows("outstanding-loans") == []


def comes_back(of: Lent) -> None:
    """The sample travels home in July, both sides speaking at both ends, and goes into its place."""
    sample = of.box.sample
    of.house.person("receiver").tells("released", sample, "2026-07-20T15:00:00+09:00", to="CRK")
    of.house.person("driver").tells("accepted", sample, "2026-07-20T06:05:00Z", from_="TSI")
    of.house.person("driver").tells("released", sample, "2026-07-24T09:00:00Z", to="TRP")
    of.house.person("clerk").tells("accepted", sample, "2026-07-24T09:02:00Z", from_="CRK")
    of.house.person("preparator").tells("stored", sample, "2026-07-24T09:30:00Z", place="TRP-GB1")


def test_the_curator_asks_who_had_it_on_a_past_day(lent: Lent) -> None:
    """On 12 March: the courier said so, the clerk had not; as known now both had. Two clocks, two answers."""
    curator, sample = lent.house.person("curator"), lent.box.sample
    lent.house.stand_at("2026-05-01T12:00:00Z")
    noon = {"as_of": "2026-03-12T12:00:00Z"}

    then = curator.asks(f"items/{sample}", **noon, known_on="2026-03-13T00:00:00Z")
    now = curator.asks(f"items/{sample}", **noon)

    assert [then["custody"][name] for name in ("certain", "claimed", "handover")] == ["TRP", "CRK", "taker_only"]
    assert [now["custody"][name] for name in ("certain", "claimed", "handover")] == ["CRK", None, "agreed"]
    assert (then["provisional"], then["known_on"]) == (False, "2026-03-13T00:00:00Z")
    # The stretch that one side alone told of has closed up since.
    stretch = {"from": "2026-03-11T00:00:00Z", "to": "2026-03-13T00:00:00Z"}
    one_sided = curator.asks(f"items/{sample}/one-sided", **stretch, known_on="2026-03-13T00:00:00Z")
    assert one_sided["total_s"] == 37 * HOUR_S + 55 * 60
    assert curator.asks(f"items/{sample}/one-sided", **stretch)["total_s"] == 0
    # An auditor reads the same, a neighbour nothing.
    assert lent.house.person("auditor").asks(f"items/{sample}", **noon)["custody"] == now["custody"]
    lent.house.person("neighbour").asks(f"items/{sample}", 404, **noon)


def test_the_curator_asks_what_was_told_late_and_what_is_open(lent: Lent) -> None:
    """The release came nine days late; a box that only the clerk spoke of waits for the courier's word."""
    curator = lent.house.person("curator")
    (late,) = [row for row in curator.rows("told-late") if row["kind"] == "released"]
    assert (late["about"], late["acting_for"]) == ([lent.box.box], "TRP")
    # By hand: from 11 March 10:05 to 20 March 16:00.
    assert late["late_s"] == (9 * 24 + 5) * HOUR_S + 55 * 60
    assert curator.rows("open-handovers") == []

    second = packed(lent.house, "2026-03-23T08:30:00Z")
    words = {"to": "CRK", "shipment": second.shipment}
    told = lent.house.person("clerk").tells("released", second.box, "2026-03-23T10:00:00Z", **words)
    lent.house.stand_at("2026-03-26T12:00:00Z")

    (row,) = curator.rows("open-handovers")
    assert (row["item"], row["state"], row["silent_sides"]) == (second.box, "giver_only", ["taker"])
    assert (row["waiting_for"], row["days_open"], row["event_id"]) == (["CRK"], 3, told["id"])
    # Rulings 28: expected on the 14th, but it was heard of since, so it is late and not silent.
    assert curator.rows("silent-shipments") == []
    assert curator.asks(f"shipments/{second.shipment}")["overdue"] is True


def weighed(of: Lent, at: str, mass: str) -> Json:
    """A weighing at the laboratory."""
    return of.house.person("analyst").tells("weighed", of.box.sample, at, mass=mass, balance="B6")


def test_the_curator_asks_which_masses_disagree(lent: Lent) -> None:
    """Receipt agrees; two milligrams missing do not, nor is the book moved until the curator says so, and why."""
    curator, sample = lent.house.person("curator"), lent.box.sample
    weighed(lent, "2026-03-21T10:30:00+09:00", "1204.2 mg")
    lost = weighed(lent, "2026-04-21T10:30:00+09:00", "1194.3 mg")

    (row,) = curator.rows("mass-discrepancies")
    assert (row["event_id"], row["item"]) == (lost["id"], sample)
    assert (row["book_mg"], row["observed_mg"], row["difference_mg"]) == ("1204.3", "1194.3", "-10")
    # trade.md 2.3: r < -3 and more than a chip may lose in handling (the larger of 0.05 mg and 0.1 %).
    assert row["verdict"] == "unexplained_loss"
    assert row["r"] < -3
    assert curator.asks(f"items/{sample}")["book"]["mass_mg"] == "1204.3"

    posted = curator.does(f"items/{sample}/post-mass", {"weighing": lost["id"], "because": "case closed: see report"})

    assert (posted["before_mg"], posted["mass_mg"], posted["unexplained_mg"]) == ("1204.3", "1194.3", "10")
    assert curator.asks(f"items/{sample}")["book"]["mass_mg"] == "1194.3"


def test_the_curator_takes_a_report_home_as_a_table(lent: Lent) -> None:
    """CSV for a spreadsheet (RFC 4180), read with Python's csv: the same rows as in JSON, and of which moment."""
    curator = lent.house.person("curator")
    lent.house.stand_at("2026-06-12T09:00:00Z")

    text = curator.reads("reports/overdue", "text/csv").decode()
    (read,) = csv.DictReader(io.StringIO(text, newline=""), strict=True)

    page = curator.asks("reports/overdue")
    (row,) = page["items"]
    assert list(read) == [*row, "as_of", "known_on", "provisional"]
    assert {name: read[name] for name in row} == {name: "" if said is None else str(said) for name, said in row.items()}
    assert (read["as_of"], read["provisional"]) == ("2026-06-12T09:00:00Z", "true")


def test_two_boxes_do_not_get_mixed_up(lent: Lent) -> None:
    """What is told of one box is not told of the other: each sample keeps its own holder, and its own seal."""
    other = packed(lent.house, "2026-03-23T08:30:00Z", addressee="MRL")
    handed_to_courier(lent.house, other, "2026-03-23T10:05:00Z")

    held = {row["item"]: row["holder"] for row in lent.house.person("auditor").rows("holdings", institution="CRK")}

    assert held == dict.fromkeys((other.sample, other.vial, other.bag, other.jar, other.box), "CRK")
    assert lent.house.person("curator").asks(f"items/{lent.box.sample}")["custody"]["certain"] == "TSI"
