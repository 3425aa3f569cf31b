"""Failed sign-ins, counted by subject: whatever a try is known by."""

from collections.abc import Collection, Mapping
from datetime import datetime

import sqlalchemy as sa

from shipsvc.domain.attempts import Tally
from shipsvc.store import locks
from shipsvc.store.tables import table
from shipsvc.store.tables_accounts import SignInFailures

FAILURES = table(SignInFailures)


def tallies(connection: sa.Connection, subjects: Collection[str]) -> Mapping[str, Tally]:
    """The tallies of those of the subjects that have one."""
    wanted = sa.select(FAILURES).where(FAILURES.c.subject.in_(subjects))
    return {row.subject: Tally(row.failures, row.last_at, row.locked_until) for row in connection.execute(wanted).all()}


def tallies_for_change(connection: sa.Connection, subjects: Collection[str]) -> Mapping[str, Tally]:
    """The same, once no other process is changing them, and for as long as this transaction lasts."""
    locks.hold(connection, *(f"failures {subject}" for subject in subjects))
    return tallies(connection, subjects)


def put(connection: sa.Connection, subject: str, tally: Tally) -> None:
    """Put a tally in place of the one there was, if any; the subject must be held."""
    forget(connection, subject)
    values = {"failures": tally.failures, "last_at": tally.last_at, "locked_until": tally.locked_until}
    connection.execute(sa.insert(FAILURES).values(subject=subject, **values))


def forget(connection: sa.Connection, subject: str) -> None:
    """Drop a tally."""
    connection.execute(sa.delete(FAILURES).where(FAILURES.c.subject == subject))


def forget_before(connection: sa.Connection, at: datetime) -> None:
    """Drop what nobody added to since a moment."""
    connection.execute(sa.delete(FAILURES).where(FAILURES.c.last_at < at))
