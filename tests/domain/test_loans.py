"""Due dates, uncovered days and line states against calendars and the invented scenario's answers."""

from datetime import UTC, date, datetime, timedelta

import pytest

from shipsvc.domain import loans
from shipsvc.domain.errors import Malformed
from shipsvc.domain.loans import Due, LineState, LoanLine, ReturnedWhen

#: The scenario's clock, demo.md.
TODAY = date(2026, 11, 25)


def on(text: str) -> date:
    """A date as written."""
    return date.fromisoformat(text)


def at(text: str) -> datetime:
    """A UTC time as written: ``2026-04-05 14:10``."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


#: The scenario's L-05: signed 2025-04-15, due 2026-04-30, extended only on 2026-05-22 to 2026-10-31.
L_05 = [(on("2025-04-15"), on("2026-04-30")), (on("2026-05-22"), on("2026-10-31"))]


@pytest.mark.parametrize(
    ("start", "months", "end"),
    [
        # trade.md case 10: clamped to the last day of the month (civil calendar)
        ("2025-08-31", 6, "2026-02-28"),
        ("2027-08-31", 6, "2028-02-29"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2024-02-29", 48, "2028-02-29"),
        ("2025-01-31", 1, "2025-02-28"),
        ("2025-01-31", 2, "2025-03-31"),  # from the start, not from the clamped 28 February
        ("2025-12-31", 1, "2026-01-31"),
        ("2025-11-30", 1, "2025-12-30"),
        ("9998-12-31", 12, "9999-12-31"),
        # the scenario's loans L-01 to L-05, demo.md T9
        ("2025-03-14", 12, "2026-03-14"),
        ("2025-04-01", 6, "2025-10-01"),
        ("2025-04-03", 18, "2026-10-03"),
        ("2025-05-12", 24, "2027-05-12"),
        ("2025-04-30", 12, "2026-04-30"),
    ],
)
def test_terms_end_on_the_same_day_or_the_last_one(start: str, months: int, end: str) -> None:
    """Months are counted from the start, and a day that is missing becomes the last of its month."""
    assert loans.term_end(on(start), months) == on(end)


@pytest.mark.parametrize("months", [0, -1, 12 * 9000])
def test_terms_are_at_least_a_month_and_end_within_the_calendar(months: int) -> None:
    """No loan without an end, none that ends before it starts."""
    with pytest.raises(Malformed):
        loans.term_end(on("2025-01-31"), months)


@pytest.mark.parametrize(
    ("returned", "days"),
    [
        (None, 22 + 25),  # 0019, still out: the scenario's A6
        ("2026-05-20", 20),  # 0017 and 0018: rulings 20
        ("2026-04-30", 0),  # on the due day
        ("2026-05-01", 1),  # the day of return counts
        ("2026-05-22", 22),
        ("2026-10-31", 22),
        ("2026-11-01", 23),
        ("2027-01-01", 47),  # a return after today changes nothing today
    ],
)
def test_uncovered_days_of_the_scenario(returned: str | None, days: int) -> None:
    """A late extension does not make the gap before it vanish."""
    assert loans.uncovered_days(L_05, on(returned) if returned else None, TODAY) == days


def test_an_extension_in_time_leaves_no_gap() -> None:
    """The scenario's L-02, extended 13 days before its date, and the edge: granted on the due day itself."""
    in_time = [(on("2025-03-20"), on("2025-10-01")), (on("2025-09-18"), on("2026-04-05"))]
    same_day = [(on("2025-03-20"), on("2025-10-01")), (on("2025-10-01"), on("2026-04-05"))]
    day_after = [(on("2025-03-20"), on("2025-10-01")), (on("2025-10-02"), on("2026-04-05"))]
    uncovered = [loans.uncovered_days(facts, on("2026-04-05"), TODAY) for facts in (in_time, same_day, day_after)]
    assert uncovered == [0, 0, 1]


def test_uncovered_days_need_no_order_and_no_facts() -> None:
    """The grants are put in order by their day; a loan without a due date has no uncovered days."""
    assert loans.uncovered_days(L_05[::-1], None, TODAY) == 47
    assert loans.uncovered_days([], None, TODAY) == 0


def test_a_recall_is_a_due_date_from_when_it_was_told() -> None:
    """Rulings 31: recalled on 1 June to 1 July, the former date in December no longer protects."""
    facts = [(on("2026-01-10"), on("2026-12-31")), (on("2026-06-01"), on("2026-07-01"))]
    assert loans.due_in_force(facts, on("2026-05-31")) == on("2026-12-31")
    assert loans.due_in_force(facts, on("2026-06-01")) == on("2026-07-01")
    assert loans.uncovered_days(facts, None, on("2026-07-11")) == 10


def test_the_due_date_in_force() -> None:
    """Nothing before the first grant; between grants the last one, in whatever order they are told."""
    days = ("2025-04-14", "2025-04-15", "2026-05-21", "2026-05-22")
    expected = [None, on("2026-04-30"), on("2026-04-30"), on("2026-10-31")]
    assert [loans.due_in_force(L_05, on(day)) for day in days] == expected
    assert [loans.due_in_force(L_05[::-1], on(day)) for day in days] == expected


def test_two_grants_on_one_day_count_by_their_place() -> None:
    """Of two due dates set on one day the one named later is in force."""
    day = on("2026-01-10")
    assert loans.due_in_force([(day, on("2026-06-30")), (day, on("2026-07-31"))], day) == on("2026-07-31")


@pytest.mark.parametrize(
    ("due", "returned", "days"),
    [
        ("2026-10-31", None, 25),  # A6: 0019 on the extended date
        ("2026-04-30", None, 209),  # A6: since the first date
        ("2026-10-03", "2026-11-02", 30),  # T9: 0023 back 30 days late
        ("2026-03-14", "2026-03-05", 0),  # T9: L-01 nine days early
        ("2026-09-30", None, 56),  # T9: stocktake of L-04 not sent
        ("2026-12-31", None, 0),
    ],
)
def test_days_overdue_of_the_scenario(due: str, returned: str | None, days: int) -> None:
    """Late until it came back, or until today."""
    assert loans.days_overdue(on(due), on(returned) if returned else None, TODAY) == days


def test_what_falls_due_in_sixty_days() -> None:
    """The scenario's A12: L-08 in 36 days and nothing else; L-05 is overdue, L-04 has 168 days left."""
    due = {"L-08": on("2026-12-31"), "L-05": on("2026-10-31"), "L-04": on("2027-05-12")}
    soon = {name: loans.days_left(day, TODAY) for name, day in due.items() if loans.falls_due_within(day, TODAY, 60)}
    assert soon == {"L-08": 36}
    assert loans.days_left(due["L-04"], TODAY) == 168
    assert [loans.falls_due_within(due["L-08"], TODAY, days) for days in (35, 36)] == [False, True]
    assert loans.falls_due_within(TODAY, TODAY, 0)


def test_dispatch_block_of_the_scenario() -> None:
    """A6: nothing new goes to the group from 2026-11-30 on."""
    assert loans.dispatch_blocked_from(on("2026-10-31")) == on("2026-11-30")


def test_reminders() -> None:
    """Trade.md 2.6: -60, -30, -14, -7, -1, +1, +7, +14, +30, then monthly."""
    days = loans.reminder_days(on("2026-10-31"), on("2027-02-28"))
    offsets = [(day - on("2026-10-31")).days for day in days]
    assert offsets[:9] == [-60, -30, -14, -7, -1, 1, 7, 14, 30]
    assert days[9:] == [on("2026-12-30"), on("2027-01-30"), on("2027-02-28")]
    assert loans.reminder_days(on("2026-10-31"), on("2026-10-01")) == [on("2026-09-01"), on("2026-10-01")]


def test_the_return_of_the_day_the_clocks_went_back() -> None:
    """The scenario's A5: due on 2026-04-05 in Adelaide, handed over at 23:40 local: in time by 20 minutes."""
    due = Due(on("2026-04-05"), "Australia/Adelaide")
    assert due.end == at("2026-04-05 14:30")
    assert due.time_left(at("2026-04-05 14:10")) == timedelta(minutes=20)
    assert not due.is_over(at("2026-04-05 14:29:59.999999"))
    assert due.is_over(at("2026-04-05 14:30"))


L_02 = LoanLine(
    released=at("2025-03-24 09:15"),
    accepted=at("2025-04-01 00:45"),
    used=at("2025-05-20 00:00"),
    handed_back=at("2026-04-05 14:10"),
    received=at("2026-04-09 10:20"),
)


@pytest.mark.parametrize(
    ("rule", "returned", "over"),
    [("handed_to_carrier", "2026-04-05 14:10", False), ("received_by_lender", "2026-04-09 10:20", True)],
)
def test_what_counts_as_returned_is_a_setting(rule: str, returned: str, over: bool) -> None:
    """The same return is in time or four days late, by the agreement (trade.md case 12, scenario's L-02)."""
    counted = L_02.returned_at(ReturnedWhen(rule))
    assert counted == at(returned)
    assert Due(on("2026-04-05"), "Australia/Adelaide").is_over(counted) is over


def test_a_receipt_told_alone_is_a_return_under_either_rule() -> None:
    """Facts come in any order: what the lender has was handed over, even if nobody told."""
    line = LoanLine(received=at("2026-04-09 10:20"))
    assert [line.returned_at(rule) for rule in ReturnedWhen] == [line.received, line.received]
    assert [LoanLine().returned_at(rule) for rule in ReturnedWhen] == [None, None]


@pytest.mark.parametrize(
    ("told", "state", "closed"),
    [
        ("", "promised", False),
        ("released", "sent", False),
        ("released accepted", "held", False),
        ("accepted", "held", False),  # told before the release (trade.md case 2)
        ("released accepted used", "part_used", False),
        ("released accepted used handed_back", "returning", False),
        ("released accepted used handed_back received", "returned", True),
        ("released accepted used used_up", "used_up", True),
        ("released accepted used used_up handed_back", "used_up", True),  # the empty vial travels
        ("released accepted transferred", "transferred", True),
        ("released accepted lost_decided", "lost_decided", True),
    ],
)
def test_line_states(told: str, state: str, closed: bool) -> None:
    """The states of trade.md 5.3, each by the furthest step told; only the last four owe nothing more."""
    line = LoanLine(**dict.fromkeys(told.split(), at("2026-01-01 00:00")))
    assert (line.state, line.state.is_closed) == (LineState(state), closed)


def test_line_states_are_those_of_the_trade() -> None:
    """The closed list of trade.md 5.3, copied."""
    listed = "promised · sent · held · part used · returning · returned · used up · transferred · lost-decided"
    words = [name.replace(" ", "_").replace("-", "_") for name in listed.split(" · ")]
    assert [state.value for state in LineState] == words
