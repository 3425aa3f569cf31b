"""What was told of a person's roles, in the order in which it was told."""

from collections.abc import Sequence

import sqlalchemy as sa

from shipsvc.store.engine import Row, rows
from shipsvc.store.people import CHANGE


def of_person(connection: sa.Connection, person: str) -> Sequence[Row]:
    """Every role given or ended, whether or not it has begun."""
    wanted = sa.select(CHANGE).where(CHANGE.c.person == person)
    return rows(connection, wanted.order_by(CHANGE.c.recorded_at))
