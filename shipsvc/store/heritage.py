"""What a sample carries from its past: what was noted of it and, before it was made from them, of its forebears."""

from collections.abc import Sequence
from typing import Final

import sqlalchemy as sa

from shipsvc.store import moments
from shipsvc.store.derived import PARENTAGE
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import CONTENT, EVENT, EVENT_ITEM
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import Item

ITEM = table(Item)
#: What stays with the material, whatever is made of it.
CARRIED: Final = ("contamination_noted", "restriction_set")


def carried(connection: sa.Connection, number: str, when: When) -> Sequence[Row]:
    """The facts and decisions that it carries, oldest first, each with the ``original_id`` and the sample it is ``of``.

    Of a forebear that counts which happened before the piece, or the mixture, was made of it; what befell it later did
    not befall the child.
    """
    above = (
        sa.select(ITEM.c.number, sa.literal(FOREVER, ITEM.c.newest_recorded_at.type).label("until"))
        .where(ITEM.c.number == number)
        .cte("carried_from", recursive=True)
    )
    made = (
        PARENTAGE.c.child == above.c.number,
        PARENTAGE.c.born_at <= when.as_of,
        moments.known(PARENTAGE.c.known_from, PARENTAGE.c.known_to, when),
    )
    # Of several ways down from one forebear each counts: UNION ends a circle, since an edge has one time.
    above = above.union(sa.select(PARENTAGE.c.parent, PARENTAGE.c.born_at).where(*made))
    wanted = (
        sa.select(EVENT_ITEM.c.event_id.label("original_id"), EVENT_ITEM.c.item.label("of"), *CONTENT, EVENT.c.actor)
        .distinct()
        .select_from(
            EVENT_ITEM.join(above, EVENT_ITEM.c.item == above.c.number).join(
                EVENT, EVENT.c.id == EVENT_ITEM.c.source_id
            )
        )
        .where(
            EVENT_ITEM.c.kind.in_(CARRIED),
            EVENT_ITEM.c.happened_at <= above.c.until,
            EVENT_ITEM.c.happened_at <= when.as_of,
            moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when),
        )
        .order_by(EVENT.c.happened_at, EVENT.c.recorded_at, EVENT_ITEM.c.event_id, EVENT_ITEM.c.item)
    )
    return rows(connection, wanted)
