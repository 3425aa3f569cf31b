"""The facts that bear on one item: those about it, and those about whatever it was in at that instant."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.domain.facts import OF_THE_NAMED
from shipsvc.domain.fold import DEPTH_MAX
from shipsvc.store import access, moments
from shipsvc.store.access import Outsider
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT, EVENT_ITEM
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER

EVER: Final = datetime(1, 1, 1, tzinfo=UTC)
ORIGINAL: Final = EVENT.alias("original")
#: Where a page goes on: happened_at, recorded_at, place in the request and id of the last fact before it.
Key = tuple[datetime, datetime, int, str]
#: What is read of the original beside the version that counts.
FIRST_TOLD: Final = ("id", "actor", "acting_for", "recorded_at", "late_s", "place_in_request")
_NAMED_ONLY: Final = sorted(OF_THE_NAMED)


@dataclass(frozen=True)
class Nest:
    """That an item was inside a container from ``start`` on and before ``end``, however deep."""

    container: str
    start: datetime
    end: datetime


@dataclass(frozen=True)
class Reader:
    """Whose eyes: an outsider (None: somebody who reads everything) reads what befell an item of that kind in their
    time, and of loans only ``loans``; ``kinds`` of facts, if any are named, and no others.
    """

    outsider: Outsider | None
    kind: str
    loans: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()


def nests(connection: sa.Connection, number: str, when: When) -> list[Nest]:
    """Every stay of an item in something, innermost first, then what that was in meanwhile, and so on."""
    found: list[Nest] = []
    inner = [Nest(number, EVER, FOREVER)]
    for _ in range(DEPTH_MAX):
        inner = _around(connection, inner, when)
        if not inner:
            break
        found += inner
    return found


def _around(connection: sa.Connection, inner: Collection[Nest], when: When) -> list[Nest]:
    wanted = sa.select(SPAN.c.item, SPAN.c.parent, SPAN.c.from_at, SPAN.c.to_at).where(
        SPAN.c.item.in_({nest.container for nest in inner}),
        SPAN.c.parent.is_not(None),
        SPAN.c.from_at <= when.as_of,
        moments.known(SPAN.c.known_from, SPAN.c.known_to, when),
    )
    found = rows(connection, wanted.order_by(SPAN.c.item, SPAN.c.from_at))
    both = ((nest, row) for nest in inner for row in found if row["item"] == nest.container)
    return _joined([n for nest, row in both if (n := _common(nest, row)).start < n.end])


def _common(nest: Nest, row: Row) -> Nest:
    return Nest(row["parent"], max(row["from_at"], nest.start), min(row["to_at"], nest.end))


def _joined(stays: Collection[Nest]) -> list[Nest]:
    """Stays in one container that follow each other, as one."""
    found: list[Nest] = []
    for stay in sorted(stays, key=lambda s: (s.container, s.start)):
        last = found[-1] if found else None
        if last and last.container == stay.container and last.end >= stay.start:
            found[-1] = Nest(stay.container, last.start, max(last.end, stay.end))
        else:
            found.append(stay)
    return found


def page(
    connection: sa.Connection,
    number: str,
    inside: Sequence[Nest],
    reader: Reader,
    when: When,
    *,
    after: Key | None,
    limit: int,
) -> Sequence[Row]:
    """Facts in order of happening, each in the version known: the row of that version, and of the original beside it.

    ``rank`` is 0 for a fact about the item itself, else one more than the index in ``inside`` of what it was about;
    ``stands`` is whether it was still held, on that day, to be about it.
    """
    hits = _hits(number, inside, when)
    joined = hits.join(EVENT, EVENT.c.id == hits.c.source_id).join(ORIGINAL, ORIGINAL.c.id == hits.c.event_id)
    first = [ORIGINAL.c[c].label(f"original_{c}") for c in FIRST_TOLD]
    wanted = sa.select(EVENT, *first, hits.c.rank, hits.c.stands, hits.c.happened_at.label("hit_at"))
    wanted = wanted.select_from(joined)
    key = (hits.c.happened_at, ORIGINAL.c.recorded_at, ORIGINAL.c.place_in_request, ORIGINAL.c.id)
    if after is not None:
        behind = (sa.bindparam(f"after_{c.name}", value, type_=c.type) for c, value in zip(key, after, strict=True))
        wanted = wanted.where(sa.tuple_(*key) > sa.tuple_(*behind))
    return rows(connection, wanted.where(*_readable(number, reader, hits)).order_by(*key).limit(limit))


def _hits(number: str, inside: Sequence[Nest], when: When) -> sa.Subquery:
    own = _own(number, when)
    held = moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when)
    around = [sa.and_(held, _about(nest)) for nest in inside]
    rank = sa.case((own, 0), *((clause, place) for place, clause in enumerate(around, 1)))
    stands = sa.case((held, 1), else_=0)
    return (
        sa.select(
            EVENT_ITEM.c.event_id,
            sa.func.max(EVENT_ITEM.c.source_id).label("source_id"),
            sa.func.max(EVENT_ITEM.c.happened_at).label("happened_at"),
            sa.func.min(rank).label("rank"),
            sa.func.max(stands).label("stands"),
        )
        .where(EVENT_ITEM.c.happened_at <= when.as_of, sa.or_(own, *around))
        .group_by(EVENT_ITEM.c.event_id)
        .subquery("hits")
    )


def _own(number: str, when: When) -> sa.ColumnElement[bool]:
    """The last that was known, by then, of a fact's bearing on the item: also where it no longer bears on it."""
    later = EVENT_ITEM.alias("later")
    outdated = sa.exists().where(
        later.c.item == EVENT_ITEM.c.item,
        later.c.event_id == EVENT_ITEM.c.event_id,
        later.c.known_from > EVENT_ITEM.c.known_from,
        later.c.known_from <= when.known_on,
    )
    return sa.and_(EVENT_ITEM.c.item == number, EVENT_ITEM.c.known_from <= when.known_on, ~outdated)


def _about(nest: Nest) -> sa.ColumnElement[bool]:
    """A fact about a container that its contents share: not what is said of the named thing alone, and not the packing
    of something else into it."""
    packing = EVENT.alias("packing")
    another = sa.exists().where(
        packing.c.id == EVENT_ITEM.c.source_id, packing.c.body.like(f'%"into":"{nest.container}"%')
    )
    return sa.and_(
        EVENT_ITEM.c.item == nest.container,
        EVENT_ITEM.c.happened_at >= nest.start,
        EVENT_ITEM.c.happened_at < nest.end,
        EVENT_ITEM.c.kind.not_in(_NAMED_ONLY),
        sa.or_(EVENT_ITEM.c.kind != "packed", ~another),
    )


def _readable(number: str, reader: Reader, hits: sa.Subquery) -> list[sa.ColumnElement[bool]]:
    """What an outsider may read (rulings 16); decisions about loans only where the loan is theirs.

    What they told of a box does not tell them what is still in it, so for ever is only what they told of the item.
    """
    outsider = reader.outsider
    if outsider is None:
        return []
    told = sa.and_(EVENT.c.acting_for.in_(outsider.institutions), hits.c.rank == 0)
    at = hits.c.happened_at
    theirs = [EVENT.c.body.like(f'%"loan":"{loan}"%') for loan in sorted(reader.loans)]
    no_loan = EVENT.c.kind.not_in(["loan_signed", "due_set", "recalled"])
    before = access.ends_after(number, at, outsider.institutions)
    readable = access.may_read(number, at, sa.literal(reader.kind), outsider)
    party = sa.and_(before, access.was_party(outsider.institutions))
    clauses = [sa.or_(told, party, sa.and_(readable, sa.or_(no_loan, *theirs)))]
    return [*clauses, ORIGINAL.c.kind.in_(sorted(reader.kinds))] if reader.kinds else clauses


def loans_of(connection: sa.Connection, number: str, institutions: Collection[str]) -> set[str]:
    """The loans that an item was ever on from or to one of the institutions."""
    sides = sa.or_(SPAN.c.lender.in_(institutions), SPAN.c.borrower.in_(institutions))
    wanted = sa.select(SPAN.c.loan).distinct().where(SPAN.c.item == number, sides)
    return {loan for loan in connection.execute(wanted).scalars() if loan}


def amendments(connection: sa.Connection, originals: Collection[str], when: When) -> Sequence[Row]:
    """All amendments of the facts that were told by then, oldest first; and the originals themselves."""
    wanted: sa.Select[Any] = sa.select(EVENT).where(
        sa.or_(EVENT.c.id.in_(originals), EVENT.c.amends.in_(originals)), EVENT.c.recorded_at <= when.known_on
    )
    return rows(connection, wanted.order_by(EVENT.c.recorded_at, EVENT.c.id))
