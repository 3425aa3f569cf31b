"""Invitations: a link by which somebody chooses a password, as a new person or instead of one that was forgotten."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from shipsvc.app import attempts, identity
from shipsvc.app.access import Actor
from shipsvc.app.sessions import digest, new_secret
from shipsvc.domain import errors
from shipsvc.domain.clients import PERSON
from shipsvc.store import invitations, locks, people, pins, sessions

PREFIX = "shi_"


@dataclass(frozen=True)
class Invited:
    """Who may choose a password, until when, and the secret to do it with; ``email`` may be empty."""

    person: str
    login: str
    email: str
    expires_at: datetime
    secret: str


def invite(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    lifetime: timedelta,
    *,
    name: str,
    email: str,
    login: str,
    roles: Iterable[tuple[str, str]],
) -> Invited:
    """Add a person who has yet to choose a password. Administrators only; errors as in ``identity.add_person``."""
    about = {"name": name, "email": email, "login": login}
    # No password fits an empty hash.
    person = identity.add_person(connection, actor, now, **about, password_hash="", roles=roles)
    return _invited(connection, actor, now, lifetime, person)


def reset(connection: sa.Connection, actor: Actor, now: datetime, lifetime: timedelta, person: str) -> Invited:
    """Let somebody choose a password anew; until they do, the old one holds. Administrators only.

    NotFound for an unknown person, RuleForbids for a closed account.
    """
    actor.must_administer()
    locks.hold(connection, f"account {person}")
    account, row = people.account_of(connection, person), people.by_id(connection, person)
    if account is None or row is None or row["kind"] != PERSON:
        raise errors.NotFound(what="person", name=person)
    if account["disabled_at"] is not None and account["disabled_at"] <= now:
        raise errors.RuleForbids(why="the account is closed.")
    return _invited(connection, actor, now, lifetime, person)


def _invited(connection: sa.Connection, actor: Actor, now: datetime, lifetime: timedelta, person: str) -> Invited:
    secret = new_secret(PREFIX)
    invitations.forget_of(connection, person)
    told = {"made_at": now, "expires_at": now + lifetime, "made_by": actor.person}
    invitations.add(connection, {"digest": digest(secret), "person": person, **told})
    row, account = people.by_id(connection, person), people.account_of(connection, person)
    assert row is not None
    assert account is not None
    return Invited(person, account["login"], row["email"] or "", now + lifetime, secret)


def person_of(connection: sa.Connection, now: datetime, secret: str) -> str:
    """Who may choose a password with this secret; InvitationOver where nobody may. Asked before a hash is computed."""
    found = invitations.by_digest(connection, digest(secret))
    account = people.account_of(connection, found["person"]) if found is not None else None
    if found is None or account is None or found["expires_at"] <= now:
        raise errors.InvitationOver
    if account["disabled_at"] is not None and account["disabled_at"] <= now:
        raise errors.InvitationOver
    return str(found["person"])


def accept(connection: sa.Connection, now: datetime, secret: str, password_hash: str) -> str:
    """Spend an invitation for a new password, which ends every session there was; the login name.

    InvitationOver as above.
    """
    person = person_of(connection, now, secret)
    locks.hold(connection, f"account {person}")
    person_of(connection, now, secret)  # somebody may have used it meanwhile
    invitations.forget_of(connection, person)
    account = people.account_of(connection, person)
    assert account is not None
    people.set_password_hash(connection, person, password_hash, instead_of=account["password_hash"])
    sessions.end_all(connection, person, now)
    pins.forget_of(connection, person)
    attempts.unlock(connection, account["login"])
    return str(account["login"])
