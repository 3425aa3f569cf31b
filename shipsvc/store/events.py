"""The log of facts and decisions, and the finding aid that says which items each bears on."""

import json
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.facts import Named
from shipsvc.store.among import among
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
_SINCE: sa.BindParameter[Any] = sa.bindparam("since")
_BY_IDS = (
    sa.select(EVENT, NOTE.c.salt)
    .select_from(EVENT.outerjoin(NOTE, NOTE.c.event_id == EVENT.c.id))
    .where(among(EVENT.c.id))
)
_ADD = sa.insert(EVENT)
_ADD_NOTES = sa.insert(NOTE)
_ADD_ITEMS = sa.insert(EVENT_ITEM)
_ORIGINAL = EVENT.alias("original")
_IN_FORCE = (
    sa.select(_ORIGINAL.c.id.label("original_id"), _ORIGINAL.c.acting_for.label("first_told_for"), *CONTENT)
    .select_from(
        EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id).join(
            _ORIGINAL, _ORIGINAL.c.id == EVENT_ITEM.c.event_id
        )
    )
    .where(EVENT_ITEM.c.known_to == FOREVER)
)
_TIMELINE = _IN_FORCE.where(among(EVENT_ITEM.c.item), EVENT_ITEM.c.happened_at >= _SINCE)
_THESE = _IN_FORCE.where(among(EVENT_ITEM.c.event_id))
_OF_KINDS = _IN_FORCE.where(among(EVENT_ITEM.c.item), among(EVENT_ITEM.c.kind, "kinds"))
_FIRST = sa.select(sa.func.min(EVENT_ITEM.c.happened_at)).where(
    among(EVENT_ITEM.c.item), EVENT_ITEM.c.known_to == FOREVER
)
_CLOSE = (
    sa.update(EVENT_ITEM)
    .where(
        EVENT_ITEM.c.item == sa.bindparam("i"),
        EVENT_ITEM.c.event_id == sa.bindparam("e"),
        EVENT_ITEM.c.known_from == sa.bindparam("k"),
    )
    .values(known_to=sa.bindparam("until"))
)
_ITEMS_OF = sa.select(EVENT_ITEM).where(among(EVENT_ITEM.c.event_id), EVENT_ITEM.c.known_to == FOREVER)

#: A fact in force: the id of the original, who told the original, and the row that holds its content now.
InForce = tuple[str, str, Row]


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
        connection.execute(_ADD_NOTES, notes)


def add_items(connection: sa.Connection, rows: list[dict[str, Any]]) -> None:
    """Note which items events bear on, as known from now on."""
    if rows:
        connection.execute(_ADD_ITEMS, rows)


def close_items(connection: sa.Connection, events: Collection[str], recorded_at: datetime) -> None:
    """End the knowledge of what the (now amended) events bore on."""
    if events:
        ended = sa.update(EVENT_ITEM).where(EVENT_ITEM.c.event_id.in_(events), EVENT_ITEM.c.known_to == FOREVER)
        connection.execute(ended.values(known_to=recorded_at))


def items_of(connection: sa.Connection, events: Iterable[str]) -> Sequence[Row]:
    """What the events bear on as known now."""
    return rows(connection, _ITEMS_OF, some=list(events))


def content(row: Row) -> tuple[str, tuple[Named, ...], dict[str, Any]]:
    """What a row of the log says: (kind, subjects, body); for an amendment, what it puts in the original's place."""
    said: dict[str, Any] = {"kind": row["kind"], "subjects": json.loads(row["subjects"])}
    said["body"] = json.loads(row["body"])
    if row["kind"] == "amended":
        said = said["body"]["replacement"]
    return said["kind"], tuple(Named(number, serial) for number, serial in said["subjects"]), said["body"]


def timeline(connection: sa.Connection, items: Collection[str], since: datetime) -> list[InForce]:
    """The facts in force about any of the items from ``since`` on.

    An amended fact comes with the content of its newest amendment under the id of the original.
    """
    return _in_force(rows(connection, _TIMELINE, some=items, since=since))


def these_in_force(connection: sa.Connection, originals: Collection[str]) -> list[InForce]:
    """Those of the facts that are still in force, as amended."""
    return _in_force(rows(connection, _THESE, some=originals))


def of_kinds(connection: sa.Connection, items: Collection[str], kinds: Collection[str]) -> list[InForce]:
    """The facts in force of some kinds that name any of the items, whenever they happened."""
    return _in_force(rows(connection, _OF_KINDS, some=items, kinds=kinds))


def _in_force(found: Iterable[Row]) -> list[InForce]:
    by_id = {row["original_id"]: row for row in found}  # a fact has a row for each of its items
    return [(original, row["first_told_for"], row) for original, row in by_id.items()]


def first_happened(connection: sa.Connection, items: Collection[str]) -> datetime | None:
    """When the first fact in force about any of the items happened."""
    found: datetime | None = connection.execute(_FIRST, {"some": list(items)}).scalar_one_or_none()
    return found


def close_item_rows(connection: sa.Connection, stale: Collection[Row], recorded_at: datetime) -> None:
    """End the knowledge that single events bore on single items."""
    keys = [{"i": r["item"], "e": r["event_id"], "k": r["known_from"], "until": recorded_at} for r in stale]
    if keys:
        connection.execute(_CLOSE, keys)
