"""Which institution took over from which: the log of these decisions, and who answers for whom at a moment."""

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.successions import Heirs, Succession, in_force
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import Succession as SuccessionRow
from shipsvc.store.tables import table

SUCCESSION = table(SuccessionRow)
# Made once, since it is asked at every request. Institutions merge seldom, so all of the log is read.
_TOLD = sa.select(
    SUCCESSION.c.institution, SUCCESSION.c.successor, SUCCESSION.c.from_at, SUCCESSION.c.recorded_at
).order_by(SUCCESSION.c.recorded_at)


def told(connection: sa.Connection) -> list[Succession]:
    """Every decision, in the order in which they were told."""
    return [Succession(*row) for row in connection.execute(_TOLD)]


def heirs(connection: sa.Connection, when: When) -> Heirs:
    """Who answers for whom at a moment, by what was known on a moment."""
    return in_force(told(connection), when.as_of, when.known_on)


def log(connection: sa.Connection, code: str, when: When) -> Sequence[Row]:
    """The decisions that name an institution, as the old one or the new one, in the order in which they were told."""
    wanted = sa.select(SUCCESSION).where(
        sa.or_(SUCCESSION.c.institution == code, SUCCESSION.c.successor == code),
        SUCCESSION.c.from_at <= when.as_of,
        SUCCESSION.c.recorded_at <= when.known_on,
    )
    return rows(connection, wanted.order_by(SUCCESSION.c.recorded_at))


def append(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Add a decision."""
    connection.execute(sa.insert(SUCCESSION).values(**row))
