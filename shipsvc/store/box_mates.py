"""Which samples lay in one box when they were weighed, and what that said: to tell whether two were swapped."""

from collections.abc import Collection, Sequence

import sqlalchemy as sa

from shipsvc.domain.verdicts import SWAP_R_MIN
from shipsvc.store.derived import COMPARISON
from shipsvc.store.engine import Row, rows
from shipsvc.store.reads import AT_LAST, Moment
from shipsvc.store.spans import SPAN


def pairs(connection: sa.Connection, items: Collection[str], when: Moment) -> Sequence[Row]:
    """Weighings of the items that differ by more than 3 u, each with one of a box-mate that does: the columns of a
    comparison and the book's ``variance`` of both, those of the mate with ``mate_`` before them.

    Mates were in one container when the first was weighed, or their vials were.
    """
    own, mate = COMPARISON.alias("own"), COMPARISON.alias("mate")
    me, vial, beside, other = (SPAN.alias(name) for name in ("me", "vial", "beside", "other"))
    at = own.c.happened_at
    found = own.join(me, sa.and_(me.c.item == own.c.item, _then(me, at, when)))
    found = found.outerjoin(vial, sa.and_(vial.c.item == me.c.parent, _then(vial, at, when)))
    found = found.outerjoin(beside, sa.and_(beside.c.parent == vial.c.parent, _then(beside, at, when)))
    in_vials, together = other.c.parent == beside.c.item, other.c.parent == me.c.parent
    found = found.join(other, sa.and_(sa.or_(in_vials, together), other.c.item != own.c.item, _then(other, at, when)))
    found = found.join(mate, sa.and_(mate.c.item == other.c.item, _differs(mate, when)))
    columns = [own.c[name] for name in _NAMES] + [mate.c[name].label(f"mate_{name}") for name in _NAMES]
    wanted = sa.select(*columns, me.c.variance, other.c.variance.label("mate_variance")).distinct()
    return rows(connection, wanted.select_from(found).where(own.c.item.in_(items), _differs(own, when)))


_NAMES = ("item", "event_id", "happened_at", "by_party", "expected_ng", "observed_ng", "u_ng")


def _known(kind: sa.FromClause, when: Moment) -> sa.ColumnElement[bool]:
    known = when.known_on or AT_LAST
    return sa.and_(kind.c.known_from <= known, kind.c.known_to > known)


def _then(span: sa.FromClause, at: sa.ColumnElement[object], when: Moment) -> sa.ColumnElement[bool]:
    return sa.and_(span.c.from_at <= at, span.c.to_at > at, _known(span, when))


def _differs(kind: sa.FromClause, when: Moment) -> sa.ColumnElement[bool]:
    far = sa.or_(kind.c.r > SWAP_R_MIN, kind.c.r < -SWAP_R_MIN)
    return sa.and_(far, ~kind.c.is_sheet, kind.c.happened_at <= when.as_of, _known(kind, when))
