"""Sessions and the refresh tokens that renew them."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store import locks
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.tables import table
from shipsvc.store.tables_accounts import RefreshToken, Session

SESSION = table(Session)
REFRESH = table(RefreshToken)


def add(connection: sa.Connection, session: Row) -> None:
    """Open a session (id, person, client_id, address, started_at, last_used_at, expires_at; secret where one was)."""
    connection.execute(sa.insert(SESSION).values(**session))


def by_id(connection: sa.Connection, session: str) -> Row | None:
    """A session, open or not."""
    return first_row(connection, sa.select(SESSION).where(SESSION.c.id == session))


def by_cookie(connection: sa.Connection, digest: str, now: datetime) -> Row | None:
    """The open session that a browser's cookie belongs to."""
    is_open = (SESSION.c.ended_at.is_(None), SESSION.c.expires_at > now)
    return first_row(connection, sa.select(SESSION).where(SESSION.c.cookie_digest == digest, *is_open))


def open_of(connection: sa.Connection, person: str, now: datetime) -> Sequence[Row]:
    """The sessions of a person that are open, the newest first."""
    theirs = (SESSION.c.person == person, SESSION.c.ended_at.is_(None), SESSION.c.expires_at > now)
    return rows(connection, sa.select(SESSION).where(*theirs).order_by(SESSION.c.started_at.desc(), SESSION.c.id))


def kept_of(connection: sa.Connection, person: str) -> Sequence[Row]:
    """Every session of a person that is still kept, also those that are over; the newest first."""
    wanted = sa.select(SESSION).where(SESSION.c.person == person)
    return rows(connection, wanted.order_by(SESSION.c.started_at.desc(), SESSION.c.id))


def is_familiar(connection: sa.Connection, person: str, address: str) -> bool:
    """Whether the person has signed in from this address, as far back as sessions are kept."""
    there = sa.select(SESSION.c.id).where(SESSION.c.person == person, SESSION.c.address == address)
    return connection.execute(there.limit(1)).first() is not None


def use(connection: sa.Connection, session: str, at: datetime) -> None:
    """Note that a session was renewed."""
    connection.execute(sa.update(SESSION).where(SESSION.c.id == session).values(last_used_at=at))


def end(connection: sa.Connection, session: str, at: datetime) -> None:
    """End a session; one that has ended stays as it is."""
    _end(connection, SESSION.c.id == session, at)


def end_of_secret(connection: sa.Connection, secret: str, at: datetime) -> None:
    """End every session that a secret of a client opened, also those of people on a tablet that keeps it."""
    _end(connection, SESSION.c.secret == secret, at)


def end_all(connection: sa.Connection, person: str, at: datetime) -> None:
    """End every session of a person."""
    _end(connection, SESSION.c.person == person, at)


def _end(connection: sa.Connection, which: sa.ColumnElement[bool], at: datetime) -> None:
    connection.execute(sa.update(SESSION).where(which, SESSION.c.ended_at.is_(None)).values(ended_at=at))


def forget_expired(connection: sa.Connection, before: datetime) -> None:
    """Drop the sessions that expired before a moment, and their refresh tokens."""
    gone = sa.select(SESSION.c.id).where(SESSION.c.expires_at < before)
    connection.execute(sa.delete(REFRESH).where(REFRESH.c.session.in_(gone)))
    connection.execute(sa.delete(SESSION).where(SESSION.c.expires_at < before))


def add_refresh(connection: sa.Connection, refresh: Row) -> None:
    """Keep a refresh token (digest, session, issued_at, expires_at)."""
    connection.execute(sa.insert(REFRESH).values(**refresh))


def refresh_for_change(connection: sa.Connection, digest: str) -> Row | None:
    """A refresh token, once nobody else is using it, and for as long as this transaction lasts."""
    locks.hold(connection, f"refresh {digest}")
    return refresh_by_digest(connection, digest)


def refresh_by_digest(connection: sa.Connection, digest: str) -> Row | None:
    """A refresh token, spent or not."""
    return first_row(connection, sa.select(REFRESH).where(REFRESH.c.digest == digest))


def spend(connection: sa.Connection, digest: str, at: datetime) -> None:
    """Note that a refresh token was used."""
    connection.execute(sa.update(REFRESH).where(REFRESH.c.digest == digest).values(spent_at=at))
