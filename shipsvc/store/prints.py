"""Label prints: which were made, which were voided, what each was stuck on; and the key of the tags on them."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.store import locks, moments, second
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import CONTENT, EVENT, EVENT_ITEM
from shipsvc.store.tables import LabelPrint, LabelVoid, table
from shipsvc.store.tables_people import Secret

PRINT = table(LabelPrint)
VOID = table(LabelVoid)
SECRET = table(Secret)
LABEL_KEY: Final = "label key"


def hold(connection: sa.Connection, numbers: Collection[str]) -> None:
    """Let no other transaction print or void labels of the items until this one ends. Before any row is locked."""
    locks.hold(connection, *(f"labels {number}" for number in numbers))


def add(connection: sa.Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Note that labels were printed."""
    connection.execute(sa.insert(PRINT), rows)


def add_void(connection: sa.Connection, row: dict[str, Any]) -> None:
    """Note that a label must not be on anything."""
    connection.execute(sa.insert(VOID), [row])


def prints(connection: sa.Connection, numbers: Collection[str], by: datetime) -> Sequence[Row]:
    """Prints of the items that were made by then, in the order of number and serial."""
    wanted = sa.select(PRINT).where(PRINT.c.number.in_(numbers), PRINT.c.recorded_at <= by)
    return rows(connection, wanted.order_by(PRINT.c.number, PRINT.c.serial))


def voids(connection: sa.Connection, numbers: Collection[str], by: datetime) -> Sequence[Row]:
    """Which prints of the items had been voided by then, and whether that ``awaits`` a second person."""
    wanted = sa.select(VOID, second.awaits(VOID.c.event_id, by).label("awaits"))
    return rows(connection, wanted.where(VOID.c.number.in_(numbers), VOID.c.recorded_at <= by))


def attachments(connection: sa.Connection, number: str, when: When) -> Sequence[Row]:
    """Facts that told prints of an item to be stuck on something, oldest first."""
    wanted = (
        sa.select(*CONTENT)
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(
            EVENT_ITEM.c.item == number,
            EVENT_ITEM.c.kind == "label_attached",
            EVENT_ITEM.c.happened_at <= when.as_of,
            moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when),
        )
        .order_by(EVENT_ITEM.c.happened_at, EVENT.c.recorded_at)
    )
    return rows(connection, wanted)


# ----------------------------------------------------------------------------------------------------- the tags' key
def label_key(connection: sa.Connection) -> bytes | None:
    """The key of the tags on labels, if one was made."""
    found = connection.execute(sa.select(SECRET.c.value).where(SECRET.c.name == LABEL_KEY)).scalar()
    return None if found is None else bytes.fromhex(found)


def keep_label_key(connection: sa.Connection, key: bytes, created_at: datetime) -> bytes:
    """Keep a key for the tags on labels, unless one was made meanwhile; the one that counts."""
    locks.hold(connection, LABEL_KEY)
    kept = label_key(connection)
    if kept is None:
        connection.execute(sa.insert(SECRET).values(name=LABEL_KEY, value=key.hex(), created_at=created_at))
    return kept or key
