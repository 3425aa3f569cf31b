"""Chains of document versions: append one, find the one in force, read a page of a whole kind.

A version says what holds from its ``valid_from`` on, whatever was said before it. So of the versions that were
recorded by ``known_on`` and begin by ``as_of`` the newest one holds; to mend only the past, tell the mend, and then
tell again what holds after it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store import locks
from shipsvc.store.engine import Row, first_row, rows


@dataclass(frozen=True)
class When:
    """Which moment is asked about, and what had been recorded by when."""

    as_of: datetime
    known_on: datetime


def in_force(
    connection: sa.Connection, chain: sa.Table, code: str, when: When, visible: sa.ColumnElement[bool] | None = None
) -> Row | None:
    """The version of one document that holds, if it is visible."""
    wanted = _holding(chain, when).where(chain.c.code == code)
    return first_row(connection, _seen(wanted, visible))


def page(
    connection: sa.Connection,
    chain: sa.Table,
    when: When,
    *,
    after: str,
    limit: int,
    visible: sa.ColumnElement[bool] | None = None,
) -> Sequence[Row]:
    """Up to ``limit`` documents in the order of their codes, behind the code ``after``."""
    wanted = _holding(chain, when).where(chain.c.code > after).order_by(chain.c.code).limit(limit)
    return rows(connection, _seen(wanted, visible))


def names(connection: sa.Connection, chain: sa.Table, when: When) -> Sequence[tuple[str, str]]:
    """Each (code, name) that documents went by up to a moment, in the order of codes, the first name first."""
    told = sa.and_(chain.c.valid_from <= when.as_of, chain.c.recorded_at <= when.known_on)
    wanted = sa.select(chain.c.code, chain.c.name).where(told).order_by(chain.c.code, chain.c.version)
    return [(code, name) for code, name in connection.execute(wanted)]


def newest(
    connection: sa.Connection, chain: sa.Table, code: str, visible: sa.ColumnElement[bool] | None = None
) -> Row | None:
    """The last version of a document, if it is visible, also where it begins only later."""
    wanted = sa.select(chain).where(chain.c.code == code).order_by(chain.c.version.desc()).limit(1)
    return first_row(connection, _seen(wanted, visible))


def newest_locked(
    connection: sa.Connection, chain: sa.Table, code: str, visible: sa.ColumnElement[bool] | None = None
) -> Row | None:
    """The last version, once no other transaction is about to add one."""
    locks.hold(connection, f"{chain.name} {code}")
    return newest(connection, chain, code, visible)


def append(connection: sa.Connection, chain: sa.Table, row: Mapping[str, Any]) -> None:
    """Add a version."""
    connection.execute(sa.insert(chain).values(**row))


def _holding(chain: sa.Table, when: When) -> sa.Select[Any]:
    later = chain.alias("later")
    last = (
        sa.select(sa.func.max(later.c.version))
        .where(later.c.code == chain.c.code, later.c.valid_from <= when.as_of, later.c.recorded_at <= when.known_on)
        .scalar_subquery()
    )
    return sa.select(chain).where(chain.c.version == last)


def _seen(wanted: sa.Select[Any], visible: sa.ColumnElement[bool] | None) -> sa.Select[Any]:
    return wanted if visible is None else wanted.where(visible)
