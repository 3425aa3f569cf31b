"""The lines of loans as they stand at a moment: state, holder, due date, days late - from the spans, nothing stored."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain import loans as rules
from shipsvc.domain.loans import Due, LineState, LoanLine, ReturnedWhen
from shipsvc.domain.times import local_date
from shipsvc.store import loans
from shipsvc.store.documents import When

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One sample under a loan. Days are whole local days in the loan's zone; instants are aware UTC.

    ``handed_at`` and ``received_at`` are the two sides of the return, of which the agreement lets one count as
    ``returned_at``. ``ended_at`` is when nothing more was owed: returned, used up, or taken over by another loan.
    ``in_time`` compares that with the end of the due day; None while it is open or was never due.
    """

    item: str
    state: LineState
    since: datetime | None
    holder: str | None = None
    claimed: str | None = None
    due_on: date | None = None
    due_at: datetime | None = None
    handed_at: datetime | None = None
    received_at: datetime | None = None
    returned_at: datetime | None = None
    ended_at: datetime | None = None
    in_time: bool | None = None
    overdue: bool = False
    days_left: int | None = None
    days_overdue: int = 0
    uncovered_days: int = 0
    dispatch_blocked_from: date | None = None


def of_loans(connection: sa.Connection, held: Sequence[Row], when: When, now: datetime) -> dict[str, list[Line]]:
    """The lines of each loan (version rows ``held``), in order of item number, by the code of the loan."""
    codes = [row["code"] for row in held]
    spent: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for span in loans.line_spans(connection, codes, when):
        spent[span["loan"], span["item"]].append(span)
    found = {code: [line(spans, when.as_of) for (loan, _), spans in spent.items() if loan == code] for code in codes}
    for code, item in _still_promised(connection, held, spent.keys(), when, now):
        found[code].append(Line(item=item, state=LineState.PROMISED, since=None))
    return {code: sorted(lines, key=lambda one: one.item) for code, lines in found.items()}


def _still_promised(
    connection: sa.Connection, held: Sequence[Row], begun: Iterable[tuple[str, str]], when: When, now: datetime
) -> list[tuple[str, str]]:
    """Lines that were signed while another loan still owes them: theirs begins when the new borrower accepts."""
    signed = loans.signed_items(connection, [row["signing_id"] for row in held], when)
    named = {(row["code"], item) for row in held for item in signed.get(row["signing_id"], ())}
    waiting = named - set(begun)
    if not waiting:
        return []
    spans = loans.now_under(connection, {item for _, item in waiting}, when, now)
    return sorted((code, item) for code, item in waiting if item in spans and _follows(spans[item], code))


def _follows(span: Row, code: str) -> bool:
    following = loans.terms(span).get("following")
    return following is not None and following["loan"] == code


def line(spans: Sequence[Row], as_of: datetime) -> Line:
    """One line at ``as_of``, from the spans that its item spent under the loan until then, in order (at least one)."""
    last = spans[-1]
    state, since = _state(last, as_of)
    zone, today = loans.zone(last), local_date(as_of, loans.zone(last))
    rule = ReturnedWhen(loans.terms(last)["returned_when"])
    received_at = _received(spans, rule)
    handed_at = _handed(spans, rule, received_at)
    returned_at = LoanLine(handed_back=handed_at, received=received_at).returned_at(rule)
    ended_at = (returned_at or since) if state is LineState.RETURNED else since if state.is_closed else None
    facts = loans.due_changes(spans)
    ended_on = local_date(ended_at, zone) if ended_at else None
    due_on = rules.due_in_force(facts, ended_on or today)
    due = Due(due_on, zone) if due_on else None
    is_here = last["to_at"] > as_of
    return Line(
        item=last["item"],
        state=state,
        since=since,
        holder=last["certain"] if is_here else None,
        claimed=last["claimed"] if is_here else None,
        due_on=due_on,
        due_at=due.end if due else None,
        handed_at=handed_at,
        received_at=received_at,
        returned_at=returned_at,
        ended_at=ended_at,
        in_time=not due.is_over(ended_at) if due and ended_at else None,
        overdue=due is not None and ended_at is None and due.is_over(as_of),
        days_left=rules.days_left(due_on, today) if due_on and ended_at is None else None,
        days_overdue=rules.days_overdue(due_on, ended_on, today) if due_on else 0,
        uncovered_days=rules.uncovered_days(facts, ended_on, today),
        dispatch_blocked_from=rules.dispatch_blocked_from(due_on) if due_on and ended_at is None else None,
    )


def _state(last: Row, as_of: datetime) -> tuple[LineState, datetime | None]:
    """What the last span says; an item that went on under another loan without being returned was transferred."""
    state = LineState(last["line"])
    if last["to_at"] <= as_of and not state.is_closed:
        return LineState.TRANSFERRED, last["to_at"]
    return state, last["line_since"]


def _received(spans: Sequence[Row], rule: ReturnedWhen) -> datetime | None:
    """When the lender said that it has it back."""
    returned = [span for span in spans if span["line"] == LineState.RETURNED]
    if rule is ReturnedWhen.RECEIVED_BY_LENDER:
        return returned[0]["line_since"] if returned else None
    for span in returned:
        if span["holder"] == span["lender"] and span["certain_since"] >= span["line_since"]:
            since: datetime = span["certain_since"]
            return since
        if span["claimant"] == span["lender"] and span["handover"] == "taker_only":
            claimed_at: datetime = span["from_at"]
            return claimed_at
    return None


def _handed(spans: Sequence[Row], rule: ReturnedWhen, received_at: datetime | None) -> datetime | None:
    """When the borrower said that it gave it to the carrier or the lender."""
    counts = {LineState.RETURNING}
    if rule is ReturnedWhen.HANDED_TO_CARRIER:
        counts.add(LineState.RETURNED)
    gone = [span["line_since"] for span in spans if span["line"] in counts]
    return gone[0] if gone and gone[0] != received_at else None
