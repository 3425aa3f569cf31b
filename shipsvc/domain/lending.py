"""One sample as a line of a loan: promised, sent, held, returned - all by facts (rulings 15, 20, 31)."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime

from shipsvc.domain import times
from shipsvc.domain.facts import Fact, same_institution
from shipsvc.domain.loans import term_end

#: States in which the borrower answers for the sample.
OUT = frozenset({"sent", "held", "part_used", "returning"})


@dataclass(frozen=True, slots=True)
class Line:
    """The loan a sample is on and how far that has come. ``state`` is one of none, promised, sent, held, part_used,
    returning, returned, used_up, lost_decided; ``following`` is a further loan, which begins when its borrower accepts.
    """

    loan: str | None = None
    lender: str | None = None
    borrower: str | None = None
    state: str = "none"
    since: datetime | None = None
    due_on: date | None = None
    zone: str = "UTC"
    returned_when: str = "received_by_lender"
    term_months: int | None = None
    following: "Line | None" = None

    @property
    def due_at(self) -> datetime | None:
        """The end of the due day in the loan's zone, as the zone's rules now stand; None without a due date."""
        return times.due_end(self.due_on, self.zone) if self.due_on else None


def after(line: Line, fact: Fact) -> Line:
    """The line once ``fact`` is taken in."""
    step = _STEPS.get(fact.kind)
    return step(line, fact) if step else line


def _at(line: Line, state: str, fact: Fact) -> Line:
    return replace(line, state=state, since=fact.happened_at)


def _signed(line: Line, fact: Fact) -> Line:
    months = fact.body.get("term_months")
    fresh = Line(
        loan=fact.text("loan"),
        lender=fact.text("lender"),
        borrower=fact.text("borrower"),
        state="promised",
        since=fact.happened_at,
        due_on=_day(fact.text("due_on")),
        zone=fact.text("zone") or "UTC",
        returned_when=fact.text("returned_when") or "received_by_lender",
        term_months=months if isinstance(months, int) else None,
    )
    # Until its borrower has the sample, a transfer leaves the first loan owing it.
    return replace(line, following=fresh) if line.state in OUT else fresh


def _released(line: Line, fact: Fact) -> Line:
    if not fact.own_word:
        return line
    if line.state == "promised" and same_institution(fact.party, line.lender):
        return _at(line, "sent", fact)
    if line.state in {"held", "part_used"} and same_institution(fact.party, line.borrower):
        if same_institution(fact.text("to"), line.borrower) or line.following:
            return line
        return _at(line, "returned" if line.returned_when == "handed_to_carrier" else "returning", fact)
    return line


def _accepted(line: Line, fact: Fact) -> Line:
    if not fact.own_word:
        return line
    if line.following and same_institution(fact.party, line.following.borrower):
        return _begun(line.following, fact)
    if line.state in {"promised", "sent"} and same_institution(fact.party, line.borrower):
        return _begun(line, fact)
    if line.state in OUT and same_institution(fact.party, line.lender):
        return _at(line, "returned", fact)
    return line


def _begun(line: Line, fact: Fact) -> Line:
    """The term runs from the borrower's acceptance, counted from that day in the loan's zone (rulings 20)."""
    due_on = line.due_on
    if due_on is None and line.term_months is not None:
        due_on = term_end(times.local_date(fact.happened_at, line.zone), line.term_months)
    return replace(_at(line, "held", fact), due_on=due_on)


def _due_set(line: Line, fact: Fact) -> Line:
    if fact.text("loan") == line.loan:
        return replace(line, due_on=_day(fact.text("due_on")))
    if line.following and fact.text("loan") == line.following.loan:
        return replace(line, following=_due_set(line.following, fact))
    return line


def _used(line: Line, fact: Fact) -> Line:
    if line.state not in OUT:
        return line
    if fact.body.get("all") is True:
        return _at(line, "used_up", fact)
    return replace(line, state="part_used") if line.state == "held" else line


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


_STEPS: dict[str, Callable[[Line, Fact], Line]] = {
    "loan_signed": _signed,
    "released": _released,
    "accepted": _accepted,
    "due_set": _due_set,
    "recalled": _due_set,
    "used": _used,
}
