"""Loans: the chain of their versions, the spans that their lines went through, and the due dates in force."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, datetime
from itertools import groupby
from json import loads
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.loans import DueFact
from shipsvc.domain.times import local_date
from shipsvc.store import documents, moments
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT_ITEM
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER, Loan, table

LOAN = table(Loan)
#: What a line needs of a span.
_OF_A_LINE = (
    SPAN.c.item,
    SPAN.c.from_at,
    SPAN.c.to_at,
    SPAN.c.loan,
    SPAN.c.lender,
    SPAN.c.borrower,
    SPAN.c.line,
    SPAN.c.line_since,
    SPAN.c.due_on,
    SPAN.c.terms,
    SPAN.c.certain,
    SPAN.c.holder,
    SPAN.c.certain_since,
    SPAN.c.claimed,
    SPAN.c.claimant,
    SPAN.c.handover,
    SPAN.c.mass_ng,
)


def parties(institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: one of the institutions lends or borrows."""
    return sa.or_(LOAN.c.lender.in_(institutions), LOAN.c.borrower.in_(institutions))


def page(
    connection: sa.Connection,
    when: When,
    visible: sa.ColumnElement[bool] | None,
    *,
    lenders: Collection[str] | None,
    borrowers: Collection[str] | None,
    closed: bool | None,
    after: str,
    limit: int,
) -> Sequence[Row]:
    """Up to ``limit`` loans in the order of their codes, behind the code ``after``."""
    wanted = [clause for clause in (visible, *_asked(lenders, borrowers, closed)) if clause is not None]
    return documents.page(connection, LOAN, when, after=after, limit=limit, visible=sa.and_(sa.true(), *wanted))


def _asked(
    lenders: Collection[str] | None, borrowers: Collection[str] | None, closed: bool | None
) -> Iterable[sa.ColumnElement[bool]]:
    if lenders is not None:
        yield LOAN.c.lender.in_(lenders)
    if borrowers is not None:
        yield LOAN.c.borrower.in_(borrowers)
    if closed is not None:
        yield LOAN.c.closed_at.is_not(None) if closed else LOAN.c.closed_at.is_(None)


def line_spans(connection: sa.Connection, loans: Collection[str], when: When) -> Sequence[Row]:
    """The spans that items spent under the loans up to ``when.as_of``, in order of loan, item and time."""
    wanted = (
        sa.select(*_OF_A_LINE)
        .where(
            SPAN.c.loan.in_(loans),
            SPAN.c.from_at <= when.as_of,
            moments.known(SPAN.c.known_from, SPAN.c.known_to, when),
        )
        .order_by(SPAN.c.loan, SPAN.c.item, SPAN.c.from_at)
    )
    return rows(connection, wanted)


def now_under(connection: sa.Connection, items: Collection[str], when: When, now: datetime) -> dict[str, Row]:
    """The span of each item that holds at ``when``, by item."""
    wanted = sa.select(*_OF_A_LINE).where(SPAN.c.item.in_(items), moments.holding(when, now))
    return {row["item"]: row for row in rows(connection, wanted)}


def signed_items(connection: sa.Connection, signings: Collection[str], when: When) -> dict[str, set[str]]:
    """The items that each signing named, by the id of the decision."""
    wanted = sa.select(EVENT_ITEM.c.event_id, EVENT_ITEM.c.item).where(
        EVENT_ITEM.c.event_id.in_(signings), moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when)
    )
    found: dict[str, set[str]] = {}
    for event_id, item in connection.execute(wanted):
        found.setdefault(event_id, set()).add(item)
    return found


def due_facts(
    connection: sa.Connection, loans: Collection[str], known_on: datetime | None = None, as_of: datetime | None = None
) -> dict[str, list[DueFact]]:
    """The due dates that were ever in force under each loan, as (granted on, due on) in the loan's zone, in order.

    Over all lines of a loan. Where lines started on different days of a term, ask ``line_due_facts``.
    """
    found: dict[str, set[DueFact]] = {}
    for (loan, _), facts in line_due_facts(connection, loans, known_on, as_of).items():
        found.setdefault(loan, set()).update(facts)
    return {loan: sorted(facts) for loan, facts in found.items()}


def line_due_facts(
    connection: sa.Connection, loans: Collection[str], known_on: datetime | None = None, as_of: datetime | None = None
) -> dict[tuple[str, str], list[DueFact]]:
    """The same for each line, by (loan, item): set at signing, by the start of the term, by extension or recall.

    Read from the spans, which follow the log: an amended or withdrawn decision counts as it now stands.
    """
    when = When(as_of or FOREVER, known_on or FOREVER)
    known = moments.known(SPAN.c.known_from, SPAN.c.known_to, when)
    wanted = (
        sa.select(SPAN.c.loan, SPAN.c.item, SPAN.c.from_at, SPAN.c.due_on, SPAN.c.terms)
        .where(SPAN.c.loan.in_(loans), SPAN.c.due_on.is_not(None), SPAN.c.from_at <= when.as_of, known)
        .order_by(SPAN.c.loan, SPAN.c.item, SPAN.c.from_at)
    )
    by_line = groupby(rows(connection, wanted), key=lambda row: (row["loan"], row["item"]))
    return {line: due_changes(spent) for line, spent in by_line}


def due_changes(spent: Iterable[Mapping[str, Any]]) -> list[DueFact]:
    """The due dates that one line went through, from its spans in order: each on the local day it came into force."""
    found: list[DueFact] = []
    last: date | None = None
    for row in spent:
        if row["due_on"] is not None and row["due_on"] != last:
            last = row["due_on"]
            found.append((local_date(row["from_at"], zone(row)), row["due_on"]))
    return found


def terms(span: Mapping[str, Any]) -> Mapping[str, Any]:
    """What the agreement says of a line: zone, returned_when, term_months, and the loan that follows, if one does."""
    found: Mapping[str, Any] = loads(span["terms"])
    return found


def zone(span: Mapping[str, Any]) -> str:
    """The zone that a line's due dates are in."""
    return str(terms(span)["zone"])
