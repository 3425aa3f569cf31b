"""What the second person's word needs of the log: chains of amendments, confirmations in force, custodians, flags."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.domain import clients
from shipsvc.store.among import among
from shipsvc.store.derived import FLAG
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT, EVENT_ITEM
from shipsvc.store.reads import AT_LAST, Moment
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER, Place, Shipment, table
from shipsvc.store.tables_people import Person

PLACE = table(Place)
SHIPMENT = table(Shipment)
PERSON = table(Person)
#: The flag on a version of a fact that a second person has still to confirm.
UNCONFIRMED: Final = "unconfirmed"

_VERSIONS = (
    sa.select(EVENT)
    .where(sa.or_(among(EVENT.c.id), sa.and_(EVENT.c.amends.is_not(None), among(EVENT.c.amends))))
    .order_by(EVENT.c.recorded_at, EVENT.c.place_in_request, EVENT.c.id)
)
_IN_FORCE = sa.exists().where(EVENT_ITEM.c.source_id == EVENT.c.id, EVENT_ITEM.c.known_to == FOREVER)
_CONFIRMATIONS = sa.select(EVENT).where(EVENT.c.confirms.is_not(None), among(EVENT.c.confirms), _IN_FORCE)
_AT: sa.BindParameter[Any] = sa.bindparam("at")
_LATER = PLACE.alias("later")
_CUSTODIANS = (
    sa.select(PLACE.c.custodian)
    .select_from(SPAN.join(PLACE, PLACE.c.code == SPAN.c.place))
    .where(
        among(SPAN.c.item),
        SPAN.c.from_at <= _AT,
        SPAN.c.to_at > _AT,
        SPAN.c.known_from <= _AT,
        SPAN.c.known_to > _AT,
        PLACE.c.custodian.is_not(None),
        PLACE.c.version
        == sa.select(sa.func.max(_LATER.c.version))
        .where(_LATER.c.code == PLACE.c.code, _LATER.c.valid_from <= _AT, _LATER.c.recorded_at <= _AT)
        .scalar_subquery(),
    )
)
_FLAGGED = sa.select(FLAG).where(among(FLAG.c.event_id), FLAG.c.code == UNCONFIRMED, FLAG.c.known_to == FOREVER)


def versions(connection: sa.Connection, originals: Collection[str]) -> Sequence[Row]:
    """The facts and all their amendments, as they were recorded, oldest first."""
    return rows(connection, _VERSIONS, some=originals)


def confirmations(connection: sa.Connection, words: Collection[str]) -> Sequence[Row]:
    """The confirmations in force of these versions of facts; of an amended one the amendment's row."""
    return rows(connection, _CONFIRMATIONS, some=words)


def custodians(connection: sa.Connection, items: Collection[str], at: datetime) -> set[str]:
    """Who was custodian of the places that the items were in at a moment, as known at that moment."""
    return set(connection.execute(_CUSTODIANS, {"some": list(items), "at": at}).scalars())


def consignor(connection: sa.Connection, code: str, by: datetime) -> str | None:
    """Who first sent a shipment, if that was recorded by then."""
    first = sa.select(SHIPMENT.c.consignor).where(
        SHIPMENT.c.code == code, SHIPMENT.c.version == 1, SHIPMENT.c.recorded_at <= by
    )
    found: str | None = connection.execute(first).scalar()
    return found


def is_program(connection: sa.Connection, actor: str) -> bool:
    """Whether a client acts, rather than a person."""
    wanted = sa.select(sa.exists().where(PERSON.c.id == actor, PERSON.c.kind != clients.PERSON))
    return bool(connection.execute(wanted).scalar())


def flagged(connection: sa.Connection, words: Collection[str]) -> Sequence[Row]:
    """The flags as known now on those of these versions of facts that await a second person."""
    return rows(connection, _FLAGGED, some=words)


def awaits(event_id: sa.ColumnElement[str], by: datetime) -> sa.ColumnElement[bool]:
    """A clause: the fact or decision awaited a second person at a moment of knowledge; FOREVER is now."""
    known = FLAG.c.known_to == FOREVER if by == FOREVER else sa.and_(FLAG.c.known_from <= by, FLAG.c.known_to > by)
    return sa.exists().where(FLAG.c.event_id == event_id, FLAG.c.code == UNCONFIRMED, known)


def unconfirmed(
    connection: sa.Connection,
    when: Moment,
    visible: sa.ColumnElement[bool] | None,
    after: tuple[datetime, str] | None,
    limit: int,
) -> Sequence[Row]:
    """Up to ``limit`` facts and decisions that awaited a second person, the longest waiting first, with ``why``."""
    return _flagged(connection, "flag.code = 'unconfirmed'", when, visible, after, limit)


def signed(
    connection: sa.Connection,
    when: Moment,
    visible: sa.ColumnElement[bool] | None,
    after: tuple[datetime, str] | None,
    limit: int,
) -> Sequence[Row]:
    """Up to ``limit`` acceptances that were signed on the giver's device, the one told first first; with ``why``."""
    return _flagged(connection, "flag.code IN ('one_device', 'signature_alone')", when, visible, after, limit)


def accepted_for(institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: the fact is told for one of the institutions, or a desk of it, by another (bodies are canonical)."""
    starts = [f'"party":"{code}' for code in sorted(institutions)]
    return sa.or_(sa.false(), *(EVENT.c.body.contains(f"{start}{end}") for start in starts for end in '"/'))


def _flagged(
    connection: sa.Connection,
    code: str,
    when: Moment,
    visible: sa.ColumnElement[bool] | None,
    after: tuple[datetime, str] | None,
    limit: int,
) -> Sequence[Row]:
    known = when.known_on or AT_LAST
    # Said word for word, so that both databases take the partial index.
    flags = sa.and_(sa.text(code), FLAG.c.known_from <= known, FLAG.c.known_to > known)
    wanted = (
        sa.select(EVENT, sa.func.min(FLAG.c.detail).label("why"), sa.func.max(FLAG.c.code).label("code"))
        .select_from(FLAG.join(EVENT, EVENT.c.id == FLAG.c.event_id))
        .where(flags, EVENT.c.happened_at <= when.as_of)
        .group_by(*EVENT.c)
        .order_by(EVENT.c.recorded_at, EVENT.c.id)
        .limit(limit)
    )
    if visible is not None:
        wanted = wanted.where(visible)
    if after is not None:
        at, event_id = after
        wanted = wanted.where(EVENT.c.recorded_at >= at, sa.or_(EVENT.c.recorded_at > at, EVENT.c.id > event_id))
    return rows(connection, wanted)
