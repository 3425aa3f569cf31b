"""SELECTs for the reports that read spans: what is out, overdue, held, open.

A first page must cost the same however large the collection is (design section 7). Each statement here therefore
walks one index in the order of the page and stops at its limit; what several statements find is merged by the caller.
The conditions of partial indexes stand in the SQL as they stand in the index, not as parameters, since neither
database could otherwise tell that the index will do.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from shipsvc.store import access, spans
from shipsvc.store.engine import Row, rows
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import EVER_SQL, OPEN_SQL, OUT_SQL, Item, ItemParty

ITEM = table(Item)
PARTY = table(ItemParty)
#: Known on this moment is what is known at last: the end of an open span itself would find nothing.
AT_LAST = FOREVER - timedelta(microseconds=1)
# TextClause, since SQLAlchemy would write a literal_column of Boolean as "(...) = 1", which is not what the index says.
LIVE = sa.text("item_span.live = 1")
EVER = sa.text(f"item_span.{EVER_SQL}")
OUT = sa.text(f"item_span.line IN {OUT_SQL}")
LATE = sa.text("item_span.to_at > item_span.due_at")
OPEN = sa.text(f"item_span.handover IN {OPEN_SQL}")
Clause = sa.ColumnElement[bool] | sa.TextClause


class _Aside(FunctionElement[str]):
    """A column that leads to no index. SQLite cannot tell which of two indexes is narrower; unary + says it."""

    type = sa.String()
    inherit_cache = True


@compiles(_Aside)
def _as_it_is(element: _Aside, compiler: SQLCompiler, **how: Any) -> str:
    return compiler.process(element.clauses, **how)


@compiles(_Aside, "sqlite")
def _without_index(element: _Aside, compiler: SQLCompiler, **how: Any) -> str:
    return "+" + compiler.process(element.clauses, **how)


@dataclass(frozen=True)
class Moment:
    """The moment asked about, by what was known on a moment; None stands for all that is known now.

    ``is_now``: the moment is not past, so that only what is live need be read.
    """

    as_of: datetime
    known_on: datetime | None
    is_now: bool

    @property
    def holds(self) -> Clause:
        """A clause: the span holds at that instant."""
        if self.known_on is None and self.is_now:
            return spans.at(self.as_of, None)
        return spans.at(self.as_of, self.known_on or AT_LAST)

    def holds_for(self, span: sa.FromClause) -> Clause:
        """The same of another span of the statement, or of one that is looked up by its item.

        Without the words that make the indexes by holder or lender fit: PostgreSQL 18 would skip through one of those,
        holder by holder, to find an item.
        """
        known = self.known_on or AT_LAST
        return sa.and_(
            span.c.from_at <= self.as_of, span.c.to_at > self.as_of, span.c.known_from <= known, span.c.known_to > known
        )


@dataclass(frozen=True)
class Lines:
    """Which lines of loans: of a lender, of a borrower, of a loan, or of several of these at once (at least of one).

    The narrowest index is taken: one lends to many, a loan has few lines.
    """

    lender: str | None = None
    borrower: str | None = None
    loan: str | None = None

    def where(self) -> list[Clause]:
        """The clauses, one of them for the index to begin with."""
        named = [(SPAN.c.loan, self.loan), (SPAN.c.borrower, self.borrower), (SPAN.c.lender, self.lender)]
        given = [(column, value) for column, value in named if value is not None]
        hidden = [_Aside(column) == value for column, value in given[1:]]
        first, value = given[0]
        return [OUT, first == value, *hidden]


def lines_out(when: Moment, which: Lines, after: str, limit: int, *clauses: Clause) -> sa.Select[Any]:
    """Lines that are out, in the order of items behind ``after``."""
    wanted = sa.select(SPAN).where(when.holds, *which.where(), SPAN.c.item > after, *clauses)
    return wanted.order_by(SPAN.c.item).limit(limit)


def lines_overdue(when: Moment, which: Lines, after: tuple[datetime, str] | None, limit: int) -> sa.Select[Any]:
    """Lines past their due date, the last to fall due first, behind the (due_at, item) ``after``.

    In this order, because most of what fell due long before a past moment had come back by then, and a page that
    began with it would have to read all of that.
    """
    wanted = sa.select(SPAN).where(when.holds, *which.where())
    if not (when.is_now and when.known_on is None):
        wanted = wanted.where(LATE)
    due_at, item = after or (when.as_of, None)
    wanted = wanted.where(SPAN.c.due_at <= due_at)
    if item is not None:
        wanted = wanted.where(sa.or_(SPAN.c.due_at < due_at, SPAN.c.item < item))
    return wanted.order_by(SPAN.c.due_at.desc(), SPAN.c.item.desc()).limit(limit)


def lines_due(
    when: Moment, which: Lines, until: datetime, after: tuple[datetime, str] | None, limit: int
) -> sa.Select[Any]:
    """Lines that fall due after the moment and by ``until``, the first to fall due first, behind the (due_at, item)
    ``after``."""
    due_at, item = after or (when.as_of, None)
    wanted = sa.select(SPAN).where(when.holds, *which.where(), SPAN.c.due_at <= until)
    if item is None:
        wanted = wanted.where(SPAN.c.due_at > due_at)
    else:
        behind = sa.or_(SPAN.c.due_at > due_at, SPAN.c.item > item)
        wanted = wanted.where(SPAN.c.due_at >= due_at, behind)
    return wanted.order_by(SPAN.c.due_at, SPAN.c.item).limit(limit)


def lenders(connection: sa.Connection, when: Moment) -> list[str]:
    """Everybody who has a line out, or had one; found by steps through the index, not by reading it."""
    index = LIVE if when.is_now and when.known_on is None else EVER
    found: list[str] = []
    while True:
        behind = found[-1] if found else ""
        wanted = sa.select(SPAN.c.lender).where(OUT, index, SPAN.c.lender > behind).order_by(SPAN.c.lender).limit(1)
        following = connection.execute(wanted).scalar()
        if following is None:
            return found
        found.append(following)


def held_certainly(when: Moment, institution: str, after: str, limit: int, *clauses: Clause) -> sa.Select[Any]:
    """What an institution or a desk of it certainly holds, in the order of items."""
    wanted = sa.select(SPAN).where(when.holds, SPAN.c.holder == institution, SPAN.c.item > after, *clauses)
    return wanted.order_by(SPAN.c.item).limit(limit)


def held_by_claim(when: Moment, institution: str, after: str, limit: int, *clauses: Clause) -> sa.Select[Any]:
    """What it is said by one side to hold, and is not certain to, in the order of items."""
    other = sa.or_(SPAN.c.holder.is_(None), SPAN.c.holder != institution)
    claimed = SPAN.c.claimant == institution
    wanted = sa.select(SPAN).where(when.holds, claimed, other, SPAN.c.item > after, *clauses)
    return wanted.order_by(SPAN.c.item).limit(limit)


def open_handovers(when: Moment, after: str, limit: int, *clauses: Clause) -> sa.Select[Any]:
    """Outermost things whose handover is open: what lies in another that is in the very same state is left out."""
    box = SPAN.alias("box")
    same = sa.exists().where(
        box.c.item == SPAN.c.parent,
        when.holds_for(box),
        box.c.handover == SPAN.c.handover,
        box.c.claimed.is_not_distinct_from(SPAN.c.claimed),
        box.c.certain.is_not_distinct_from(SPAN.c.certain),
    )
    wanted = sa.select(SPAN).where(when.holds, OPEN, SPAN.c.item > after, ~same, *clauses)
    return wanted.order_by(SPAN.c.item).limit(limit)


def contents(connection: sa.Connection, when: Moment, boxes: Collection[str], *clauses: Clause) -> Sequence[Row]:
    """What lies directly in one of the boxes."""
    wanted = sa.select(SPAN).where(when.holds, SPAN.c.parent.in_(boxes), *clauses).order_by(SPAN.c.item)
    return rows(connection, wanted)


def inside_since(connection: sa.Connection, when: Moment, boxes: Collection[str], since: datetime) -> set[str]:
    """What lay directly in one of the boxes at any time from ``since`` to the moment asked about."""
    known = when.known_on or AT_LAST
    wanted = (
        sa.select(SPAN.c.item)
        .distinct()
        .where(
            SPAN.c.parent.in_(boxes),
            SPAN.c.to_at > since,
            SPAN.c.from_at <= when.as_of,
            SPAN.c.known_from <= known,
            SPAN.c.known_to > known,
        )
    )
    return set(connection.execute(wanted).scalars())


def spans_at(connection: sa.Connection, when: Moment, numbers: Collection[str]) -> Sequence[Row]:
    """The span of each of the items that holds."""
    return rows(connection, sa.select(SPAN).where(when.holds_for(SPAN), SPAN.c.item.in_(numbers)).order_by(SPAN.c.item))


def custody_until(connection: sa.Connection, when: Moment, numbers: Collection[str]) -> Sequence[Row]:
    """Who held the items from when to when, up to the moment asked about: of each item its newest span first."""
    known = when.known_on or AT_LAST
    columns = [SPAN.c[name] for name in ("item", "from_at", "to_at", "event_id", "by_item")]
    columns += [SPAN.c[name] for name in ("certain", "claimed", "handover", "words")]
    wanted = sa.select(*columns).where(
        SPAN.c.item.in_(numbers), SPAN.c.from_at <= when.as_of, SPAN.c.known_from <= known, SPAN.c.known_to > known
    )
    return rows(connection, wanted.order_by(SPAN.c.item, SPAN.c.from_at.desc()))


def dues_until(connection: sa.Connection, when: Moment, numbers: Collection[str]) -> Sequence[Row]:
    """Which due date each item had from when on, up to the moment asked about, oldest first."""
    known = when.known_on or AT_LAST
    wanted = sa.select(SPAN.c.item, SPAN.c.loan, SPAN.c.from_at, SPAN.c.due_on, SPAN.c.terms).where(
        SPAN.c.item.in_(numbers),
        SPAN.c.due_on.is_not(None),
        SPAN.c.from_at <= when.as_of,
        SPAN.c.known_from <= known,
        SPAN.c.known_to > known,
    )
    return rows(connection, wanted.order_by(SPAN.c.item, SPAN.c.from_at))


def spans_of(connection: sa.Connection, number: str, known_on: datetime | None) -> Sequence[Row]:
    """All spans of one item, oldest first."""
    known = known_on or AT_LAST
    wanted = sa.select(SPAN).where(SPAN.c.item == number, SPAN.c.known_from <= known, SPAN.c.known_to > known)
    return rows(connection, wanted.order_by(SPAN.c.from_at))


def time_of(connection: sa.Connection, number: str, institutions: Collection[str]) -> list[tuple[datetime, datetime]]:
    """From when to when one of the institutions had to do with an item, span by span, as known now."""
    return [(row["from_at"], row["to_at"]) for row in times_of(connection, [number], institutions)]


def times_of(connection: sa.Connection, numbers: Collection[str], institutions: Collection[str]) -> Sequence[Row]:
    """The same of many items: item, from_at, to_at; in the order of items, oldest first."""
    wanted = sa.select(SPAN.c.item, SPAN.c.from_at, SPAN.c.to_at).where(
        SPAN.c.item.in_(numbers), SPAN.c.known_to == FOREVER, access.concerns(institutions, SPAN.c.from_at)
    )
    return rows(connection, wanted.order_by(SPAN.c.item, SPAN.c.from_at))


# -------------------------------------------------------------------------------------------------- samples in general
def samples_of_owner(when: Moment, owner: str, after: str, limit: int, *clauses: Clause) -> sa.Select[Any]:
    """Samples that an institution owns, in the order of items."""
    of = ITEM.alias("owned")
    joined = of.join(SPAN, SPAN.c.item == of.c.number)
    wanted = sa.select(SPAN).select_from(joined).where(of.c.owner == owner, of.c.number > after)
    return wanted.where(when.holds_for(SPAN), is_sample(), *clauses).order_by(of.c.number).limit(limit)


def samples_related(when: Moment, institution: str, after: str, limit: int, *clauses: Clause) -> sa.Select[Any]:
    """Samples that an institution has to do with, in the order of items."""
    to = PARTY.alias("related_to")
    joined = to.join(SPAN, SPAN.c.item == to.c.item)
    wanted = sa.select(SPAN).select_from(joined).where(to.c.institution == institution, to.c.item > after)
    return wanted.where(when.holds_for(SPAN), is_sample(), *clauses).order_by(to.c.item).limit(limit)


def samples(when: Moment, after: str, limit: int, *clauses: Clause) -> sa.Select[Any]:
    """Any samples, in the order of items."""
    wanted = sa.select(SPAN).where(SPAN.c.item > after, when.holds_for(SPAN), is_sample(), *clauses)
    return wanted.order_by(SPAN.c.item).limit(limit)


def is_sample() -> Clause:
    """A clause: the span is of a sample that is still there."""
    return sa.and_(SPAN.c.status != "ended", _there_is(ITEM.c.number == SPAN.c.item, ITEM.c.kind == "sample"))


def _there_is(*clauses: sa.ColumnElement[bool]) -> Clause:
    """EXISTS, written so that PostgreSQL asks it row by row.

    An EXISTS it may turn into a join with, or a hash of, all items or parties, and so read all of them for one page.
    """
    return sa.select(sa.literal_column("1")).where(*clauses).limit(1).scalar_subquery().is_not(None)


# --------------------------------------------------------------------------------------------------------- who may see
def is_with(institution: str) -> Clause:
    """A clause: the institution holds it, certainly or as one side says."""
    return sa.or_(_Aside(SPAN.c.holder) == institution, _Aside(SPAN.c.claimant) == institution)


def owned_by(institutions: Collection[str]) -> Clause:
    """A clause: one of the institutions owns the item of the span."""
    return _there_is(ITEM.c.number == SPAN.c.item, ITEM.c.owner.in_(institutions))


def party_to(institutions: Collection[str], at: datetime) -> Clause:
    """A clause: one of the institutions owns the item, or has to do with it, and by this very span.

    Both: what lies in a parcel is held by the courier who holds the parcel, and is none of its affairs (rulings 16).
    """
    related = _there_is(PARTY.c.item == SPAN.c.item, PARTY.c.institution.in_(institutions))
    return sa.or_(sa.and_(access.concerns(institutions, at), related), owned_by(institutions))


def owns_anything(connection: sa.Connection, institutions: Collection[str]) -> bool:
    """Whether one of the institutions owns an item."""
    wanted = sa.select(ITEM.c.number).where(ITEM.c.owner.in_(institutions)).limit(1)
    return connection.execute(wanted).first() is not None


def sees_item(connection: sa.Connection, number: str, clause: Clause | None) -> Row | None:
    """The row of an item, if the clause on its number allows it."""
    wanted = sa.select(ITEM).where(ITEM.c.number == number)
    found = rows(connection, wanted if clause is None else wanted.where(clause))
    return found[0] if found else None
