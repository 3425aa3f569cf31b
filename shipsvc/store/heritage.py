"""What a sample carries from its past: what was noted of it and, before it was made from them, of its forebears."""

from collections.abc import Collection, Sequence
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


def contaminations(connection: sa.Connection, numbers: Collection[str], when: When) -> dict[str, int]:
    """How many contaminations each of the samples carries, its own and those that it was made with; one SELECT."""
    known = moments.known(PARENTAGE.c.known_from, PARENTAGE.c.known_to, when)
    start = (ITEM.c.number.label("heir"), ITEM.c.number, sa.literal(FOREVER, ITEM.c.newest_recorded_at.type))
    first = sa.select(start[0], start[1], start[2].label("until")).where(ITEM.c.number.in_(numbers))
    above = first.cte("inherited", recursive=True)
    made = (PARENTAGE.c.child == above.c.number, PARENTAGE.c.born_at <= when.as_of, known)
    above = above.union(sa.select(above.c.heir, PARENTAGE.c.parent, PARENTAGE.c.born_at).where(*made))
    told = (
        EVENT_ITEM.c.kind == "contamination_noted",
        EVENT_ITEM.c.happened_at <= above.c.until,
        EVENT_ITEM.c.happened_at <= when.as_of,
        moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when),
    )
    counted = sa.func.count(EVENT_ITEM.c.event_id.distinct()).label("count")
    joined = above.join(EVENT_ITEM, EVENT_ITEM.c.item == above.c.number)
    wanted = sa.select(above.c.heir, counted).select_from(joined).where(*told).group_by(above.c.heir)
    return {row["heir"]: row["count"] for row in rows(connection, wanted)}
