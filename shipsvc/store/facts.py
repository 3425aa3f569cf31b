"""One fact or decision as it was told, and its amendments, for those who may read it."""

from collections.abc import Callable, Collection, Sequence
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from shipsvc.store import access
from shipsvc.store.access import Outsider
from shipsvc.store.among import among
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT, EVENT_ITEM, NOTE
from shipsvc.store.item_states import ITEM
from shipsvc.store.loans import LOAN, parties
from shipsvc.store.tables import FOREVER

ORIGINAL: Final = EVENT.alias("original")
#: What an actor may see of the items in a column.
Sees = Callable[[sa.ColumnElement[str]], sa.ColumnElement[bool]]


def find(connection: sa.Connection, event_id: str, outsider: Outsider, *, sees_all: bool) -> Row | None:
    """The row of the log, with the text and salt of its note (None where there is none, or where it was erased).

    ``theirs`` is whether it, or what it amends, was told for one of the institutions, or bears on what one of them
    owns. None unless that is so, or it befell something in the time in which one of them had to do with it.
    """
    return next(iter(find_many(connection, [event_id], outsider, sees_all=sees_all)), None)


def find_many(connection: sa.Connection, ids: Collection[str], outsider: Outsider, *, sees_all: bool) -> Sequence[Row]:
    """Those of the facts that ``find`` finds, in the order of ids."""
    mine = outsider.institutions
    told = sa.or_(EVENT.c.acting_for.in_(mine), ORIGINAL.c.acting_for.in_(mine))
    bears = (EVENT_ITEM.c.event_id == ORIGINAL.c.id, ITEM.c.number == EVENT_ITEM.c.item)
    owned = sa.exists().where(*bears, ITEM.c.owner.in_(mine)).correlate(ORIGINAL)
    at = EVENT_ITEM.c.happened_at
    readable = sa.or_(
        access.may_read(ITEM.c.number, at, ITEM.c.kind, outsider),
        sa.and_(access.ends_after(ITEM.c.number, at, mine), access.was_party(mine)),
    )
    concerned = sa.exists().where(*bears, EVENT_ITEM.c.known_to == FOREVER, readable).correlate(ORIGINAL, EVENT)
    theirs = sa.or_(told, owned, sa.literal(sees_all))
    joined = EVENT.join(ORIGINAL, ORIGINAL.c.id == sa.func.coalesce(EVENT.c.amends, EVENT.c.id))
    wanted = (
        sa.select(EVENT, NOTE.c.text.label("note"), NOTE.c.salt, theirs.label("theirs"))
        .select_from(joined.outerjoin(NOTE, NOTE.c.event_id == EVENT.c.id))
        .where(among(EVENT.c.id), sa.or_(theirs, concerned))
    )
    return rows(connection, wanted.order_by(EVENT.c.id), some=ids)


def ids_about(
    connection: sa.Connection,
    institutions: Collection[str],
    sees: Sees,
    *,
    happened_by: datetime,
    recorded_by: datetime,
    after: str,
    limit: int,
) -> list[str]:
    """Ids behind ``after``, in order, of what was told for the institutions or bears on an item that may be seen.

    Whoever may read a fact finds it among these; not each of these may be read, which ``find`` decides.
    """
    told = sa.or_(EVENT.c.acting_for.in_(institutions), ORIGINAL.c.acting_for.in_(institutions))
    bears = sa.exists().where(EVENT_ITEM.c.event_id == ORIGINAL.c.id, sees(EVENT_ITEM.c.item)).correlate(ORIGINAL)
    wanted = (
        sa.select(EVENT.c.id)
        .select_from(EVENT.join(ORIGINAL, ORIGINAL.c.id == sa.func.coalesce(EVENT.c.amends, EVENT.c.id)))
        .where(EVENT.c.id > after, EVENT.c.happened_at <= happened_by, EVENT.c.recorded_at <= recorded_by)
        .where(sa.or_(told, bears))
        .order_by(EVENT.c.id)
        .limit(limit)
    )
    return list(connection.execute(wanted).scalars())


def told_by(connection: sa.Connection, person: str, *, after: str, limit: int) -> Sequence[Row]:
    """Rows of the log that a person told, with their notes, behind the id ``after`` and in the order of ids."""
    wanted = (
        sa.select(EVENT, NOTE.c.text.label("note"))
        .select_from(EVENT.outerjoin(NOTE, NOTE.c.event_id == EVENT.c.id))
        .where(EVENT.c.actor == person, EVENT.c.id > after)
    )
    return rows(connection, wanted.order_by(EVENT.c.id).limit(limit))


def versions(connection: sa.Connection, original: str) -> Sequence[Row]:
    """A fact and all its amendments, in the order in which they were told."""
    wanted = sa.select(EVENT).where(sa.or_(EVENT.c.id == original, EVENT.c.amends == original))
    # An amendment cannot be told before what it amends, but both may be told in one request.
    return rows(connection, wanted.order_by(EVENT.c.recorded_at, EVENT.c.place_in_request))


def items(connection: sa.Connection, original: str, sees: Sees) -> list[str]:
    """The items that a fact bears on, as known now, among those that may be seen."""
    return items_of_many(connection, [original], sees).get(original, [])


def items_of_many(connection: sa.Connection, originals: Collection[str], sees: Sees) -> dict[str, list[str]]:
    """The same of many facts, by fact; those that bear on nothing that may be seen are left out."""
    wanted = sa.select(EVENT_ITEM.c.event_id, EVENT_ITEM.c.item).where(
        among(EVENT_ITEM.c.event_id), EVENT_ITEM.c.known_to == FOREVER, sees(EVENT_ITEM.c.item)
    )
    found: dict[str, list[str]] = {}
    for event_id, item in connection.execute(wanted.order_by(EVENT_ITEM.c.item), {"some": list(originals)}):
        found.setdefault(event_id, []).append(item)
    return found


def party_to_loan(connection: sa.Connection, code: str, institutions: Collection[str]) -> bool:
    """Whether one of the institutions lends or borrows under a loan."""
    wanted = sa.select(LOAN.c.code).where(LOAN.c.code == code, parties(institutions)).limit(1)
    return connection.execute(wanted).first() is not None
