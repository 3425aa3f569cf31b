"""Clients: a partner's own program, a logger, a scanner. Each signs in by itself, and acts as people do.

To facts, roles, sessions and digests a client is a person: an opaque id with a name that can be erased. It has no
password but secrets, several at once, so that a new one can be brought out before the old one is revoked.
"""

import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import sqlalchemy as sa

from shipsvc.app import attempts, documents, identity, sessions
from shipsvc.app.access import Actor
from shipsvc.app.sessions import digest, new_secret
from shipsvc.domain import errors
from shipsvc.domain.clients import DEVICE, require_fitting, secret_end
from shipsvc.store import clients, directory, locks, people
from shipsvc.store import sessions as kept
from shipsvc.store.engine import Row

SECRET_PREFIX = "shc_"  # noqa: S105 - what secrets begin with
#: Under this the failures of a client are counted. No person's login has a space in it.
_LOGIN = "client {}"
#: A token lives for a whole second at least.
SHORTEST = timedelta(seconds=1)


@dataclass(frozen=True)
class Shown:
    """A client with its roles and its secrets, of which the words are kept nowhere."""

    row: Row
    roles: people.Roles
    secrets: Sequence[Row]


@dataclass(frozen=True)
class Asking:
    """A try to sign in as a client: which, with what secret, from where."""

    client: str
    secret: str = field(repr=False)
    address: str


@dataclass(frozen=True)
class Opened:
    """What a client that signed in has: a session, for so long."""

    session: str
    lifetime: timedelta


def add(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    *,
    institution: str,
    kind: str,
    name: str,
    roles: Collection[str],
) -> str:
    """Add a client of an institution; its id. It has no secret yet. A device has its one role without saying.

    Administrators only; NotFound for the institution, RuleForbids for a role that it cannot have.
    """
    actor.must_administer()
    documents.require_institution(connection, institution, "/institution")
    given = sorted({*roles, "device"} if kind == DEVICE else set(roles))
    for role in given:
        require_fitting(kind, institution, institution, role)
    client = str(uuid.uuid4())
    people.add_person(connection, {"id": client, "recorded_at": now, "kind": kind}, {"name": name, "email": ""})
    # No password fits an empty hash.
    people.add_account(connection, client, _LOGIN.format(client), "")
    clients.add(connection, {"person": client, "institution": institution, "made_by": actor.person})
    told = {"person": client, "institution": institution, "granted": True, "actor": actor.person}
    people.add_changes(connection, [{**told, "role": role, "recorded_at": now, "from_at": now} for role in given])
    return client


def page(
    connection: sa.Connection, actor: Actor, now: datetime, institution: str | None, *, after: str, limit: int
) -> list[Shown]:
    """Up to ``limit`` clients in the order of their ids, of one institution or all. Administrators only."""
    actor.must_administer()
    return _shown(connection, now, clients.page(connection, institution, after=after, limit=limit))


def show(connection: sa.Connection, actor: Actor, now: datetime, client: str) -> Shown:
    """A client; NotFound also for whoever administers nothing."""
    (found,) = _shown(connection, now, [_found(connection, actor, client)])
    return found


def _found(connection: sa.Connection, actor: Actor, client: str) -> Row:
    row = clients.by_id(connection, client) if actor.administers else None
    if row is None:
        raise errors.NotFound(what="client", name=client)
    return row


def _shown(connection: sa.Connection, now: datetime, found: Sequence[Row]) -> list[Shown]:
    ids = [row["person"] for row in found]
    roles, secrets = directory.roles_of(connection, ids, now), clients.secrets_of(connection, ids)
    return [Shown(row, roles[row["person"]], [s for s in secrets if s["client"] == row["person"]]) for row in found]


def add_secret(
    connection: sa.Connection, actor: Actor, now: datetime, client: str, label: str, expires_at: datetime | None
) -> tuple[Row, str]:
    """A new secret beside those that there are: what is kept of it, and its words, which are told this once.

    NotFound as in ``show``; RuleForbids for an ended client, and for an end that is past or too far away.
    """
    locks.hold(connection, f"account {client}")
    row = _found(connection, actor, client)
    if _has_ended(row, now):
        raise errors.RuleForbids(why="this client has ended.")
    words = new_secret(SECRET_PREFIX)
    secret_id = str(uuid.uuid4())
    secret = {"id": secret_id, "client": client, "digest": digest(words), "label": label, "made_at": now}
    clients.add_secret(connection, {**secret, "made_by": actor.person, "expires_at": secret_end(now, expires_at)})
    stored = clients.secret_by_id(connection, secret_id)
    assert stored is not None
    return stored, words


def revoke_secret(connection: sa.Connection, actor: Actor, now: datetime, client: str, secret: str) -> Shown:
    """A secret is good no more, and what was issued for it stops at once. May be repeated; NotFound as in ``show``."""
    locks.hold(connection, f"account {client}")
    _found(connection, actor, client)
    found = clients.secret_by_id(connection, secret)
    if found is None or found["client"] != client:
        raise errors.NotFound(what="secret", name=secret)
    clients.revoke_secret(connection, secret, now, actor.person)
    kept.end_of_secret(connection, secret, now)
    return show(connection, actor, now, client)


def end(connection: sa.Connection, actor: Actor, now: datetime, client: str) -> Shown:
    """The client signs in no more, and its tokens stop at once. May be repeated; NotFound as in ``show``."""
    _found(connection, actor, client)
    identity.close_account(connection, actor, now, client)
    for secret in clients.secrets_of(connection, [client]):
        kept.end_of_secret(connection, secret["id"], now)
    return show(connection, actor, now, client)


def begin_try(connection: sa.Connection, now: datetime, limits: attempts.Limits, asking: Asking) -> attempts.Try:
    """Count a try to sign in, whether or not there is such a client. TooManyTries where it must wait."""
    login = _LOGIN.format(asking.client)
    return attempts.begin(connection, now, limits, login=login, person=asking.client, address=asking.address)


def fitting(connection: sa.Connection, now: datetime, asking: Asking) -> Row | None:
    """The secret that was shown, if it is one of this client and both are good; else None.

    It is looked up by its digest, which is not to be guessed from how long that takes.
    """
    secret = clients.secret_by_digest(connection, digest(asking.secret))
    row = clients.by_id(connection, asking.client)
    if secret is None or row is None or secret["client"] != asking.client or _has_ended(row, now):
        return None
    return secret if secret["revoked_at"] is None and secret["expires_at"] - now >= SHORTEST else None


def open_session(
    connection: sa.Connection, now: datetime, lasts: timedelta, asking: Asking, made: attempts.Try
) -> Opened:
    """Open a session, which nothing renews and which ends with its secret; WrongClient unless that fits still.

    Under the lock that revoking takes, or a session could be opened behind the back of it.
    """
    locks.hold(connection, f"account {asking.client}")
    secret = fitting(connection, now, asking)
    if secret is None:
        raise errors.WrongClient
    lifetime = min(lasts, secret["expires_at"] - now)
    attempts.succeeded(connection, made)
    clients.use_secret(connection, secret["id"], now)
    session = sessions.add(
        connection,
        now,
        now + lifetime,
        person=asking.client,
        client_id=asking.client,
        address=attempts.network(asking.address),
        secret=secret["id"],
    )
    return Opened(session, lifetime)


def _has_ended(row: Row, now: datetime) -> bool:
    return row["disabled_at"] is not None and row["disabled_at"] <= now
