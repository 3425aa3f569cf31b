"""Loans: the scenario's known answers (demo.md 7.5, its tables T9, T10 and T12), and the rules around them."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, get_args

import pytest
import sqlalchemy as sa

from shipsvc.app import documents, loans
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.app.loan_lines import Line
from shipsvc.app.loans import Agreement, Loan, Owed
from shipsvc.domain import errors
from shipsvc.domain.loans import LineState
from shipsvc.domain.times import parse_instant
from shipsvc.store import loans as stored
from shipsvc.store.engine import Database
from shipsvc.store.tables import Collection, Event, Institution, table
from shipsvc.web.loan_schemas import LineStateName
from tests.world import EARLY, World, number

NOW = "2026-11-25T12:00:00Z"
REGISTRAR = Actor("p06", frozenset({("TRP", "registrar")}))
AUDITOR = Actor("p24", frozenset({("TRP", "auditor")}))
BORROWER = Actor("p12", frozenset({("SMP", "responsible")}))


@dataclass
class Lender:
    """Takes decisions about loans in a world, each in a transaction of its own, told at ``told``."""

    world: World
    decisions: int = 0

    def sign(self, code: str, borrower: str, lines: Iterable[str], signed: str, **terms: Any) -> None:
        """A loan is signed and told of at once."""
        agreed: dict[str, Any] = {
            "zone": None,
            "returned_when": "received_by_lender",
            "term_months": None,
            "due_on": None,
            "responsible": "the head of the group",
            "purpose": "",
            **terms,
        }
        numbers = [number(line) for line in lines]
        agreement = Agreement(code=code, lender="TRP", borrower=borrower, lines=numbers, **agreed)
        self._take(signed, lambda c, now: loans.sign(c, REGISTRAR, now, agreement, self._decision(signed)))

    def extend(self, code: str, due_on: str, granted: str, told: str | None = None) -> None:
        """A further due date."""
        day = date.fromisoformat(due_on)
        self._take(
            told or granted, lambda c, now: loans.extend(c, REGISTRAR, now, code, day, None, self._decision(granted))
        )

    def recall(self, code: str, due_on: str, told: str) -> None:
        """The lender wants it back."""
        day = date.fromisoformat(due_on)
        self._take(told, lambda c, now: loans.recall(c, REGISTRAR, now, code, day, self._decision(None)))

    def close(self, code: str, told: str, actor: Actor = REGISTRAR) -> None:
        """Nothing more is owed."""
        self._take(told, lambda c, now: loans.close(c, actor, now, code, "reconciled"))

    def loan(self, code: str, as_of: str = NOW, known_on: str | None = None, actor: Actor = AUDITOR) -> Loan:
        """How a loan stands."""
        known = parse_instant(known_on) if known_on else None
        with self.world.database.engine.connect() as connection:
            return loans.read(connection, actor, parse_instant(NOW), code, parse_instant(as_of), known)

    def lines(self, code: str, as_of: str = NOW, known_on: str | None = None) -> dict[str, Line]:
        """The lines of a loan by item."""
        return {line.item: line for line in self.loan(code, as_of, known_on).lines}

    def owed(self, item: str, as_of: str) -> Owed | None:
        """Who owes an item."""
        when = documents.asked(parse_instant(as_of), None, parse_instant(NOW))
        with self.world.database.engine.connect() as connection:
            return loans.owed_by(connection, number(item), when, parse_instant(NOW))

    def _decision(self, at: str | None) -> Decision:
        self.decisions += 1
        return Decision(f"00000000-0000-7000-9000-{self.decisions:012}", "why", parse_instant(at) if at else None)

    def _take(self, told: str, act: Callable[[sa.Connection, Callable[[], datetime]], None]) -> None:
        self.world.clock = max(self.world.clock, parse_instant(told))
        with self.world.writing() as connection:
            act(connection, lambda: parse_instant(told))


@pytest.fixture
def lender(database: Database) -> Lender:
    """A lender with samples, on each database."""
    return lender_in(database)


@pytest.fixture
def embedded(sqlite_database: Database) -> Lender:
    """The same on SQLite, for what does not depend on the database."""
    return lender_in(sqlite_database)


def lender_in(database: Database) -> Lender:
    """A world with samples to lend, and one more borrower."""
    world = World(database)
    told = {"version": 1, "valid_from": EARLY, "recorded_at": EARLY, "actor": "p00", "because": "start"}
    row = {**told, "code": "LSC", "name": "LSC", "kind": "borrower", "zone": "America/Toronto", "altitude_m": 100}
    with world.writing() as connection:
        connection.execute(sa.insert(table(Institution)), [row])
    for name in ("0008", "0011", "0012", "0017", "0018", "0019", "0020"):
        world.tell("registered", f"BRM-{name}", "2025-02-18T10:00:00Z", item="sample", mass="250 mg", balance="B2")
    return Lender(world)


def sent(world: World, item: str, trip: str, giver: str, taker: str, at: str, there: str | None) -> None:
    """A trip of one item: both words at the start, and the addressee's at the end if there is one."""
    world.ship(trip, giver, taker, at)
    world.tell("released", item, at, giver, to="CRK", shipment=trip)
    world.tell("accepted", item, at, "CRK", from_=giver, shipment=trip)
    if there:
        world.tell("accepted", item, there, taker, from_="CRK", shipment=trip)


def lend_l02(lender: Lender) -> None:
    """L-02 until just before its return."""
    lender.sign("L-02", "MRL", ["BRM-0011"], "2025-03-20T10:00:00Z", term_months=6, returned_when="handed_to_carrier")
    sent(lender.world, "BRM-0011", "T-02", "TRP", "MRL", "2025-03-24T09:15:00Z", "2025-04-01T00:45:00Z")
    lender.extend("L-02", "2026-04-05", "2025-09-18T10:00:00Z")


def lend_l05(lender: Lender) -> None:
    """L-05 with its late extension; two of four are back."""
    four = [f"BRM-{n}" for n in ("0017", "0018", "0019", "0020")]
    lender.sign("L-05", "LSC", four, "2025-04-15T10:00:00Z", term_months=12)
    for place, item in enumerate(four):
        sent(lender.world, item, f"T-05-{place}", "TRP", "LSC", "2025-04-23T13:00:00Z", "2025-04-30T15:05:00Z")
    for place, item in enumerate(four[:2]):
        sent(lender.world, item, f"T-06-{place}", "LSC", "TRP", "2026-05-15T18:00:00Z", "2026-05-20T09:30:00Z")
    lender.extend("L-05", "2026-10-31", "2026-05-22T15:00:00Z")


def lend_l03_and_l08(lender: Lender) -> None:
    """0012 lent to SMP and split there; its piece 0022 goes on to TSI under a loan of its own."""
    world = lender.world
    lender.sign("L-03", "SMP", ["BRM-0012"], "2025-03-24T10:00:00Z", term_months=18)
    sent(world, "BRM-0012", "T-03", "TRP", "SMP", "2025-03-31T12:00:00Z", "2025-04-03T16:11:18Z")
    masses = {"BRM-0021": "40.102 mg", "BRM-0022": "30.877 mg", "BRM-0023": "15.180 mg"}
    children = [{"number": number(name), "mass": mass, "balance": "B5"} for name, mass in masses.items()]
    world.tell("divided", "BRM-0012", "2025-06-20T19:00:00Z", "SMP", children=children, ends=True)
    world.tell("used", "BRM-0021", "2025-07-04T17:00:00Z", "SMP", mass="40.102 mg", balance="B5", all=True)
    lender.sign("L-08", "TSI", ["BRM-0022"], "2025-09-22T10:00:00Z", due_on=date(2026, 12, 31))
    sent(world, "BRM-0022", "T-07", "SMP", "TSI", "2025-10-06T17:00:00Z", "2025-10-10T01:30:00Z")


def test_a5_returned_in_time_by_twenty_minutes(lender: Lender) -> None:
    """A5: handed over 14:10Z, the due day ends 14:30Z, for in Adelaide the clocks went back that morning (trade 9)."""
    lend_l02(lender)
    assert lender.lines("L-02", "2025-09-01T00:00:00Z")["BRM0011"].due_on == date(2025, 10, 1)
    late = "2026-04-06T01:00:00Z"
    lender.world.ship("T-10", "MRL", "TRP", "2026-04-03T03:00:00Z")
    lender.world.tell("released", "BRM-0011", "2026-04-05T14:10:00Z", "MRL", late, to="CRK", shipment="T-10")
    lender.world.tell("accepted", "BRM-0011", "2026-04-09T10:20:00Z", from_="CRK", shipment="T-10")

    line = lender.lines("L-02")["BRM0011"]

    assert (line.state, line.in_time, line.days_overdue, line.uncovered_days) == (LineState.RETURNED, True, 0, 0)
    assert line.due_at
    assert line.returned_at
    assert line.due_at - line.returned_at == timedelta(minutes=20)
    assert line.handed_at == line.returned_at == parse_instant("2026-04-05T14:10:00Z")
    assert line.received_at == parse_instant("2026-04-09T10:20:00Z")

    then = lender.lines("L-02", "2026-04-05T20:00:00Z", "2026-04-05T20:00:00Z")["BRM0011"]
    assert (then.state, then.overdue, then.days_overdue) == (LineState.HELD, True, 1)


def test_returned_when_received_counts_the_lenders_word(lender: Lender) -> None:
    """Trade case 12: both dates of a return are shown, and the agreement says which of them counts."""
    lender.sign("L-01", "TSI", ["BRM-0008"], "2025-03-06T10:00:00Z", due_on=date(2026, 3, 3))
    sent(lender.world, "BRM-0008", "T-01", "TRP", "TSI", "2025-03-10T10:05:00Z", "2025-03-14T00:10:00Z")
    sent(lender.world, "BRM-0008", "T-08", "TSI", "TRP", "2026-02-27T06:00:00Z", None)

    on_the_way = lender.lines("L-01", "2026-03-04T12:00:00Z")["BRM0008"]
    assert (on_the_way.state, on_the_way.overdue, on_the_way.days_overdue) == (LineState.RETURNING, True, 1)
    assert on_the_way.handed_at == parse_instant("2026-02-27T06:00:00Z")

    lender.world.tell("accepted", "BRM-0008", "2026-03-05T10:00:00Z", from_="CRK", shipment="T-08")
    line = lender.lines("L-01")["BRM0008"]
    assert (line.state, line.in_time, line.days_overdue) == (LineState.RETURNED, False, 2)
    assert line.handed_at == parse_instant("2026-02-27T06:00:00Z")
    assert line.returned_at == line.received_at == line.ended_at == parse_instant("2026-03-05T10:00:00Z")


def test_a6_uncovered_days_of_l05(lender: Lender) -> None:
    """A6: 0019 uncovered 22 + 25 days, overdue 25, blocked from 30 November; the returned ones 20 (rulings 20)."""
    lend_l05(lender)

    lines = lender.lines("L-05")

    out, back = lines["BRM0019"], lines["BRM0017"]
    assert (out.state, out.overdue, out.days_overdue, out.uncovered_days) == (LineState.HELD, True, 25, 47)
    assert (out.due_on, out.days_left, out.dispatch_blocked_from) == (date(2026, 10, 31), -25, date(2026, 11, 30))
    assert (back.state, back.uncovered_days, back.days_overdue) == (LineState.RETURNED, 20, 20)
    assert (back.due_on, lines["BRM0018"].uncovered_days) == (date(2026, 4, 30), 20)
    assert lender.lines("L-05", "2026-05-22T14:59:00Z")["BRM0019"].uncovered_days == 22
    assert (lender.loan("L-05").state, lender.loan("L-05").due_on) == ("running", date(2026, 10, 31))


def test_due_facts_are_dated_by_the_day_they_came_into_force(lender: Lender) -> None:
    """The dates behind A6: the term begins with the acceptance, the extension with its grant (demo.md T9)."""
    lend_l05(lender)
    facts = [(date(2025, 4, 30), date(2026, 4, 30)), (date(2026, 5, 22), date(2026, 10, 31))]

    with lender.world.database.engine.connect() as connection:
        found = stored.due_facts(connection, ["L-05"])
        before = stored.due_facts(connection, ["L-05"], known_on=parse_instant("2026-05-22T14:00:00Z"))
        by_line = stored.line_due_facts(connection, ["L-05"])

    assert found == {"L-05": facts}
    assert before == {"L-05": facts[:1]}
    assert by_line["L-05", "BRM0020"] == facts


def test_a7_who_owes_0022(lender: Lender) -> None:
    """A7: TSI under L-08 since 2025-10-10, SMP before; pieces are owed as their parent was (trade case 36)."""
    lend_l03_and_l08(lender)
    start = parse_instant("2025-10-10T01:30:00Z")

    assert lender.owed("BRM-0022", NOW) == Owed("TSI", "L-08", start, "TSI")
    before = lender.owed("BRM-0022", "2025-10-10T01:29:59Z")
    assert before
    assert (before.party, before.loan) == ("SMP", "L-03")
    assert lender.owed("BRM-0012", "2025-03-31T11:59:00Z") == Owed(
        "TRP", None, parse_instant("2025-03-24T10:00:00Z"), "TRP"
    )

    was, now = lender.lines("L-03"), lender.lines("L-08")
    assert [was[f"BRM00{n}"].state for n in (12, 21, 22, 23)] == ["used_up", "used_up", "transferred", "held"]
    assert was["BRM0022"].ended_at == start
    assert (now["BRM0022"].state, now["BRM0022"].holder) == (LineState.HELD, "TSI")
    waiting = lender.lines("L-08", "2025-10-01T00:00:00Z")["BRM0022"]
    assert (waiting.state, waiting.due_on) == (LineState.PROMISED, None)


def test_a12_days_left(lender: Lender) -> None:
    """A12: L-08 is due in 36 days, counted in Tokyo, where the demo clock's noon is the evening of the same day."""
    lend_l03_and_l08(lender)

    line = lender.lines("L-08")["BRM0022"]

    assert (line.days_left, line.overdue, line.due_at) == (36, False, parse_instant("2026-12-31T15:00:00Z"))


def test_extension_granted_in_time_but_told_late(lender: Lender) -> None:
    """Trade case 14: it counts from when it was granted, and what was known meanwhile stays as it was known."""
    lend_l02(lender)
    lender.extend("L-02", "2026-06-30", "2026-04-01T10:00:00Z", told="2026-04-20T10:00:00Z")

    now = lender.lines("L-02", "2026-04-15T12:00:00Z")["BRM0011"]
    then = lender.lines("L-02", "2026-04-15T12:00:00Z", "2026-04-15T12:00:00Z")["BRM0011"]

    assert (now.overdue, now.uncovered_days, now.due_on) == (False, 0, date(2026, 6, 30))
    assert (then.overdue, then.uncovered_days, then.due_on) == (True, 10, date(2026, 4, 5))


def test_recalled_on_the_way_and_never_received(lender: Lender) -> None:
    """L-06 of T9, trade case 78: a recall is a due date from when it was told (rulings 31); it ends by coming back."""
    lender.sign("L-06", "SMP", ["BRM-0008"], "2026-07-30T10:00:00Z", term_months=3)
    sent(lender.world, "BRM-0008", "T-09", "TRP", "SMP", "2026-08-10T11:00:00Z", None)
    lender.recall("L-06", "2026-08-31", "2026-08-12T09:00:00Z")

    assert lender.loan("L-06", "2026-08-12T08:00:00Z").state == "running"
    under_way = lender.loan("L-06", "2026-08-14T00:00:00Z")
    assert (under_way.state, under_way.due_on) == ("recalled", date(2026, 8, 31))
    assert under_way.lines[0].state is LineState.SENT

    lender.world.ship("T-09", "TRP", "TRP", "2026-08-15T02:00:00Z", version=2)
    lender.world.tell("accepted", "BRM-0008", "2026-08-21T09:40:00Z", from_="CRK", shipment="T-09")
    back = lender.loan("L-06")
    assert (back.state, back.lines[0].state, back.lines[0].in_time) == ("being_returned", LineState.RETURNED, True)
    lender.close("L-06", "2026-08-22T10:00:00Z")
    assert lender.loan("L-06").state == "closed"


def test_closing_with_open_lines_names_them(lender: Lender) -> None:
    """Trade step 29 and case 62: a loan closes when each line ended, and a closed loan takes no more decisions."""
    lend_l03_and_l08(lender)

    with pytest.raises(errors.RuleForbids, match="BRM-0023-9 \\(held\\)") as refused:
        lender.close("L-03", "2026-10-30T00:00:00Z")
    assert "0022" not in str(refused.value)

    sent(lender.world, "BRM-0023", "T-11", "SMP", "TRP", "2026-10-28T20:00:00Z", "2026-11-02T11:15:00Z")
    assert lender.lines("L-03")["BRM0023"].days_overdue == 30
    lender.close("L-03", "2026-11-03T10:00:00Z")
    assert (lender.loan("L-03").state, lender.loan("L-03", "2026-11-03T09:00:00Z").state) == (
        "closed",
        "being_returned",
    )
    with pytest.raises(errors.RuleForbids, match="closed"):
        lender.extend("L-03", "2027-01-01", "2026-11-04T10:00:00Z")


def test_a_due_date_that_an_amendment_withdrew_is_gone(lender: Lender) -> None:
    """Rulings 3: due dates follow the log, where a decision can be amended like any word."""
    lend_l05(lender)
    (granted,) = [row["id"] for row in lender.world.all(Event) if row["kind"] == "due_set"]
    at, told = "2026-05-22T15:00:00Z", "2026-06-01T00:00:00Z"
    lender.world.tell("due_set", "BRM-0019", at, told=told, amends=granted, withdraw=True)

    line = lender.lines("L-05")["BRM0019"]

    assert (line.due_on, line.days_overdue, line.uncovered_days) == (date(2026, 4, 30), 209, 209)


def test_only_the_parties_see_a_loan(lender: Lender) -> None:
    """Rulings 16: lender and borrower; to anybody else it is not there, and where a sample went on is not theirs."""
    lend_l03_and_l08(lender)
    other = Actor("p10", frozenset({("MRL", "responsible")}))
    carrier = Actor("d1", frozenset({("CRK", "driver")}))

    mine = {line.item: line for line in lender.loan("L-03", actor=BORROWER).lines}
    assert (mine["BRM0022"].state, mine["BRM0022"].holder, mine["BRM0023"].holder) == ("transferred", None, "SMP")
    for stranger, code in ((other, "L-03"), (carrier, "L-03"), (BORROWER, "L-08")):
        with pytest.raises(errors.NotFound):
            lender.loan(code, actor=stranger)
    with pytest.raises(errors.NotYourRole):
        lender.close("L-03", NOW, actor=BORROWER)


REFUSED: dict[str, tuple[dict[str, Any], type[errors.ShipsvcError], str]] = {
    "both": ({"term_months": 6, "due_on": date(2026, 1, 1)}, errors.Malformed, "/due_on"),
    "past": ({"due_on": date(2025, 3, 1)}, errors.Malformed, "/due_on"),
    "endless": ({"due_on": date.max}, errors.NotATime, "/due_on"),
    "zone": ({"zone": "Mars/Utopia"}, errors.Malformed, "/zone"),
    "borrower": ({"borrower": "XYZ"}, errors.NotFound, "/borrower"),
    "itself": ({"borrower": "TRP"}, errors.Malformed, "/borrower"),
    "unknown": ({"lines": ["BRM-0011", "BRM-0999"]}, errors.NotFound, "/lines/1"),
    "twice": ({"lines": ["BRM-0011", "BRM-0011"]}, errors.Malformed, "/lines/1"),
    "container": ({"lines": ["J-01"]}, errors.Malformed, "/lines/0"),
    "not theirs": ({"lines": ["J-02"]}, errors.NotFound, "/lines/0"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_terms_that_cannot_be(embedded: Lender, case: str) -> None:
    """Decisions are refused when a rule forbids them (design, promise 1), and the answer points at the member."""
    embedded.world.tell("registered", "J-01", "2025-03-01T00:00:00Z", item="container", form="jar")
    embedded.world.tell("registered", "J-02", "2025-03-01T00:00:00Z", "SMP", item="container", form="jar")
    terms, error, pointer = REFUSED[case]
    asked: dict[str, Any] = {"borrower": "TSI", "lines": ["BRM-0011"], **terms}

    with pytest.raises(error) as refused:
        embedded.sign("L-99", asked.pop("borrower"), asked.pop("lines"), "2025-03-20T10:00:00Z", **asked)
    assert refused.value.pointer == pointer


def test_a_code_is_used_once_and_nothing_is_told_ahead(embedded: Lender) -> None:
    """Codes are never reused (design, section 4); a decision is told when it was taken, or after."""
    lend_l02(embedded)
    with pytest.raises(errors.AlreadyThere):
        embedded.sign("L-02", "TSI", ["BRM-0012"], "2025-04-20T10:00:00Z")
    with pytest.raises(errors.Malformed, match="before it is taken"):
        embedded.extend("L-02", "2027-01-01", "2026-01-01T00:00:00Z", told="2025-12-31T23:00:00Z")
    with pytest.raises(errors.Malformed, match="before the loan was signed"):
        embedded.extend("L-02", "2027-01-01", "2025-03-19T00:00:00Z", told="2025-12-31T23:00:00Z")


def test_every_state_of_a_line_has_its_name_in_json() -> None:
    """What the application can answer, the description of the API lists."""
    assert {state.value for state in LineState} == set(get_args(LineStateName))


def test_a_confidential_day_ends_in_the_zone_of_the_collection(lender: Lender) -> None:
    """Trade case 93: an embargo passes in the zone of the collection, not the lender's, and the loan states which.

    Of Auckland in February the IANA zone database says UTC+13; London then is UTC.
    """
    version = {"version": 2, "valid_from": EARLY, "recorded_at": EARLY, "actor": "p00", "because": "moved"}
    row = {**version, "code": "BRM", "owner": "TRP", "prefix": "BRM", "zone": "Pacific/Auckland", "name": "Braithmoss"}
    with lender.world.writing() as connection:
        connection.execute(sa.insert(table(Collection)), [{**row, "late_after_s": 86_400}])

    lender.sign("L-03", "SMP", ["BRM-0012"], "2025-03-24T10:00:00Z", confidential_until=date(2027, 2, 1))

    signed = lender.loan("L-03").row
    assert signed["confidential_zone"] == "Pacific/Auckland"
    assert signed["confidential_to"] == parse_instant("2027-02-01T11:00:00Z")
