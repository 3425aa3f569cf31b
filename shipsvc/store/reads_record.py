"""SELECTs for the reports that read the log itself: told late, silent shipments, weighings that differ."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store import access, documents
from shipsvc.store.derived import COMPARISON
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT, EVENT_ITEM
from shipsvc.store.reads import AT_LAST, ITEM, Moment
from shipsvc.store.shipments import SHIPMENT, SHIPMENT_ITEM
from shipsvc.store.successions import SUCCESSION
from shipsvc.store.tables import FOREVER, Institution, table
from shipsvc.store.tables import Collection as CollectionVersion
from shipsvc.store.tables_derived import DIFFERS_SQL
from shipsvc.store.tables_people import RoleChange

COLLECTION = table(CollectionVersion)
INSTITUTION = table(Institution)
ROLE = table(RoleChange)
Clause = sa.ColumnElement[bool]
_ORIGINAL = sa.func.coalesce(EVENT.c.amends, EVENT.c.id)


def _known(kind: sa.FromClause, when: Moment) -> Clause:
    known = when.known_on or AT_LAST
    return sa.and_(kind.c.known_from <= known, kind.c.known_to > known)


# ---------------------------------------------------------------------------------------------------------- told late
def told_late(
    when: Moment,
    later_than_s: int | None,
    default_s: int,
    visible: Clause | None,
    after: tuple[datetime, str] | None,
    limit: int,
) -> sa.Select[Any]:
    """Facts and decisions told later than ``later_than_s`` or, if None, than their collection allows; newest first.

    What belongs to no collection is late after ``default_s``. The column ``limit_s`` says which limit was passed.
    """
    allowed = sa.literal(later_than_s) if later_than_s is not None else sa.func.coalesce(_allowed_s(when), default_s)
    wanted = sa.select(EVENT, allowed.label("limit_s")).where(
        sa.text("event.late_s > 0"),
        EVENT.c.late_s > allowed,
        EVENT.c.happened_at <= when.as_of,
        EVENT.c.recorded_at <= (when.known_on or AT_LAST),
    )
    if visible is not None:
        wanted = wanted.where(visible)
    if after is not None:
        at, event_id = after
        wanted = wanted.where(EVENT.c.recorded_at <= at, sa.or_(EVENT.c.recorded_at < at, EVENT.c.id < event_id))
    return wanted.order_by(EVENT.c.recorded_at.desc(), EVENT.c.id.desc()).limit(limit)


def _allowed_s(when: Moment) -> sa.ScalarSelect[Any]:
    """The shortest limit among the collections of the items that the fact bears on, as now set."""
    newest = COLLECTION.alias("newest")
    last = sa.select(sa.func.max(newest.c.version)).where(
        newest.c.code == COLLECTION.c.code, newest.c.recorded_at <= (when.known_on or AT_LAST)
    )
    joined = EVENT_ITEM.join(ITEM, ITEM.c.number == EVENT_ITEM.c.item)
    joined = joined.join(COLLECTION, COLLECTION.c.code == ITEM.c.collection)
    wanted = sa.select(sa.func.min(COLLECTION.c.late_after_s)).select_from(joined)
    return wanted.where(
        EVENT_ITEM.c.event_id == _ORIGINAL, COLLECTION.c.version == last.scalar_subquery()
    ).scalar_subquery()


def told_by_or_owned(institutions: Collection[str]) -> Clause:
    """A clause: the fact was told for one of the institutions, or is about an item that one of them owns."""
    joined = EVENT_ITEM.join(ITEM, ITEM.c.number == EVENT_ITEM.c.item)
    owned = sa.exists().select_from(joined).where(EVENT_ITEM.c.event_id == _ORIGINAL, ITEM.c.owner.in_(institutions))
    return sa.or_(EVENT.c.acting_for.in_(institutions), owned)


def items_of(connection: sa.Connection, events: Collection[str], visible: Clause) -> Sequence[Row]:
    """Which items that are visible facts bear on, in any version of them: (event_id, item)."""
    wanted = sa.select(EVENT_ITEM.c.event_id, EVENT_ITEM.c.item).distinct()
    wanted = wanted.where(EVENT_ITEM.c.event_id.in_(events), visible)
    return rows(connection, wanted.order_by(EVENT_ITEM.c.event_id, EVENT_ITEM.c.item))


def institutions_told(connection: sa.Connection, when: Moment, visible: Clause | None) -> Sequence[Row]:
    """Versions of institutions: few, and each says since when it holds and when it was told."""
    wanted = sa.select(INSTITUTION).where(
        INSTITUTION.c.recorded_at <= (when.known_on or AT_LAST), INSTITUTION.c.valid_from <= when.as_of
    )
    return rows(connection, wanted if visible is None else wanted.where(visible))


def successions_told(connection: sa.Connection, when: Moment, visible: Clause | None) -> Sequence[Row]:
    """Who took over from whom: few, as institutions are."""
    wanted = sa.select(SUCCESSION).where(
        SUCCESSION.c.recorded_at <= (when.known_on or AT_LAST), SUCCESSION.c.from_at <= when.as_of
    )
    return rows(connection, wanted if visible is None else wanted.where(visible))


def roles_told(connection: sa.Connection, when: Moment, institutions: Collection[str] | None) -> Sequence[Row]:
    """Roles given and taken, at the institutions if any are named."""
    wanted = sa.select(ROLE).where(ROLE.c.recorded_at <= (when.known_on or AT_LAST), ROLE.c.from_at <= when.as_of)
    return rows(connection, wanted if institutions is None else wanted.where(ROLE.c.institution.in_(institutions)))


# --------------------------------------------------------------------------------------------------- silent shipments
def not_arrived(
    connection: sa.Connection,
    when: Moment,
    expected_before: datetime,
    visible: Clause | None,
    after: str,
    limit: int,
) -> Sequence[Row]:
    """Shipments that were expected before a moment and that their addressee has not said to have, by code."""
    clauses = [SHIPMENT.c.expected_by < expected_before, ~_accepted_by_addressee(when)]
    clauses += [visible] if visible is not None else []
    in_force = When(when.as_of, when.known_on or FOREVER)
    return documents.page(connection, SHIPMENT, in_force, after=after, limit=limit, visible=sa.and_(*clauses))


def _accepted_by_addressee(when: Moment) -> Clause:
    """Its own word, or a desk's: what somebody else typed for it does not count (rulings 14)."""
    party = sa.literal('%"party":"').concat(EVENT.c.acting_for)
    own = sa.or_(
        EVENT.c.body.not_like('%"party":%'),
        EVENT.c.body.like(party.concat('"%')),
        EVENT.c.body.like(party.concat("/%")),
    )
    by_addressee = sa.or_(
        SHIPMENT.c.addressee == EVENT.c.acting_for, SHIPMENT.c.addressee.like(EVENT.c.acting_for.concat("/%"))
    )
    joined = EVENT.join(EVENT_ITEM, EVENT_ITEM.c.event_id == _ORIGINAL)
    return (
        sa.exists()
        .select_from(joined)
        .where(
            EVENT.c.shipment == SHIPMENT.c.code,
            EVENT_ITEM.c.source_id == EVENT.c.id,
            EVENT_ITEM.c.kind == "accepted",
            EVENT_ITEM.c.happened_at <= when.as_of,
            _known(EVENT_ITEM, when),
            by_addressee,
            own,
        )
        .correlate(SHIPMENT)
    )


def shipment_visible(institutions: Collection[str]) -> Clause:
    """A clause: one of the institutions sends, is addressed, carries, or owns something that is in it."""
    joined = SHIPMENT_ITEM.join(ITEM, ITEM.c.number == SHIPMENT_ITEM.c.item)
    owned = (
        sa.exists()
        .select_from(joined)
        .where(SHIPMENT_ITEM.c.shipment == SHIPMENT.c.code, ITEM.c.owner.in_(institutions))
    )
    named = [
        sa.or_(sa.false(), *(_is_at(column, i) for i in institutions))
        for column in (SHIPMENT.c.consignor, SHIPMENT.c.addressee)
    ]
    return sa.or_(*named, SHIPMENT.c.carrier.in_(institutions), owned)


def _is_at(party: sa.ColumnElement[str], institution: str) -> Clause:
    return sa.or_(party == institution, party.like(f"{institution}/%"))


def items_on(connection: sa.Connection, when: Moment, shipment: str) -> set[str]:
    """What a shipment was said to hold, and what facts about it named."""
    listed = sa.select(SHIPMENT_ITEM.c.item).where(
        SHIPMENT_ITEM.c.shipment == shipment, SHIPMENT_ITEM.c.recorded_at <= (when.known_on or AT_LAST)
    )
    named = (
        sa.select(EVENT_ITEM.c.item)
        .select_from(EVENT.join(EVENT_ITEM, EVENT_ITEM.c.event_id == _ORIGINAL))
        .where(EVENT.c.shipment == shipment, EVENT_ITEM.c.source_id == EVENT.c.id, _known(EVENT_ITEM, when))
    )
    return {*connection.execute(listed).scalars(), *connection.execute(named).scalars()}


def last_word(connection: sa.Connection, when: Moment, items: Collection[str], since: datetime) -> Row | None:
    """The last fact about one of the items, from ``since`` on: happened_at, kind, event_id, acting_for."""
    wanted = (
        sa.select(EVENT_ITEM.c.happened_at, EVENT_ITEM.c.kind, EVENT_ITEM.c.event_id, EVENT.c.acting_for)
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(
            EVENT_ITEM.c.item.in_(items),
            EVENT_ITEM.c.happened_at <= when.as_of,
            EVENT_ITEM.c.happened_at >= since,
            _known(EVENT_ITEM, when),
        )
        .order_by(EVENT_ITEM.c.happened_at.desc(), EVENT.c.recorded_at.desc(), EVENT.c.id.desc())
        .limit(1)
    )
    found = rows(connection, wanted)
    return found[0] if found else None


def first_said(connection: sa.Connection, shipment: str) -> datetime | None:
    """When the first thing that names the shipment happened."""
    wanted = sa.select(sa.func.min(EVENT.c.happened_at)).where(EVENT.c.shipment == shipment)
    found: datetime | None = connection.execute(wanted).scalar()
    return found


# ------------------------------------------------------------------------------------------------------- comparisons
def comparisons(
    when: Moment,
    verdict: str | None,
    visible: Clause | None,
    after: tuple[str, datetime, str] | None,
    limit: int,
    settled: bool | None = None,
) -> sa.Select[Any]:
    """Weighings held against the book, by item and time: those with the verdict, or all that do not agree if None; with
    ``settled_by``, the first decision since that set the book of the sample anew."""
    settled_by = _settled_by(when)
    wanted = sa.select(COMPARISON, settled_by.label("settled_by")).where(
        _known(COMPARISON, when), COMPARISON.c.happened_at <= when.as_of
    )
    if verdict != "all":
        is_asked = COMPARISON.c.verdict == verdict if verdict else sa.text(f"comparison.{DIFFERS_SQL}")
        wanted = wanted.where(is_asked)
    if settled is not None:
        wanted = wanted.where(settled_by.is_not(None) if settled else settled_by.is_(None))
    if visible is not None:
        wanted = wanted.where(visible)
    if after is not None:
        item, at, event_id = after
        same_time = sa.and_(COMPARISON.c.happened_at == at, COMPARISON.c.event_id > event_id)
        behind = sa.or_(COMPARISON.c.item > item, COMPARISON.c.happened_at > at, same_time)
        wanted = wanted.where(COMPARISON.c.item >= item, behind)
    columns = (COMPARISON.c.item, COMPARISON.c.happened_at, COMPARISON.c.event_id)
    return wanted.order_by(*columns).limit(limit)


def _settled_by(when: Moment) -> sa.ScalarSelect[Any]:
    wanted = sa.select(EVENT_ITEM.c.event_id).where(
        EVENT_ITEM.c.item == COMPARISON.c.item,
        EVENT_ITEM.c.kind.in_(("posted", "rebased")),
        EVENT_ITEM.c.happened_at >= COMPARISON.c.happened_at,
        EVENT_ITEM.c.happened_at <= when.as_of,
        _known(EVENT_ITEM, when),
    )
    return wanted.order_by(EVENT_ITEM.c.happened_at).limit(1).scalar_subquery()


def weighed_or_owned(institutions: Collection[str]) -> Clause:
    """A clause: one of the institutions owns the sample, or weighed it while it had to do with it.

    Anybody may tell that they weighed something; the book is no answer to that (rulings 17). Values are asked for, not
    whether there is a row: PostgreSQL would answer that by reading all that they own first, however short the page.
    """
    owner = sa.select(ITEM.c.owner).where(ITEM.c.number == COMPARISON.c.item).scalar_subquery()
    owned = owner.in_(institutions)
    weighed = sa.or_(sa.false(), *(_is_at(COMPARISON.c.by_party, i) for i in institutions))
    related = access.until(COMPARISON.c.item, institutions).is_not(None)
    return sa.or_(owned, sa.and_(weighed, related))


def sources(connection: sa.Connection, when: Moment, events: Collection[str]) -> dict[str, Row]:
    """The row of the log that holds each fact in the version in force at the moment, by the original's id."""
    wanted = (
        sa.select(EVENT, EVENT_ITEM.c.event_id.label("original"))
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(EVENT_ITEM.c.event_id.in_(events), _known(EVENT_ITEM, when))
    )
    return {row["original"]: row for row in rows(connection, wanted)}
