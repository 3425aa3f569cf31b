"""SELECTs over the ledger: what flowed in and out of samples, what they hold, what weighing them again said."""

from collections.abc import Callable, Collection, Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store.derived import COMPARISON, MOVE, PARENTAGE
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.events import EVENT_ITEM
from shipsvc.store.reads import AT_LAST, ITEM, Moment
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER
from shipsvc.store.tables_derived import UNEXPLAINED_SQL

Clause = sa.ColumnElement[bool]
#: Which samples a balance is about, as a clause on a row of ``item``.
Scope = Callable[[sa.FromClause], Clause]


def everything(_: sa.FromClause) -> Clause:
    """All samples."""
    return sa.true()


def of_owners(owners: Collection[str]) -> Scope:
    """What these institutions own."""
    return lambda item: item.c.owner.in_(owners)


def of_collection(code: str) -> Scope:
    """What belongs to a collection."""
    return lambda item: sa.func.coalesce(item.c.collection, "") == code


def these(numbers: Collection[str]) -> Scope:
    """These samples."""
    return lambda item: item.c.number.in_(numbers)


def _known(kind: sa.FromClause, when: Moment) -> Clause:
    known = when.known_on or AT_LAST
    return sa.and_(kind.c.known_from <= known, kind.c.known_to > known)


def flows(connection: sa.Connection, when: Moment, since: datetime | None, scope: Scope, *, into: bool) -> list[Row]:
    """What went into the samples, or out of them, until then: ``account``, ``inside`` (that of another of them),
    ``before`` (not after ``since``), ``ng``."""
    mine, other = ("to", "from") if into else ("from", "to")
    beyond = ITEM.alias("beyond")
    joined = MOVE.join(ITEM, ITEM.c.number == MOVE.c[f"{mine}_item"])
    joined = joined.outerjoin(beyond, beyond.c.number == MOVE.c[f"{other}_item"])
    account = MOVE.c[f"{other}_account"]
    inside = sa.case((sa.and_(beyond.c.number.is_not(None), scope(beyond)), 1), else_=0)
    before = sa.case((MOVE.c.happened_at <= since, 1), else_=0) if since else sa.literal_column("0")
    wanted = sa.select(account.label("account"), inside.label("inside"), before.label("before"))
    wanted = wanted.add_columns(sa.func.sum(MOVE.c.mass_ng).label("ng")).select_from(joined)
    wanted = wanted.where(scope(ITEM), MOVE.c.happened_at <= when.as_of, _known(MOVE, when))
    return [{**row, "ng": int(row["ng"])} for row in rows(connection, wanted.group_by("account", "inside", "before"))]


def held(connection: sa.Connection, when: Moment, since: datetime | None, scope: Scope) -> list[Row]:
    """What the books of the samples hold then, of those ``counted`` (weighed again after ``since``) and of the others:
    ``samples`` that hold anything, ``ng``."""
    counted = sa.case((_weighed_again(when, since), 1), else_=0).label("counted")
    wanted = sa.select(counted, sa.func.count().label("samples"), sa.func.sum(SPAN.c.mass_ng).label("ng"))
    wanted = wanted.select_from(SPAN.join(ITEM, ITEM.c.number == SPAN.c.item))
    wanted = wanted.where(scope(ITEM), when.holds, SPAN.c.mass_ng != 0).group_by("counted")
    return [{**row, "ng": int(row["ng"])} for row in rows(connection, wanted)]


def _weighed_again(when: Moment, since: datetime | None) -> Clause:
    weighing = COMPARISON.alias("weighed_again")
    later = (weighing.c.happened_at > since,) if since else ()
    return sa.exists().where(
        weighing.c.item == SPAN.c.item,
        ~weighing.c.is_sheet,
        weighing.c.happened_at <= when.as_of,
        *later,
        _known(weighing, when),
    )


def differences(connection: sa.Connection, when: Moment, since: datetime | None, scope: Scope) -> tuple[int, float]:
    """By how much in ng the last weighings after ``since`` of samples that hold something differ from their books, and
    the variance of that. A difference that the book was set to since is none any more."""
    later = (COMPARISON.c.happened_at > since,) if since else ()
    nth = sa.func.row_number().over(
        partition_by=COMPARISON.c.item, order_by=(COMPARISON.c.happened_at.desc(), COMPARISON.c.event_id.desc())
    )
    joined = COMPARISON.join(ITEM, ITEM.c.number == COMPARISON.c.item).join(SPAN, SPAN.c.item == COMPARISON.c.item)
    inner = sa.select(
        COMPARISON.c.item,
        COMPARISON.c.happened_at,
        (COMPARISON.c.observed_ng - COMPARISON.c.expected_ng + COMPARISON.c.buoyancy_ng).label("ng"),
        (COMPARISON.c.u_ng * COMPARISON.c.u_ng).label("variance"),
        nth.label("nth"),
    ).select_from(joined)
    inner = inner.where(scope(ITEM), when.holds, SPAN.c.mass_ng != 0, ~COMPARISON.c.is_sheet)
    last = inner.where(COMPARISON.c.happened_at <= when.as_of, *later, _known(COMPARISON, when)).subquery("last")
    wanted = sa.select(sa.func.sum(last.c.ng).label("ng"), sa.func.sum(last.c.variance).label("variance"))
    (row,) = rows(connection, wanted.where(last.c.nth == 1, ~_set_since(when, last)))
    return int(row["ng"] or 0), float(row["variance"] or 0)


def _set_since(when: Moment, weighing: sa.FromClause) -> Clause:
    """The book was set to another mass since that weighing."""
    settling = ("unexplained", "rebasis")
    return sa.exists().where(
        sa.or_(
            sa.and_(MOVE.c.from_item == weighing.c.item, MOVE.c.to_account.in_(settling)),
            sa.and_(MOVE.c.to_item == weighing.c.item, MOVE.c.from_account.in_(settling)),
        ),
        MOVE.c.happened_at >= weighing.c.happened_at,
        MOVE.c.happened_at <= when.as_of,
        _known(MOVE, when),
    )


# ---------------------------------------------------------------------------------------------------------- the family
def relatives(connection: sa.Connection, number: str, when: Moment, *, down: bool) -> Sequence[Row]:
    """How all that descends from a sample, or all that it descends from, was made until then: child, parent, event_id,
    born_at, mass_ng; a circle in the record ends the search."""
    made = (PARENTAGE.c.born_at <= when.as_of, _known(PARENTAGE, when))
    near, far = (PARENTAGE.c.parent, PARENTAGE.c.child) if down else (PARENTAGE.c.child, PARENTAGE.c.parent)
    reached = sa.select(sa.literal(number).label("number")).cte("reached", recursive=True)
    reached = reached.union(sa.select(far).where(near == reached.c.number, *made))
    wanted = sa.select(PARENTAGE).where(near.in_(sa.select(reached.c.number)), *made)
    return rows(connection, wanted.order_by(PARENTAGE.c.born_at, PARENTAGE.c.child, PARENTAGE.c.parent))


def books(connection: sa.Connection, numbers: Collection[str], when: Moment) -> dict[str, Row]:
    """The spans that hold then, by item."""
    wanted = sa.select(SPAN).where(SPAN.c.item.in_(numbers), when.holds_for(SPAN))
    return {row["item"]: row for row in rows(connection, wanted)}


def used(connection: sa.Connection, numbers: Collection[str], when: Moment) -> dict[tuple[str, str], int]:
    """How many ng of each sample went to each account until then, by (item, account)."""
    found: dict[tuple[str, str], int] = {}
    for mine, other, sign in (("from", "to", 1), ("to", "from", -1)):
        item, account = MOVE.c[f"{mine}_item"], MOVE.c[f"{other}_account"]
        wanted = sa.select(item.label("item"), account.label("account"), sa.func.sum(MOVE.c.mass_ng).label("ng"))
        wanted = wanted.where(item.in_(numbers), MOVE.c.happened_at <= when.as_of, _known(MOVE, when))
        for row in rows(connection, wanted.group_by(item, account)):
            key = row["item"], row["account"]
            found[key] = found.get(key, 0) + sign * int(row["ng"])
    return found


def parents(connection: sa.Connection, children: Collection[str], when: Moment) -> Sequence[Row]:
    """Of what the samples were made until then: child, parent, event_id, born_at, mass_ng."""
    made = (PARENTAGE.c.born_at <= when.as_of, _known(PARENTAGE, when))
    wanted = sa.select(PARENTAGE).where(PARENTAGE.c.child.in_(children), *made)
    return rows(connection, wanted.order_by(PARENTAGE.c.born_at, PARENTAGE.c.child, PARENTAGE.c.parent))


def moves_page(
    connection: sa.Connection,
    as_of: datetime,
    known_on: datetime,
    owners: Collection[str] | None,
    after: tuple[str, str, int] | None,
    limit: int,
) -> Sequence[Row]:
    """Up to ``limit`` moves of samples of these owners, or of all, that had happened and were known at the moment, in
    the order of sample, fact and line, behind that key."""
    key = sa.tuple_(MOVE.c.item, MOVE.c.event_id, MOVE.c.line)
    wanted = sa.select(MOVE).where(
        MOVE.c.happened_at <= as_of, MOVE.c.known_from <= known_on, MOVE.c.known_to > known_on
    )
    if after is not None:
        wanted = wanted.where(MOVE.c.item >= after[0], key > sa.tuple_(*map(sa.literal, after)))
    if owners is not None:
        wanted = wanted.where(sa.exists().where(ITEM.c.number == MOVE.c.item, ITEM.c.owner.in_(owners)))
    return rows(connection, wanted.order_by(MOVE.c.item, MOVE.c.event_id, MOVE.c.line).limit(limit))


# ----------------------------------------------------------------------------------------------------------- the drift
def unexplained_items(
    connection: sa.Connection, when: Moment, owners: Collection[str] | None, after: str, limit: int
) -> list[str]:
    """Samples, of these owners or of all, of which anything was ever unexplained; in order."""
    wanted = sa.select(MOVE.c.item).distinct().where(sa.text(f"({UNEXPLAINED_SQL})"), MOVE.c.item > after)
    wanted = wanted.where(MOVE.c.happened_at <= when.as_of, _known(MOVE, when))
    if owners is not None:
        wanted = wanted.where(sa.exists().where(ITEM.c.number == MOVE.c.item, ITEM.c.owner.in_(owners)))
    return list(connection.execute(wanted.order_by(MOVE.c.item).limit(limit)).scalars())


def unexplained_among(connection: sa.Connection, items: Collection[str]) -> set[str]:
    """Those of the samples of which anything is unexplained as known now."""
    wanted = sa.select(MOVE.c.item).distinct().where(sa.text(f"({UNEXPLAINED_SQL})"), MOVE.c.item.in_(items))
    return set(connection.execute(wanted.where(MOVE.c.known_to == FOREVER)).scalars())


def settings(connection: sa.Connection, items: Collection[str], when: Moment) -> Sequence[Row]:
    """How the books of the samples went until then: item, from_at, mass_ng, variance, event_id and ``kind`` of the fact
    that each span began with, and who had it (certain, borrower, line); in order of item and time."""
    fact = EVENT_ITEM.alias("fact")
    same = sa.and_(fact.c.item == SPAN.c.item, fact.c.event_id == SPAN.c.event_id, _known(fact, when))
    held = (SPAN.c.event_id, SPAN.c.certain, SPAN.c.borrower, SPAN.c.line)
    wanted = sa.select(SPAN.c.item, SPAN.c.from_at, SPAN.c.mass_ng, SPAN.c.variance, fact.c.kind, *held)
    wanted = wanted.select_from(SPAN.outerjoin(fact, same))
    wanted = wanted.where(SPAN.c.item.in_(items), SPAN.c.from_at <= when.as_of, _known(SPAN, when))
    return rows(connection, wanted.order_by(SPAN.c.item, SPAN.c.from_at))


def comparisons_of(connection: sa.Connection, items: Collection[str], when: Moment) -> Sequence[Row]:
    """The weighings of the samples held against their books until then, in order of item and time."""
    wanted = sa.select(COMPARISON).where(COMPARISON.c.item.in_(items), COMPARISON.c.happened_at <= when.as_of)
    wanted = wanted.where(_known(COMPARISON, when), ~COMPARISON.c.is_sheet)
    return rows(connection, wanted.order_by(COMPARISON.c.item, COMPARISON.c.happened_at, COMPARISON.c.event_id))


def comparison(connection: sa.Connection, item: str, event_id: str) -> Row | None:
    """What a weighing of a sample was held against, as known now; None where it opened the book."""
    wanted = sa.select(COMPARISON).where(COMPARISON.c.item == item, COMPARISON.c.event_id == event_id)
    return first_row(connection, wanted.where(COMPARISON.c.known_to == FOREVER))


def moves_of(connection: sa.Connection, items: Collection[str], when: Moment) -> Sequence[Row]:
    """What went out of or into the samples until then: ``item``, happened_at, ``account``, ``ng`` (out above 0)."""
    parts = []
    for mine, other, sign in (("from", "to", 1), ("to", "from", -1)):
        item, account = MOVE.c[f"{mine}_item"], MOVE.c[f"{other}_account"]
        part = sa.select(item.label("item"), MOVE.c.happened_at, account.label("account"))
        part = part.add_columns((sign * MOVE.c.mass_ng).label("ng")).where(item.in_(items))
        parts.append(part.where(MOVE.c.happened_at <= when.as_of, _known(MOVE, when)))
    return rows(connection, sa.union_all(*parts))
