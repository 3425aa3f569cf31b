"""The log of facts and decisions, and the finding aid that says which items each bears on."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import FOREVER, Event, Note, table
from shipsvc.store.tables_derived import EventItem

EVENT = table(Event)
NOTE = table(Note)
EVENT_ITEM = table(EventItem)

#: What the fold needs of an event.
CONTENT = (
    EVENT.c.id,
    EVENT.c.kind,
    EVENT.c.happened_at,
    EVENT.c.recorded_at,
    EVENT.c.acting_for,
    EVENT.c.subjects,
    EVENT.c.body,
    EVENT.c.device,
    EVENT.c.boot,
    EVENT.c.sequence,
    EVENT.c.place_in_request,
    EVENT.c.shipment,
)


# Statements of the write path are made once: building one takes longer than running it.
_SOME: sa.BindParameter[Any] = sa.bindparam("some", expanding=True)
_SINCE: sa.BindParameter[Any] = sa.bindparam("since")
_BY_IDS = (
    sa.select(EVENT, NOTE.c.salt)
    .select_from(EVENT.outerjoin(NOTE, NOTE.c.event_id == EVENT.c.id))
    .where(EVENT.c.id.in_(_SOME))
)
_ADD = sa.insert(EVENT)
_ADD_ITEMS = sa.insert(EVENT_ITEM)
_ORIGINAL = EVENT.alias("original")
_TIMELINE = (
    sa.select(_ORIGINAL.c.id.label("original_id"), _ORIGINAL.c.acting_for.label("first_told_for"), *CONTENT)
    .select_from(
        EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id).join(
            _ORIGINAL, _ORIGINAL.c.id == EVENT_ITEM.c.event_id
        )
    )
    .where(EVENT_ITEM.c.item.in_(_SOME), EVENT_ITEM.c.known_to == FOREVER, EVENT_ITEM.c.happened_at >= _SINCE)
)


def by_ids(connection: sa.Connection, ids: Collection[str]) -> dict[str, Row]:
    """Those of the events that are there, with the salt of their notes."""
    return {row["id"]: row for row in rows(connection, _BY_IDS, some=ids)}


def amendments(connection: sa.Connection, original: str) -> Sequence[Row]:
    """The amendments of one event, oldest first."""
    wanted = sa.select(EVENT).where(EVENT.c.amends == original).order_by(EVENT.c.recorded_at, EVENT.c.id)
    return rows(connection, wanted)


def add(connection: sa.Connection, added: list[dict[str, Any]], notes: list[dict[str, Any]]) -> None:
    """Append events, and the notes that belong to them."""
    connection.execute(_ADD, added)
    if notes:
        connection.execute(sa.insert(NOTE), notes)


def add_items(connection: sa.Connection, rows: list[dict[str, Any]]) -> None:
    """Note which items events bear on, as known from now on."""
    if rows:
        connection.execute(_ADD_ITEMS, rows)


def close_items(connection: sa.Connection, events: Collection[str], recorded_at: datetime) -> None:
    """End the knowledge of what the (now amended) events bore on."""
    ended = sa.update(EVENT_ITEM).where(EVENT_ITEM.c.event_id.in_(events), EVENT_ITEM.c.known_to == FOREVER)
    connection.execute(ended.values(known_to=recorded_at))


def items_of(connection: sa.Connection, events: Iterable[str]) -> Sequence[Row]:
    """What the events bear on as known now."""
    wanted = sa.select(EVENT_ITEM).where(EVENT_ITEM.c.event_id.in_(list(events)), EVENT_ITEM.c.known_to == FOREVER)
    return rows(connection, wanted)


def timeline(connection: sa.Connection, items: Collection[str], since: datetime) -> list[tuple[str, str, Row]]:
    """The facts in force about any of the items from ``since`` on, as (id of the original, who told the original, row).

    An amended fact comes with the content of its newest amendment under the id of the original.
    """
    found = {row["original_id"]: row for row in rows(connection, _TIMELINE, some=items, since=since)}
    return [(original_id, row["first_told_for"], row) for original_id, row in found.items()]


def labels_before(connection: sa.Connection, items: Collection[str], before: datetime) -> Sequence[Row]:
    """Label attachments about any of the items that happened before an instant, oldest first."""
    wanted = (
        sa.select(*CONTENT)
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(
            EVENT_ITEM.c.item.in_(items),
            EVENT_ITEM.c.kind == "label_attached",
            EVENT_ITEM.c.known_to == FOREVER,
            EVENT_ITEM.c.happened_at < before,
        )
        .order_by(EVENT_ITEM.c.happened_at, EVENT.c.recorded_at)
    )
    return rows(connection, wanted)


def labelled_containers(connection: sa.Connection, numbers: Collection[str]) -> set[str]:
    """Containers that a print of one of the numbers was told to be on, at any time, as known now."""
    other = EVENT_ITEM.alias("other")
    wanted = (
        sa.select(other.c.item)
        .distinct()
        .select_from(EVENT_ITEM.join(other, other.c.event_id == EVENT_ITEM.c.event_id))
        .where(
            EVENT_ITEM.c.item.in_(numbers),
            EVENT_ITEM.c.kind == "label_attached",
            EVENT_ITEM.c.known_to == FOREVER,
            other.c.known_to == FOREVER,
        )
    )
    return set(connection.execute(wanted).scalars())


def close_item_rows(connection: sa.Connection, stale: Collection[Row], recorded_at: datetime) -> None:
    """End the knowledge that single events bore on single items."""
    if stale:
        ended = sa.update(EVENT_ITEM).where(
            EVENT_ITEM.c.item == sa.bindparam("i"),
            EVENT_ITEM.c.event_id == sa.bindparam("e"),
            EVENT_ITEM.c.known_from == sa.bindparam("k"),
        )
        keys = [{"i": row["item"], "e": row["event_id"], "k": row["known_from"]} for row in stale]
        connection.execute(ended.values(known_to=recorded_at), keys)
