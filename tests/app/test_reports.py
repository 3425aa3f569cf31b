"""Reports of loans, holdings and time out, by facts told through the one door; answers of demo.md 7.5."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from shipsvc.app import reports
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, asked
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from tests.world import World, number, typed

Read = Callable[..., list[Entry]]
DEMO_NOW = "2026-11-25T12:00:00Z"
TORONTO: dict[str, Any] = {"zone": "America/Toronto", "lender": "TRP", "borrower": "TSI", "loan": "L-05"}
VIALS = ["BRM-0017", "BRM-0019"]


@pytest.fixture
def world(database: Database) -> World:
    """The same world on each database."""
    return World(database)


def somebody(institution: str, role: str = "clerk") -> Actor:
    """A person with one role."""
    return Actor(f"q-{institution}", frozenset({(institution, role)}))


def when(world: World, as_of: str | None = None, known_on: str | None = None, now: str | None = None) -> Asked:
    """Moments of a question that is asked at ``now``, else when the last fact was told."""
    at, known = (parse_instant(text) if text else None for text in (as_of, known_on))
    return asked(at, known, parse_instant(now) if now else world.clock)


def read(
    world: World,
    report: Read,
    who: str | Actor = "TRP",
    as_of: str | None = None,
    known_on: str | None = None,
    now: str | None = None,
    limit: int = 100,
    after: tuple[str, ...] | None = None,
    **filters: Any,
) -> list[dict[str, Any]]:
    """The rows of a report for somebody of an institution."""
    actor = somebody(who) if isinstance(who, str) else who
    with world.database.engine.connect() as connection:
        found = report(connection, actor, when(world, as_of, known_on, now), after, limit, **filters)
    return [entry.fields for entry in found]


def lend(world: World, numbers: list[str], **terms: Any) -> None:
    """Samples in their store, a loan signed, released and accepted by its borrower."""
    world.tell("registered", numbers, "2025-04-02T09:00:00Z", item="sample", mass="250.12 mg", balance="B2")
    world.tell("stored", numbers, "2025-04-02T10:00:00Z", place="TRP-GB1")
    world.tell("loan_signed", numbers, "2025-04-15T09:00:00Z", **terms)
    world.tell("released", numbers, "2025-04-23T13:00:00Z", to=terms["borrower"])
    world.tell("accepted", numbers, "2025-04-30T15:05:00Z", terms["borrower"], from_="TRP")


def l_05(world: World) -> None:
    """L-05 as demo.md tells it: due 2026-04-30, extended 22 days late to 2026-10-31, one of two lines back."""
    lend(world, VIALS, **TORONTO, due_on="2026-04-30")
    world.tell("released", "BRM-0017", "2026-05-15T18:00:00Z", "TSI", to="TRP")
    world.tell("accepted", "BRM-0017", "2026-05-20T09:30:00Z", from_="TSI")
    world.tell("due_set", "BRM-0019", "2026-05-22T12:00:00Z", loan="L-05", due_on="2026-10-31")


def test_outstanding_says_with_whom_since_when_and_until_when(world: World) -> None:
    """What is out and nothing else; days left are local days of the loan's zone (A12: L-08 is due in 36 days)."""
    lend(world, ["BRM-0022"], zone="Asia/Tokyo", lender="TRP", borrower="TSI", loan="L-08", due_on="2026-12-31")
    world.tell("registered", "BRM-0003", "2025-04-02T09:00:00Z", item="sample")

    (line,) = read(world, reports.outstanding, now=DEMO_NOW)

    assert (line["item"], line["loan"], line["line"]) == (typed("BRM-0022"), "L-08", "held")
    assert (line["certain"], line["claimed"]) == ("TSI", None)
    assert line["certain_since"] == parse_instant("2025-04-30T15:05:00Z")
    assert (line["due_on"], line["days_left"]) == (date(2026, 12, 31), 36)
    # At 16:00 UTC it is already the 26th in Tokyo.
    (line,) = read(world, reports.outstanding, now="2026-11-25T16:00:00Z")
    assert line["days_left"] == 35


def test_outstanding_time_out_is_what_exposure_finds(world: World) -> None:
    """In store until released; from the release to the end of the question nobody has proven that it was in."""
    lend(world, ["BRM-0022"], **TORONTO)
    world.tell("taken_out", "BRM-0022", "2025-05-02T10:00:00Z", "TSI")
    world.tell("stored", "BRM-0022", "2025-05-02T10:20:00Z", "TSI", place="TSI-N1")

    (line,) = read(world, reports.outstanding, now="2025-05-03T00:00:00Z")

    assert line["at_least_s"] >= 20 * 60
    assert line["at_most_s"] >= line["at_least_s"]
    (row,) = read(world, reports.time_out, now="2025-05-03T00:00:00Z")
    assert (row["at_least_s"], row["at_most_s"]) == (line["at_least_s"], line["at_most_s"])


def test_overdue_and_uncovered_days_of_l_05(world: World) -> None:
    """A6: 0019 is 25 days late on the extended date, and 22 + 25 days were without a due date in force."""
    l_05(world)

    (line,) = read(world, reports.overdue, now=DEMO_NOW)

    assert (line["item"], line["due_on"]) == (typed("BRM-0019"), date(2026, 10, 31))
    assert (line["days_overdue"], line["uncovered_days"]) == (25, 47)


def test_overdue_begins_at_the_end_of_the_local_day(world: World) -> None:
    """The due day ends at midnight in Toronto, 04:00 UTC in October (IANA: EDT, UTC-4); its end is late already."""
    l_05(world)

    assert read(world, reports.overdue, as_of="2026-11-01T03:59:59Z", now=DEMO_NOW) == []
    assert len(read(world, reports.overdue, as_of="2026-11-01T04:00:00Z", now=DEMO_NOW)) == 1


def test_overdue_as_of_a_past_moment(world: World) -> None:
    """Before the extension and before 0017 came back both were late; after both, nothing was."""
    l_05(world)

    late = read(world, reports.overdue, as_of="2026-05-10T12:00:00Z", now=DEMO_NOW)
    assert [(row["item"], row["days_overdue"]) for row in late] == [(typed("BRM-0019"), 10), (typed("BRM-0017"), 10)]
    assert [row["uncovered_days"] for row in late] == [10, 10]
    assert read(world, reports.overdue, as_of="2026-06-01T12:00:00Z", now=DEMO_NOW) == []


def test_overdue_as_known_before_and_after_an_amendment(world: World) -> None:
    """The extension is amended to another day: what was known before stays what was known before."""
    l_05(world)
    told = world.tell("due_set", "BRM-0019", "2026-06-01T12:00:00Z", loan="L-05", due_on="2026-11-20")
    amended = "2026-11-24T09:00:00Z"
    content: dict[str, Any] = {"loan": "L-05", "due_on": "2026-12-20"}
    world.tell("due_set", "BRM-0019", "2026-06-01T12:00:00Z", told=amended, amends=told["id"], **content)

    (before,) = read(world, reports.overdue, as_of=DEMO_NOW, known_on="2026-11-24T08:00:00Z", now=DEMO_NOW)
    assert (before["due_on"], before["days_overdue"]) == (date(2026, 11, 20), 5)
    assert read(world, reports.overdue, as_of=DEMO_NOW, known_on="2026-11-24T10:00:00Z", now=DEMO_NOW) == []
    assert read(world, reports.overdue, now=DEMO_NOW) == []


@pytest.mark.parametrize("report", [reports.outstanding, reports.overdue])
def test_lender_borrower_and_auditor_see_a_line_and_nobody_else_does(world: World, report: Read) -> None:
    """A borrower sees its own lines only, a stranger none, whatever they filter by."""
    l_05(world)
    lend(world, ["BRM-0012"], zone="UTC", lender="TRP", borrower="SMP", loan="L-03", due_on="2026-10-03")
    auditor = somebody("TRP", "auditor")

    def items(who: str | Actor, **filters: Any) -> set[str]:
        return {row["item"] for row in read(world, report, who, now=DEMO_NOW, **filters)}

    tsi, smp = typed("BRM-0019"), typed("BRM-0012")
    assert items("TRP") == items(auditor) == {tsi, smp}
    assert items("TSI") == {tsi}
    assert items("SMP") == {smp}
    assert (
        items("MRL") == items("TSI", borrower="SMP") == items("MRL", lender="TRP") == items("MRL", loan="L-05") == set()
    )
    assert items("TRP", borrower="TSI") == items("TSI", lender="TRP") == items(auditor, loan="L-05") == {tsi}


def test_a_line_that_is_on_its_way_is_out_with_a_claim(world: World) -> None:
    """Released and not yet accepted: the lender certainly, the borrower by the lender's word; no term has begun."""
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample")
    terms: dict[str, Any] = {
        "lender": "TRP",
        "borrower": "TSI",
        "zone": "Asia/Tokyo",
        "loan": "L-01",
        "term_months": 12,
    }
    world.tell("loan_signed", "BRM-0010", "2025-03-06T09:00:00Z", **terms)
    world.tell("released", "BRM-0010", "2025-03-10T10:05:00Z", to="TSI")

    (line,) = read(world, reports.outstanding)
    assert (line["line"], line["certain"], line["claimed"]) == ("sent", "TRP", "TSI")
    assert (line["due_on"], line["days_left"]) == (None, None)


def test_pages_follow_one_another_without_gap_or_repetition(world: World) -> None:
    """Both orders, page by page of one row, give what one large page gives."""
    lend(world, ["BRM-0017", "BRM-0018", "BRM-0019"], **TORONTO, due_on="2026-04-30")
    lend(world, ["BRM-0011", "BRM-0012"], zone="UTC", lender="TRP", borrower="SMP", loan="L-03", due_on="2026-10-03")

    for report in (reports.outstanding, reports.overdue):
        with world.database.engine.connect() as connection:
            moments = when(world, now=DEMO_NOW)
            whole = report(connection, somebody("TRP"), moments, None, 100)
            after, found = None, []
            while page := report(connection, somebody("TRP"), moments, after, 1):
                found += page
                after = page[-1].key
        assert len(whole) == 5
        assert found == whole


def test_holdings_tell_certain_from_claimed_and_leave_out_what_has_ended(world: World) -> None:
    """Of TSI: one line it accepted, one still on its way to it; a third is used up and gone."""
    lend(world, ["BRM-0017", "BRM-0018"], **TORONTO, due_on="2026-04-30")
    world.tell("registered", "BRM-0010", "2025-04-02T09:00:00Z", item="sample")
    world.tell("released", "BRM-0010", "2025-05-02T09:00:00Z", to="TSI/mail-room")
    world.tell("stored", "BRM-0017", "2025-05-01T09:00:00Z", "TSI", place="TSI-N1")
    world.tell("used", "BRM-0018", "2025-05-02T10:00:00Z", "TSI", all=True)

    claimed, certain = read(world, reports.holdings, "TSI", institution="TSI")

    assert (certain["item"], certain["held"], certain["holder"]) == (typed("BRM-0017"), "certain", "TSI")
    assert (certain["place"], certain["mass_mg"], certain["loan"]) == ("TSI-N1", "250.12", "L-05")
    assert (certain["owner"], certain["owed_by"]) == ("TRP", "TSI")
    assert (claimed["item"], claimed["held"], claimed["holder"]) == (typed("BRM-0010"), "claimed", "TSI/mail-room")
    assert claimed["since"] == parse_instant("2025-05-02T09:00:00Z")
    assert (claimed["certain"], claimed["loan"]) == ("TRP", None)


def test_desks_are_counted_with_their_institution(world: World) -> None:
    """What the mail room accepted is held by the institution."""
    world.tell("registered", "BRM-0010", "2025-04-02T09:00:00Z", item="sample")
    world.tell("released", "BRM-0010", "2025-05-02T09:00:00Z", to="TSI")
    world.tell("accepted", "BRM-0010", "2025-05-03T09:00:00Z", "TSI", from_="TRP", party="TSI/mail-room")

    (row,) = read(world, reports.holdings, institution="TSI")
    assert (row["holder"], row["held"]) == ("TSI/mail-room", "certain")


def test_holdings_of_another_show_what_is_ones_own(world: World) -> None:
    """The owner sees all it has there; another borrower, a stranger and one who merely claims it see nothing."""
    lend(world, ["BRM-0017"], **TORONTO, due_on="2026-04-30")
    world.tell("seen", "BRM-0017", "2025-05-05T09:00:00Z", "MRL")

    def items(who: str | Actor, institution: str) -> set[str]:
        return {row["item"] for row in read(world, reports.holdings, who, institution=institution)}

    assert items("TRP", "TSI") == items("TSI", "TSI") == items(somebody("SMP", "auditor"), "TSI") == {typed("BRM-0017")}
    assert items("SMP", "TSI") == items("MRL", "TSI") == items("TSI", "TRP") == set()
    assert items("MRL", "MRL") == set()
    assert items("TRP", "MRL") == {typed("BRM-0017")}


def test_holdings_as_of_and_as_known_on(world: World) -> None:
    """A1 and A2 as one report: told five days late, the release changes what was true, not what was known."""
    world.ship("T-01", "TRP", "TSI", "2025-03-08T00:00:00Z")
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample")
    on: dict[str, Any] = {"shipment": "T-01"}
    world.tell("accepted", "BRM-0010", "2025-03-14T00:10:00Z", "TSI", "2025-03-14T00:12:00Z", from_="CRK", **on)
    world.tell("released", "BRM-0010", "2025-03-10T10:05:00Z", told="2025-03-15T07:30:00Z", to="CRK", **on)
    night = "2025-03-14T06:00:00Z"

    def held(institution: str, **moments: Any) -> list[str]:
        return [row["held"] for row in read(world, reports.holdings, institution=institution, **moments)]

    assert held("TRP", as_of=night, known_on=night) == ["certain"]
    assert held("TSI", as_of=night, known_on=night) == ["claimed"]
    assert held("TRP", as_of=night) == []
    assert held("TSI", as_of=night) == ["certain"]
    assert held("CRK", as_of="2025-03-12T12:00:00Z") == ["claimed"]


def test_a_claim_beyond_the_page_waits_for_the_next(world: World) -> None:
    """Certain and claimed come as one list in the order of items, also where a page cuts it."""
    numbers = ["BRM-0011", "BRM-0012", "BRM-0013", "BRM-0014"]
    world.tell("registered", numbers, "2025-04-02T09:00:00Z", item="sample")
    world.tell("released", numbers, "2025-05-02T09:00:00Z", to="TSI")
    world.tell("accepted", [numbers[0], numbers[2]], "2025-05-03T09:00:00Z", "TSI", from_="TRP")

    found: list[Entry] = []
    with world.database.engine.connect() as connection:
        after = None
        while page := reports.holdings(connection, somebody("TSI"), when(world), after, 1, institution="TSI"):
            found += page
            after = page[-1].key
    assert [(entry.key, entry.fields["held"]) for entry in found] == [
        (("BRM0011",), "certain"),
        (("BRM0012",), "claimed"),
        (("BRM0013",), "certain"),
        (("BRM0014",), "claimed"),
    ]


def test_time_out_by_owner_holder_and_place(world: World) -> None:
    """Each filter finds the samples it names and, for another institution, only what is theirs to see."""
    lend(world, ["BRM-0017"], **TORONTO, due_on="2026-04-30")
    world.tell("stored", "BRM-0017", "2025-05-01T09:00:00Z", "TSI", place="TSI-N1")
    world.tell("registered", "BRM-0003", "2025-04-02T09:00:00Z", item="sample")
    world.tell("registered", "V-011", "2025-04-02T09:00:00Z", item="container", form="vial")
    lent, kept = typed("BRM-0017"), typed("BRM-0003")

    def items(who: str | Actor, **filters: Any) -> list[str]:
        return [row["item"] for row in read(world, reports.time_out, who, now=DEMO_NOW, **filters)]

    assert items("TRP") == items("TRP", owner="TRP") == items(somebody("TRP", "auditor")) == [kept, lent]
    assert items("TRP", holder="TSI") == items("TRP", place="TSI-N1") == items("TSI") == [lent]
    assert items("TRP", holder="TSI", place="TRP-GB1") == items("TRP", holder="TSI", owner="DVM") == []
    assert items("SMP") == items("SMP", owner="TRP") == items("SMP", place="TSI-N1") == []


def test_time_out_counts_to_the_moment_asked_about(world: World) -> None:
    """A sample out on the bench at noon is out a quarter of an hour at a quarter past, and more at one."""
    world.tell("registered", "BRM-0003", "2025-04-02T09:00:00Z", item="sample")
    world.tell("stored", "BRM-0003", "2025-04-02T09:00:00Z", place="TRP-GB1")
    world.tell("taken_out", "BRM-0003", "2025-04-03T12:00:00Z")
    world.tell("stored", "BRM-0003", "2025-04-03T13:00:00Z", place="TRP-GB1")

    at = {"2025-04-03T11:00:00Z": 0, "2025-04-03T12:15:00Z": 900, "2025-04-03T13:00:00Z": 3600, DEMO_NOW: 3600}
    for moment, seconds in at.items():
        (row,) = read(world, reports.time_out, as_of=moment, now=DEMO_NOW)
        assert row["at_least_s"] == seconds


def test_time_out_says_how_budgets_stand_in_a_family(world: World) -> None:
    """Trade 2.5: 8 h at one time under N; half of a life's 16 h is a warning at 50 %. A family: what was made of it."""
    world.place("TRP-GB1", "N")
    world.describe("N", lifetime_budget_s=16 * 3600, single_budget_s=9 * 3600)
    for item in ("BRM-0003", "BRM-0005"):
        world.tell("registered", item, "2025-04-02T09:00:00Z", item="sample")
        world.tell("stored", item, "2025-04-02T09:00:00Z", place="TRP-GB1")
    world.tell("taken_out", "BRM-0003", "2025-04-03T04:00:00Z")
    world.tell("stored", "BRM-0003", "2025-04-03T12:00:00Z", place="TRP-GB1")
    world.tell("divided", "BRM-0003", "2025-04-04T12:00:00Z", children=[{"number": number("BRM-0006")}])
    world.tell("taken_out", "BRM-0006", "2025-04-05T04:00:00Z")
    world.tell("stored", "BRM-0006", "2025-04-05T13:01:00Z", place="TRP-GB1")

    rows = read(world, reports.time_out, now=DEMO_NOW, family=typed("BRM-0003"))

    assert [(row["item"], row["profile"], row["state"], row["warned_percent"]) for row in rows] == [
        (typed("BRM-0003"), "N", "within", 75),
        (typed("BRM-0006"), "N", "exceeded", 100),
    ]


def test_moments_are_pinned_and_provisional_near_now(world: World) -> None:
    """D4: what was known within the longest write transaction may still change; behind that it may not."""
    now = parse_instant(DEMO_NOW)
    assert asked(None, None, now).provisional
    assert asked(None, now - timedelta(seconds=4), now).provisional
    assert not asked(None, now - timedelta(seconds=6), now).provisional
    present = asked(None, None, now)
    assert (present.as_of, present.known_on) == (now, now)
    assert present.moment.is_now
    assert present.moment.known_on is None
    assert present.pinned.moment.known_on == now


def test_a_pinned_question_is_answered_as_before_whatever_is_told_meanwhile(world: World) -> None:
    """What a file of many pages rests on: the second page knows what the first one knew (design, promise 2)."""
    lend(world, ["BRM-0017", "BRM-0018", "BRM-0019"], **TORONTO, due_on="2026-04-30")
    moments = when(world)
    with world.database.engine.connect() as connection:
        before = reports.outstanding(connection, somebody("TRP"), moments, None, 100)
    for item in ("BRM-0018", "BRM-0019"):
        world.tell("released", item, "2025-04-30T15:05:00Z", "TSI", "2025-05-02T00:00:00Z", to="TRP")
        world.tell("accepted", item, "2025-04-30T15:05:00Z", "TRP", "2025-05-03T00:00:00Z", from_="TSI")

    with world.database.engine.connect() as connection:
        first = reports.outstanding(connection, somebody("TRP"), moments.pinned, None, 1)
        rest = reports.outstanding(connection, somebody("TRP"), moments.pinned, first[-1].key, 100)
        now = reports.outstanding(connection, somebody("TRP"), when(world), None, 100)
    assert [*first, *rest] == before
    assert [entry.key for entry in now] == [("BRM0017",)]
