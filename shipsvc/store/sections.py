"""What was told of a sample that may bear on its account as a section."""

from collections.abc import Collection, Sequence

import sqlalchemy as sa

from shipsvc.store import moments
from shipsvc.store.derived import FLAG
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import CONTENT, EVENT, EVENT_ITEM


def told(connection: sa.Connection, number: str, kinds: Collection[str], when: When) -> Sequence[Row]:
    """The facts of some kinds that name the sample, as they stood at the moment and in order of time, with their
    ``original_id``. A stranger's word is none: it moves nothing."""
    strange = sa.exists().where(
        FLAG.c.item == number,
        FLAG.c.event_id == EVENT_ITEM.c.event_id,
        FLAG.c.code == "strangers_word",
        moments.known(FLAG.c.known_from, FLAG.c.known_to, when),
    )
    wanted = (
        sa.select(EVENT_ITEM.c.event_id.label("original_id"), *CONTENT)
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(
            EVENT_ITEM.c.item == number,
            EVENT_ITEM.c.kind.in_(kinds),
            EVENT_ITEM.c.happened_at <= when.as_of,
            moments.known(EVENT_ITEM.c.known_from, EVENT_ITEM.c.known_to, when),
            ~strange,
        )
        .order_by(EVENT.c.happened_at, EVENT.c.recorded_at, EVENT_ITEM.c.event_id)
    )
    return rows(connection, wanted)
