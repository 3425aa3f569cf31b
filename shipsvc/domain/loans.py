"""Due dates, days past them, and the states of a loan's lines.

All dates here are local dates of the loan's zone, taken by effective time (an amended fact counts at the time that
the amendment gives it). *Overdue* and *uncovered* are computed at each question and never stored.
"""

from calendar import monthrange
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from shipsvc.domain.errors import Malformed
from shipsvc.domain.times import as_utc, due_end

#: (granted_on, due_on): on the first date the second one was agreed, extended to, or set by a recall.
DueFact = tuple[date, date]

#: Days before a due date on which the responsible person and a deputy are reminded (trade practice, trade.md 2.6).
REMINDED_BEFORE_DAYS = (60, 30, 14, 7, 1)
#: Days after it; from then on monthly.
REMINDED_AFTER_DAYS = (1, 7, 14, 30)
#: Nothing new is dispatched to a group from this many days after a due date on.
DISPATCH_BLOCKED_AFTER_DAYS = 30


class ReturnedWhen(StrEnum):
    """What counts as returned: a setting of the agreement."""

    RECEIVED_BY_LENDER = "received_by_lender"
    HANDED_TO_CARRIER = "handed_to_carrier"


class LineState(StrEnum):
    """Where a loan line stands. It is *overdue* beside that, not instead."""

    PROMISED = "promised"
    SENT = "sent"
    HELD = "held"
    PART_USED = "part_used"
    RETURNING = "returning"
    RETURNED = "returned"
    USED_UP = "used_up"
    TRANSFERRED = "transferred"
    LOST_DECIDED = "lost_decided"

    @property
    def is_closed(self) -> bool:
        """Whether nothing more is owed on the line."""
        return self in _CLOSED


_CLOSED = frozenset({LineState.RETURNED, LineState.USED_UP, LineState.TRANSFERRED, LineState.LOST_DECIDED})


@dataclass(frozen=True, slots=True, kw_only=True)
class LoanLine:
    """One thing lent, and when each step of it was told to have happened (aware UTC; None while it has not).

    ``released`` by the lender, ``accepted`` by the borrower, ``used`` first in part, ``used_up``, ``handed_back``
    by the borrower to carrier or lender, ``received`` back by the lender, ``transferred`` to another loan, and
    ``lost_decided``.
    """

    released: datetime | None = None
    accepted: datetime | None = None
    used: datetime | None = None
    used_up: datetime | None = None
    handed_back: datetime | None = None
    received: datetime | None = None
    transferred: datetime | None = None
    lost_decided: datetime | None = None

    @property
    def state(self) -> LineState:
        """The furthest step that was told, whether or not the steps before it were.

        A step may be told before its forerunner: an acceptance without a release makes it held all the same.
        """
        steps = (
            (self.lost_decided, LineState.LOST_DECIDED),
            (self.transferred, LineState.TRANSFERRED),
            (self.received, LineState.RETURNED),
            (self.used_up, LineState.USED_UP),
            (self.handed_back, LineState.RETURNING),
            (self.used, LineState.PART_USED),
            (self.accepted, LineState.HELD),
            (self.released, LineState.SENT),
        )
        return next((state for at, state in steps if at is not None), LineState.PROMISED)

    def returned_at(self, rule: ReturnedWhen) -> datetime | None:
        """The instant that counts as its return under the agreement's rule; None while it is not returned.

        Handing over to the carrier counts from the borrower's own word; a receipt told alone counts too, since
        what the lender has was handed over before.
        """
        if rule is ReturnedWhen.RECEIVED_BY_LENDER:
            return self.received
        return self.handed_back or self.received


@dataclass(frozen=True, slots=True)
class Due:
    """A due date in the borrower's zone, an IANA name. It ends with its local day, however long that is."""

    on: date
    zone: str | ZoneInfo

    @property
    def end(self) -> datetime:
        """The first instant, aware UTC, that is late. Computed anew each time, since zone rules change."""
        return due_end(self.on, self.zone)

    def is_over(self, at: datetime) -> bool:
        """Whether it is late at that instant; the end itself is late."""
        return as_utc(at) >= self.end

    def time_left(self, at: datetime) -> timedelta:
        """From that instant to the end; negative when late."""
        return self.end - as_utc(at)


def term_end(start: date, months: int) -> date:
    """The date so many months after the start, always counted from the start itself.

    A day that the month does not have becomes its last one: six months from 31 August end on 28 or 29 February.
    Weekends and holidays move nothing. Raises Malformed for less than one month or beyond the calendar.
    """
    if months < 1:
        raise Malformed(why="a loan lasts at least one month")
    years, month = divmod(start.month - 1 + months, 12)
    if start.year + years > date.max.year:
        raise Malformed(why="the loan would end beyond the calendar")
    last_day = monthrange(start.year + years, month + 1)[1]
    return date(start.year + years, month + 1, min(start.day, last_day))


def due_in_force(due_facts: Sequence[DueFact], on: date) -> date | None:
    """The due date that was granted last on or before a day, or None where there was none yet."""
    granted = [due for granted_on, due in _in_order(due_facts) if granted_on <= on]
    return granted[-1] if granted else None


def days_left(due_on: date, today: date) -> int:
    """Whole days from today to a due date; negative once it is past."""
    return (due_on - today).days


def days_overdue(due_on: date, returned_on: date | None, today: date) -> int:
    """Days by which a due date was passed until the return, or is passed today; 0 when in time.

    The due day itself does not count, the day of return does.
    """
    until = today if returned_on is None else min(returned_on, today)
    return max(0, (until - due_on).days)


def uncovered_days(due_facts: Sequence[DueFact], returned_on: date | None, today: date) -> int:
    """Days without a due date in force: the sum over due dates of the days from each to what came next.

    That is the next grant, the return, or today, whichever is first. The day of grant or return counts, the due day
    does not, and a grant on or before the due day leaves no gap. A later extension does not make them vanish.
    """
    facts = _in_order(due_facts)
    next_grants = [*(granted_on for granted_on, _ in facts[1:]), date.max]
    return sum(
        days_overdue(due_on, min(next_grant, returned_on or date.max), today)
        for (_, due_on), next_grant in zip(facts, next_grants, strict=False)
    )


def falls_due_within(due_on: date, today: date, days: int) -> bool:
    """Whether it becomes due today or in the next ``days`` days; what is overdue no longer falls due."""
    return 0 <= days_left(due_on, today) <= days


def dispatch_blocked_from(due_on: date) -> date:
    """The day from which nothing new is dispatched to a group that has not returned what was due."""
    return due_on + timedelta(days=DISPATCH_BLOCKED_AFTER_DAYS)


def reminder_days(due_on: date, until: date) -> list[date]:
    """The days on which the borrower is reminded of a due date, up to and including ``until``, in order.

    60, 30, 14, 7 and 1 days before; 1, 7, 14 and 30 days after; then monthly, counted from the last of these.
    """
    days = [due_on - timedelta(days=n) for n in REMINDED_BEFORE_DAYS]
    days += [due_on + timedelta(days=n) for n in REMINDED_AFTER_DAYS]
    last, months = days[-1], 1
    while (following := term_end(last, months)) <= until:
        days.append(following)
        months += 1
    return [day for day in days if day <= until]


def _in_order(due_facts: Sequence[DueFact]) -> list[DueFact]:
    """By day of grant; of two on one day the one named later holds."""
    return sorted(due_facts, key=lambda fact: fact[0])
