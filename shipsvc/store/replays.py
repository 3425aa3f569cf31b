"""Answers kept under the Idempotency-Key of the request they were given to."""

from datetime import datetime

import sqlalchemy as sa

from shipsvc.store import locks
from shipsvc.store.engine import Row, first_row
from shipsvc.store.tables import table
from shipsvc.store.tables_people import Replay

REPLAY = table(Replay)


def first_answer(connection: sa.Connection, person: str, key: str) -> Row | None:
    """What was answered under this key, once every other transaction that works under it has ended."""
    locks.hold(connection, f"replay {person} {key}")
    wanted = sa.select(REPLAY).where(REPLAY.c.person == person, REPLAY.c.key == key)
    return first_row(connection, wanted)


def keep(
    connection: sa.Connection, person: str, key: str, digest: str, status: int, body: str, recorded_at: datetime
) -> None:
    """Keep an answer for whoever asks the same again."""
    connection.execute(
        sa.insert(REPLAY).values(
            person=person, key=key, request_digest=digest, status=status, body=body, recorded_at=recorded_at
        )
    )
