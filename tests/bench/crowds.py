"""Collections of any size, made by the database itself, with facts and a clerk who asks.

Of every item of ``tests.crowd`` some seventeen spans are known now; each is given a fact that it began with. The same
people ask for the same pages of a small collection and of a large one.
"""

from functools import cache
from typing import Final

import sqlalchemy as sa

from shipsvc.domain import codes
from shipsvc.store.engine import Database
from shipsvc.store.tables import FOREVER, Event, table
from shipsvc.store.tables_derived import EventItem, ItemSpan
from tests import crowd
from tests.bench.bases import Base
from tests.databases import opened
from tests.web.service import running

READER: Final = "clerk"
#: Whose lines and holdings are asked for, and at whom they also are.
OWNER: Final = "TRP"
BORROWER: Final = "LAB07"
SPAN, EVENT, EVENT_ITEM = table(ItemSpan), table(Event), table(EventItem)


@cache
def filled(base: Base, thousands: int) -> str:
    """The URL of a database with so many thousand items; made once, since it takes a while."""
    url = base.made()
    with running(url) as service:
        service.add(READER, (OWNER, "clerk"))
    with opened(url) as database:
        _write(database, "DROP")
        crowd.fill(database, thousands)
        _add_facts(database)
        _write(database, "CREATE")
        with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("ANALYZE" if database.is_sqlite else "VACUUM ANALYZE")
    return url


def numbers(count: int) -> list[str]:
    """Items of the crowd that are in every collection, as people type them: some in store, some lent."""
    found = (f"QRS0000{serial:03}" for serial in range(crowd.BLOCK))
    mine = [n for n in found if codes.issuable(n) and crowd.owner_of(n) == OWNER]
    return [codes.display(number) for number in mine[:count]]


def _write(database: Database, indexes: str) -> None:
    """DROP or CREATE the indexes of spans: to fill them row by row would take most of the time."""
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        for index in sorted(SPAN.indexes, key=lambda i: str(i.name)):
            if indexes == "DROP":
                index.drop(connection)
            else:
                index.create(connection)


def _add_facts(database: Database) -> None:
    """A fact for each span that is known now, and that it bears on the item."""
    known_now = SPAN.c.known_to == FOREVER
    fact_id = SPAN.c.item + "-" + sa.cast(SPAN.c.from_at, sa.Text)
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        columns = {c.name: sa.literal("") for c in EVENT.c} | {
            "id": fact_id,
            **dict.fromkeys(("happened_at", "happened_latest", "recorded_at"), SPAN.c.from_at),
            **{name: sa.literal(0) for name in ("uncertainty_s", "late_s", "place_in_request")},
            **{name: sa.null() for name in ("sequence", "amends", "shipment")},
            "kind": sa.literal("seen"),
            "time_source": sa.literal("typed"),
            "acting_for": sa.literal(OWNER),
            "time_raw": sa.cast(SPAN.c.from_at, sa.Text),
            "subjects": '[["' + SPAN.c.item + '",null]]',
            "body": sa.literal("{}"),
        }
        connection.execute(sa.insert(EVENT).from_select(list(columns), sa.select(*columns.values()).where(known_now)))
        bears_on = {
            "item": SPAN.c.item,
            "event_id": fact_id,
            "source_id": fact_id,
            "kind": sa.literal("seen"),
            "happened_at": SPAN.c.from_at,
            "known_from": SPAN.c.from_at,
            "known_to": SPAN.c.known_to,
        }
        aid = sa.select(*bears_on.values()).where(known_now)
        connection.execute(sa.insert(EVENT_ITEM).from_select(list(bears_on), aid))
