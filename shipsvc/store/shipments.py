"""Shipments as chains of versions, what each was said to hold, and how far each parcel has come by the spans."""

import json
from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store import moments
from shipsvc.store.among import among
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.events import EVENT, EVENT_ITEM
from shipsvc.store.items import ITEM
from shipsvc.store.loans import LOAN
from shipsvc.store.spans import SPAN
from shipsvc.store.tables import FOREVER, Shipment, ShipmentItem, table

SHIPMENT = table(Shipment)
SHIPMENT_ITEM = table(ShipmentItem)
#: How far a parcel has come, from where it starts to where it ends.
STATES = ("preparing", "moving", "held", "turned_round", "rejected", "arrived", "confirmed")
_OF_AN_ITEM = (ITEM.c.number, ITEM.c.kind, ITEM.c.form, ITEM.c.what, ITEM.c.owner)


def versions(connection: sa.Connection, codes: Collection[str]) -> dict[str, list[Row]]:
    """All versions of the shipments, oldest first."""
    wanted = sa.select(SHIPMENT).where(SHIPMENT.c.code.in_(codes)).order_by(SHIPMENT.c.code, SHIPMENT.c.version)
    found: dict[str, list[Row]] = {}
    for row in rows(connection, wanted):
        found.setdefault(row["code"], []).append(row)
    return found


def add_version(connection: sa.Connection, row: dict[str, Any]) -> None:
    """Append a version of a shipment."""
    connection.execute(sa.insert(SHIPMENT), [row])


def add_items(connection: sa.Connection, rows: list[dict[str, Any]]) -> None:
    """Append what a shipment holds."""
    if rows:
        connection.execute(sa.insert(SHIPMENT_ITEM), rows)


def written_on(connection: sa.Connection, items: Collection[str]) -> list[tuple[str, str]]:
    """Which of the items were written to be on which shipments: (item, code)."""
    wanted = sa.select(SHIPMENT_ITEM.c.item, SHIPMENT_ITEM.c.shipment).where(among(SHIPMENT_ITEM.c.item))
    return [(item, code) for item, code in connection.execute(wanted, {"some": list(items)})]


# ------------------------------------------------------------------------------------------------- versions in force
def sees(institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: one of the institutions carries it, or sees all of it."""
    return sa.or_(SHIPMENT.c.carrier.in_(institutions), sees_whole(institutions))


def sees_whole(institutions: Collection[str]) -> sa.ColumnElement[bool]:
    """A clause: one of the institutions sends, is addressed, or is a side of the loan that it travels under; or owns
    one of the things that it was said to hold."""
    # One in the other: as a join, SQLite would go through all that an institution owns for each shipment.
    owned = sa.exists().where(ITEM.c.number == SHIPMENT_ITEM.c.item, ITEM.c.owner.in_(institutions))
    return sa.or_(
        SHIPMENT.c.consignor.in_(institutions),
        *(_is(SHIPMENT.c.addressee, sa.literal(one)) for one in sorted(institutions)),
        sa.exists().where(
            LOAN.c.code == SHIPMENT.c.loan,
            sa.or_(LOAN.c.lender.in_(institutions), LOAN.c.borrower.in_(institutions)),
        ),
        sa.exists().where(SHIPMENT_ITEM.c.shipment == SHIPMENT.c.code, owned),
    )


def in_force(
    connection: sa.Connection, code: str, when: When, visible: sa.ColumnElement[bool] | None = None
) -> Row | None:
    """The version of one shipment that holds, if it is visible."""
    return first_row(connection, _seen(_holding(when).where(SHIPMENT.c.code == code), visible))


def page(
    connection: sa.Connection,
    when: When,
    now: datetime,
    visible: sa.ColumnElement[bool] | None,
    *,
    consignor: str | None,
    addressee: str | None,
    state: str | None,
    after: str,
    limit: int,
) -> Sequence[Row]:
    """Up to ``limit`` shipments in the order of their codes, behind ``after``; ``state`` is that of any parcel."""
    wanted = _seen(_holding(when).where(SHIPMENT.c.code > after), visible)
    if consignor is not None:
        wanted = wanted.where(SHIPMENT.c.consignor == consignor)
    if addressee is not None:
        wanted = wanted.where(_is(SHIPMENT.c.addressee, sa.literal(addressee)))
    if state is not None:
        wanted = wanted.where(_any_parcel(when, now, _state(when) == state))
    return rows(connection, wanted.order_by(SHIPMENT.c.code).limit(limit))


def arriving(
    connection: sa.Connection,
    when: When,
    now: datetime,
    institutions: Collection[str],
    *,
    after: tuple[datetime, str] | None,
    limit: int,
) -> Sequence[Row]:
    """Up to ``limit`` shipments addressed to one of the institutions or a desk of it and not confirmed wholly by it,
    the one that is expected first in front; ``after`` is (expected_by or FOREVER, code) of the one before."""
    expected = sa.func.coalesce(SHIPMENT.c.expected_by, sa.literal(FOREVER, SHIPMENT.c.expected_by.type))
    addressed = sa.or_(sa.false(), *(_is(SHIPMENT.c.addressee, sa.literal(one)) for one in institutions))
    wanted = _holding(when).where(addressed, _any_parcel(when, now, _state(when) != "confirmed"))
    if after is not None:
        at, code = after
        wanted = wanted.where(sa.or_(expected > at, sa.and_(expected == at, SHIPMENT.c.code > code)))
    return rows(connection, wanted.order_by(expected, SHIPMENT.c.code).limit(limit))


def count_of(connection: sa.Connection, consignor: str) -> int:
    """How many shipments an institution ever sent."""
    wanted = sa.select(sa.func.count()).where(SHIPMENT.c.consignor == consignor, SHIPMENT.c.version == 1)
    return connection.execute(wanted).scalar_one()


def _holding(when: When) -> sa.Select[Any]:
    return sa.select(SHIPMENT).where(_holds(when))


def _holds(when: When) -> sa.ColumnElement[bool]:
    """The version is in force. The first one counts from the beginning, as in the fold: it may be written down late."""
    later = SHIPMENT.alias("later")
    last = (
        sa.select(sa.func.max(later.c.version))
        .where(
            later.c.code == SHIPMENT.c.code,
            sa.or_(later.c.version == 1, later.c.valid_from <= when.as_of),
            later.c.recorded_at <= when.known_on,
        )
        .scalar_subquery()
    )
    return SHIPMENT.c.version == last


def _seen(wanted: sa.Select[Any], visible: sa.ColumnElement[bool] | None) -> sa.Select[Any]:
    return wanted if visible is None else wanted.where(visible)


def _is(party: sa.ColumnElement[Any], institution: sa.ColumnElement[Any]) -> sa.ColumnElement[bool]:
    """Whether a party is the institution or a desk of it. No character of a code is a wildcard of LIKE."""
    return sa.or_(party == institution, party.like(institution.concat("/%")))


# -------------------------------------------------------------------------------------------------------------- parcels
def contents(connection: sa.Connection, code: str, when: When) -> set[str]:
    """The numbers of what a shipment had been said to hold."""
    wanted = sa.select(SHIPMENT_ITEM.c.item).where(
        SHIPMENT_ITEM.c.shipment == code, SHIPMENT_ITEM.c.recorded_at <= when.known_on
    )
    return set(connection.execute(wanted).scalars())


def parcels(connection: sa.Connection, codes: Collection[str], when: When, now: datetime) -> Sequence[Row]:
    """What the shipments hold, with the state of each thing, since when it is confirmed, and who has it."""
    columns = (
        SHIPMENT_ITEM.c.shipment,
        *_OF_AN_ITEM,
        _state(when).label("state"),
        _confirmed_at(when).label("confirmed_at"),
        SPAN.c.certain,
        SPAN.c.claimed,
        SPAN.c.certain_since,
        SPAN.c.handover,
    )
    wanted = (
        sa.select(*columns)
        .select_from(
            SHIPMENT.join(SHIPMENT_ITEM, SHIPMENT_ITEM.c.shipment == SHIPMENT.c.code)
            .join(ITEM, ITEM.c.number == SHIPMENT_ITEM.c.item)
            .outerjoin(SPAN, sa.and_(SPAN.c.item == SHIPMENT_ITEM.c.item, moments.holding(when, now)))
        )
        .where(
            _holds(when),
            SHIPMENT.c.code.in_(codes),
            SHIPMENT_ITEM.c.recorded_at <= when.known_on,
        )
        .order_by(SHIPMENT_ITEM.c.shipment, SHIPMENT_ITEM.c.item)
    )
    return rows(connection, wanted)


def _any_parcel(when: When, now: datetime, clause: sa.ColumnElement[bool]) -> sa.ColumnElement[bool]:
    held = SHIPMENT_ITEM.outerjoin(SPAN, sa.and_(SPAN.c.item == SHIPMENT_ITEM.c.item, moments.holding(when, now)))
    return (
        sa.exists()
        .select_from(held)
        .where(SHIPMENT_ITEM.c.shipment == SHIPMENT.c.code, SHIPMENT_ITEM.c.recorded_at <= when.known_on, clause)
        .correlate(SHIPMENT)
    )


def _state(when: When) -> sa.ColumnElement[str]:
    """The state of one parcel (trade.md 5.3, case 34), from its span at that moment and those it went through before.

    The addressee's own word confirms it, also where the release is told only later; others' words that the addressee
    has it make it *arrived*, which is presumed.
    """
    sent = _was_sent(when)
    spoken = SPAN.c.words.like(sa.literal('%"shipment": "').concat(SHIPMENT.c.code).concat('"%'))
    claimed = _is(SHIPMENT.c.addressee, SPAN.c.claimant)
    return sa.case(
        (_confirmed_at(when).is_not(None), "confirmed"),
        (sa.and_(~sent, spoken, claimed, SPAN.c.handover == "taker_only"), "confirmed"),
        (sa.and_(~sent, sa.or_(SPAN.c.item.is_(None), ~spoken)), "preparing"),
        (SPAN.c.handover == "rejected", "rejected"),
        (SPAN.c.handover == "held", "held"),
        (claimed, "arrived"),
        (SHIPMENT.c.turned_at.is_not(None), "turned_round"),
        else_="moving",
    )


def _was_sent(when: When) -> sa.ColumnElement[bool]:
    sent = SPAN.alias("sent")
    return (
        sa.exists()
        .where(
            sent.c.item == SHIPMENT_ITEM.c.item,
            sent.c.sent_on == SHIPMENT.c.code,
            sent.c.from_at <= when.as_of,
            moments.known(sent.c.known_from, sent.c.known_to, when),
        )
        .correlate(SHIPMENT, SHIPMENT_ITEM)
    )


def _confirmed_at(when: When) -> sa.ScalarSelect[datetime]:
    """When the trip ended in the hands of somebody whom the shipment was addressed to, now or in an earlier version."""
    sent, there, ever = SPAN.alias("sent"), SPAN.alias("there"), SHIPMENT.alias("ever")
    return (
        sa.select(sa.func.min(there.c.from_at))
        .where(
            sent.c.item == SHIPMENT_ITEM.c.item,
            sent.c.sent_on == SHIPMENT.c.code,
            moments.known(sent.c.known_from, sent.c.known_to, when),
            there.c.item == sent.c.item,
            there.c.from_at == sent.c.to_at,
            there.c.from_at <= when.as_of,
            moments.known(there.c.known_from, there.c.known_to, when),
            there.c.sent_on.is_distinct_from(sent.c.sent_on),
            ever.c.code == SHIPMENT.c.code,
            _is(ever.c.addressee, there.c.holder),
        )
        .correlate(SHIPMENT, SHIPMENT_ITEM)
        .scalar_subquery()
    )


# ------------------------------------------------------------------------------------------------- what was told of it
def named_by(connection: sa.Connection, code: str, since: datetime | None = None) -> dict[str, datetime]:
    """Items that facts told on the shipment bear on, as known now, with the earliest of these facts' times."""
    on_it = EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id)
    wanted = (
        sa.select(EVENT_ITEM.c.item, sa.func.min(EVENT_ITEM.c.happened_at).label("first_at"))
        .select_from(on_it)
        .where(EVENT.c.shipment == code, EVENT_ITEM.c.known_to == FOREVER)
        .group_by(EVENT_ITEM.c.item)
    )
    if since is not None:
        wanted = wanted.where(EVENT_ITEM.c.happened_at >= since)
    return {row.item: row.first_at for row in connection.execute(wanted)}


def told_of(connection: sa.Connection, items: Collection[str], when: When, kinds: Collection[str]) -> Sequence[Row]:
    """Facts of some kinds about the items up to that moment, as then known, in order of time: item, happened_at,
    kind and ``said``, the body, of the newest amendment."""
    wanted = (
        sa.select(EVENT_ITEM.c.item, EVENT_ITEM.c.happened_at, EVENT_ITEM.c.kind, EVENT.c.body, EVENT.c.amends)
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(
            EVENT_ITEM.c.item.in_(items),
            EVENT_ITEM.c.kind.in_(kinds),
            EVENT_ITEM.c.happened_at <= when.as_of,
            moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when),
        )
        .order_by(EVENT_ITEM.c.happened_at, EVENT.c.recorded_at, EVENT.c.place_in_request, EVENT.c.id)
    )
    return [{**row, "said": _said(row)} for row in rows(connection, wanted)]


def _said(row: Row) -> Any:
    body = json.loads(row["body"])
    return body["replacement"]["body"] if row["amends"] else body


def last_words(connection: sa.Connection, until: dict[str, datetime], when: When) -> dict[str, Row]:
    """The last fact about each item up to its own moment: event_id, kind, happened_at, recorded_at, acting_for."""
    moment_of: dict[datetime, list[str]] = {}
    for item, at in until.items():
        moment_of.setdefault(at, []).append(item)
    heard = [sa.and_(EVENT_ITEM.c.item.in_(i), EVENT_ITEM.c.happened_at <= at) for at, i in moment_of.items()]
    place = sa.func.row_number().over(
        partition_by=EVENT_ITEM.c.item,
        order_by=(EVENT_ITEM.c.happened_at.desc(), EVENT.c.recorded_at.desc(), EVENT.c.place_in_request.desc()),
    )
    ranked = (
        sa.select(
            EVENT_ITEM.c.item,
            EVENT_ITEM.c.event_id,
            EVENT_ITEM.c.kind,
            EVENT_ITEM.c.happened_at,
            EVENT.c.recorded_at,
            EVENT.c.acting_for,
            place.label("place"),
        )
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(sa.or_(sa.false(), *heard), moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when))
        .subquery()
    )
    return {row["item"]: row for row in rows(connection, sa.select(ranked).where(ranked.c.place == 1))}


def released_at(connection: sa.Connection, code: str, items: Collection[str], when: When) -> datetime | None:
    """When the first of the items left on the shipment by the consignor's word, if one has."""
    wanted = sa.select(sa.func.min(SPAN.c.from_at)).where(
        SPAN.c.item.in_(items),
        SPAN.c.sent_on == code,
        SPAN.c.from_at <= when.as_of,
        moments.known(SPAN.c.known_from, SPAN.c.known_to, when),
    )
    found: datetime | None = connection.execute(wanted).scalar_one_or_none()
    return found


def inside(connection: sa.Connection, parents: Collection[str], when: When, now: datetime) -> Sequence[Row]:
    """What is directly in one of the parents at that moment: parent, what it is, book mass in ng and how known."""
    wanted = (
        sa.select(SPAN.c.parent, *_OF_AN_ITEM, SPAN.c.mass_ng, SPAN.c.how)
        .select_from(SPAN.join(ITEM, ITEM.c.number == SPAN.c.item))
        .where(SPAN.c.parent.in_(parents), moments.holding(when, now))
        .order_by(SPAN.c.parent, SPAN.c.item)
    )
    return rows(connection, wanted)


def nested(connection: sa.Connection, tops: Collection[str], when: When, now: datetime) -> Sequence[Row]:
    """All that is in the tops at that moment, however deep, parents before their contents."""
    found: list[Row] = []
    known, fresh = set(tops), set(tops)
    while fresh:
        below = [row for row in inside(connection, fresh, when, now) if row["number"] not in known]
        found += below
        fresh = {row["number"] for row in below}
        known |= fresh
    return found


def themselves(connection: sa.Connection, numbers: Collection[str], when: When, now: datetime) -> dict[str, Row]:
    """The items with these numbers as they are at that moment, as ``inside`` gives them, by number."""
    here = ITEM.outerjoin(SPAN, sa.and_(SPAN.c.item == ITEM.c.number, moments.holding(when, now)))
    wanted = sa.select(SPAN.c.parent, *_OF_AN_ITEM, SPAN.c.mass_ng, SPAN.c.how).select_from(here)
    return {row["number"]: row for row in rows(connection, wanted.where(ITEM.c.number.in_(numbers)))}
