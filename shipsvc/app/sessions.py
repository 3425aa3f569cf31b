"""Sessions: opened by a sign-in, renewed by refresh tokens, ended by their owner, by a reused token, with the account.

A refresh token is good once (RFC 9700 section 4.14.2). Whoever shows a spent one holds a copy, or was robbed of one;
nobody can tell which, so the whole session ends.
"""

import hashlib
import secrets
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from shipsvc.domain import errors
from shipsvc.store import people, sessions
from shipsvc.store.engine import Row

#: How long the row of a session outlives it.
KEPT = timedelta(days=1)
REFRESH_PREFIX = "shr_"
COOKIE_PREFIX = "shp_"
#: What the list of one's sessions calls the pages.
PAGES = "pages"


@dataclass(frozen=True)
class Lifetimes:
    """How long a session lasts at most, and how long without being renewed."""

    whole: timedelta
    idle: timedelta


@dataclass(frozen=True)
class Opened:
    """A session that goes on: whose, through which client, and the secret that renews it next."""

    session: str
    person: str
    client_id: str
    refresh_token: str


def digest(secret: str) -> str:
    """What is kept of a secret: SHA-256. It is random and long: no slow hash is needed (NIST SP 800-63B 3.1.2.2)."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def new_secret(prefix: str) -> str:
    """A random secret of 256 bits. The prefix lets whoever finds it in the wrong place see what it is."""
    return prefix + secrets.token_urlsafe(32)


def start(
    connection: sa.Connection, now: datetime, lifetimes: Lifetimes, *, person: str, client_id: str, address: str
) -> Opened:
    """Open a session, after a right password."""
    session = add(connection, now, now + lifetimes.whole, person=person, client_id=client_id, address=address)
    return Opened(session, person, client_id, _refresh(connection, now, session, now + lifetimes.whole, lifetimes))


def start_pages(connection: sa.Connection, now: datetime, lifetimes: Lifetimes, *, person: str, address: str) -> str:
    """Open a session of the pages, after a right password; the secret that the browser keeps as a cookie.

    It lasts as long as one that is not renewed: a cookie that is copied has no next one that would show it.
    """
    cookie = new_secret(COOKIE_PREFIX)
    until = now + min(lifetimes.whole, lifetimes.idle)
    add(connection, now, until, person=person, client_id=PAGES, address=address, cookie_digest=digest(cookie))
    return cookie


def of_cookie(connection: sa.Connection, now: datetime, cookie: str) -> Row | None:
    """The open session behind a cookie of the pages."""
    return sessions.by_cookie(connection, digest(cookie), now)


def add(
    connection: sa.Connection,
    now: datetime,
    until: datetime,
    *,
    person: str,
    client_id: str,
    address: str,
    secret: str | None = None,
    cookie_digest: str | None = None,
) -> str:
    """Open a session that nothing renews; its id. ``secret`` is the id of a client's."""
    sessions.forget_expired(connection, now - KEPT)
    session = str(uuid.uuid4())
    about = {"id": session, "person": person, "client_id": client_id, "address": address, "secret": secret}
    sessions.add(
        connection,
        {**about, "cookie_digest": cookie_digest, "started_at": now, "last_used_at": now, "expires_at": until},
    )
    return session


def _refresh(connection: sa.Connection, now: datetime, session: str, until: datetime, lifetimes: Lifetimes) -> str:
    secret = new_secret(REFRESH_PREFIX)
    times = {"issued_at": now, "expires_at": min(until, now + lifetimes.idle)}
    sessions.add_refresh(connection, {"digest": digest(secret), "session": session, **times})
    return secret


def renew(
    connection: sa.Connection, now: datetime, lifetimes: Lifetimes, token: str, client_id: str = ""
) -> Opened | None:
    """Spend a refresh token for the next one. None if it is not good, which may have ended its session: commit that.

    A client that names itself must be the one that the session was opened by (RFC 6749 section 6).
    """
    spent = digest(token)
    found = sessions.refresh_for_change(connection, spent)
    if found is None:
        return None
    if found["spent_at"] is not None:
        sessions.end(connection, found["session"], now)
        return None
    session = sessions.by_id(connection, found["session"])
    if session is None or found["expires_at"] <= now or client_id not in {"", session["client_id"]}:
        return None
    if people.roles_in_session(connection, session["person"], session["id"], now) is None:
        return None
    sessions.spend(connection, spent, now)
    sessions.use(connection, session["id"], now)
    secret = _refresh(connection, now, session["id"], session["expires_at"], lifetimes)
    return Opened(session["id"], session["person"], session["client_id"], secret)


def of_refresh(connection: sa.Connection, token: str) -> str | None:
    """The session that a refresh token belongs to, spent or not."""
    found = sessions.refresh_by_digest(connection, digest(token))
    return None if found is None else str(found["session"])


def end(connection: sa.Connection, now: datetime, session: str) -> None:
    """End a session: nothing that was issued in it is good any more."""
    sessions.end(connection, session, now)


def end_own(connection: sa.Connection, now: datetime, person: str, session: str) -> Row:
    """End one of one's own sessions; the session as it is then. NotFound for anybody else's."""
    found = sessions.by_id(connection, session)
    if found is None or found["person"] != person:
        raise errors.NotFound(what="session of yours", name=session)
    sessions.end(connection, session, now)
    return {**found, "ended_at": found["ended_at"] or now}


def end_all(connection: sa.Connection, now: datetime, person: str) -> None:
    """End every session of a person."""
    sessions.end_all(connection, person, now)


def own(connection: sa.Connection, now: datetime, person: str) -> Sequence[Row]:
    """One's own open sessions, the newest first."""
    return sessions.open_of(connection, person, now)
