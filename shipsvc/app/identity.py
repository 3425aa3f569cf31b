"""Who acts: sign-in, people, the roles they are given and lose, and the first administrator."""

import uuid
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents, passwords
from shipsvc.app.access import Actor
from shipsvc.domain import errors
from shipsvc.domain.clients import PERSON, require_fitting
from shipsvc.store import clients, locks, people, pins, sessions
from shipsvc.store.engine import Row
from shipsvc.store.tables import ROLES as ROLES  # the web layer names them too

#: Two changes of one role are told at least this far apart, so that the last one is known.
TICK = timedelta(microseconds=1)


@dataclass(frozen=True)
class Profile:
    """A person as others see them; name and email are empty once erased."""

    person: str
    name: str
    email: str
    recorded_at: datetime
    closed_at: datetime | None
    roles: people.Roles
    #: person, or what a client is: service, device
    kind: str

    @property
    def institutions(self) -> frozenset[str]:
        """Every institution they have a role at."""
        return frozenset(institution for institution, _ in self.roles)


def account(connection: sa.Connection, login: str) -> Row | None:
    """The account under a login name, whose case does not count."""
    return people.account_by_login(connection, login.strip().lower())


def signed_in(found: Row | None, password: str, now: datetime) -> str:
    """The person whose account this is, if the password is theirs and the account is open; else WrongPassword.

    It takes as long for an unknown or closed account, and says no more (RFC 6749 section 10.10). Not to be called
    inside a writing transaction: others would wait for the hash.
    """
    # An account whose password has yet to be chosen has an empty hash.
    fits = passwords.matches((found["password_hash"] or None) if found else None, password)
    if not fits or found is None or (found["disabled_at"] is not None and found["disabled_at"] <= now):
        raise errors.WrongPassword
    return str(found["person"])


def hold_unchanged(connection: sa.Connection, found: Row) -> None:
    """Hold an account to the end of this transaction; WrongPassword if its password changed, or it was closed, since
    it was read: what was decided by that no longer holds.
    """
    locks.hold(connection, f"account {found['person']}")
    now = people.account_of(connection, found["person"])
    if now is None or any(now[name] != found[name] for name in ("password_hash", "disabled_at")):
        raise errors.WrongPassword


def account_of(connection: sa.Connection, person: str) -> Row:
    """The account of somebody who is signed in."""
    found = people.account_of(connection, person)
    assert found is not None
    return found


def change_password(connection: sa.Connection, now: datetime, found: Row, password_hash: str) -> None:
    """Put another password in place of the one that was read, and end every session of its owner."""
    people.set_password_hash(connection, found["person"], password_hash, instead_of=found["password_hash"])
    sessions.end_all(connection, found["person"], now)
    pins.forget_of(connection, found["person"])


def renew_hash(connection: sa.Connection, found: Row, renewed: str) -> None:
    """Put a stronger hash of the same password in place of the one that was read."""
    people.set_password_hash(connection, found["person"], renewed, instead_of=found["password_hash"])


def add_person(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    *,
    name: str,
    email: str,
    login: str,
    password_hash: str,
    roles: Iterable[tuple[str, str]],
) -> str:
    """Add a person with an account and roles; the id. Administrators only; AlreadyThere for a login in use."""
    actor.must_administer()
    for place, (institution, _) in enumerate(roles := sorted(set(roles))):
        documents.require_institution(connection, institution, f"/roles/{place}/institution")
    person = _add(connection, now, name=name, email=email, login=login, password_hash=password_hash)
    people.add_changes(connection, [_change(actor.person, now, now, person, pair, granted=True) for pair in roles])
    return person


def _add(connection: sa.Connection, now: datetime, *, name: str, email: str, login: str, password_hash: str) -> str:
    login = login.strip().lower()
    locks.hold(connection, f"login {login}")
    if people.account_by_login(connection, login):
        raise errors.AlreadyThere(what="login name", name=login, pointer="/login")
    person = str(uuid.uuid4())
    people.add_person(connection, {"id": person, "recorded_at": now, "kind": PERSON}, {"name": name, "email": email})
    people.add_account(connection, person, login, password_hash)
    return person


def _change(
    by: str, now: datetime, from_at: datetime, person: str, pair: tuple[str, str], *, granted: bool
) -> dict[str, Any]:
    institution, role = pair
    about = {"person": person, "institution": institution, "role": role, "granted": granted}
    return {**about, "recorded_at": now, "from_at": from_at, "actor": by}


def change_role(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    person: str,
    institution: str,
    role: str,
    *,
    granted: bool,
    from_at: datetime | None = None,
) -> Mapping[str, Any]:
    """Give a role or end it, from a moment on (now unless given); the row of the change. Administrators only.

    NotFound for an unknown person or institution; RuleForbids if nobody were left to administer the service, and
    for a role that a client cannot have.
    """
    actor.must_administer()
    locks.hold(connection, "administrators", f"roles {person}")
    if people.by_id(connection, person) is None:
        raise errors.NotFound(what="person", name=person)
    documents.require_institution(connection, institution, "/institution")
    client = clients.by_id(connection, person)
    if client is not None and granted:
        require_fitting(client["kind"], client["institution"], institution, role)
    newest = people.newest_change(connection, person)
    recorded_at = max(now, newest + TICK) if newest else now
    pair = (institution, role)
    row = _change(actor.person, recorded_at, from_at or now, person, pair, granted=granted)
    people.add_changes(connection, [row])
    require_administrator(connection, max(now, row["from_at"]))
    return row


def require_administrator(connection: sa.Connection, at: datetime) -> None:
    """Raise RuleForbids unless somebody who can sign in administers the service at that moment."""
    if not people.administrators(connection, at):
        raise errors.RuleForbids(
            why="nobody would be left to administer the service. Name another administrator first."
        )


def close_account(connection: sa.Connection, actor: Actor, now: datetime, person: str) -> Profile:
    """Let a person sign in no more, and end what their tokens still allow. Administrators only; may be repeated."""
    actor.must_administer()
    locks.hold(connection, "administrators", f"account {person}")
    found = profile(connection, actor, now, person)
    if found.closed_at is None:
        people.close_account(connection, person, now)
        sessions.end_all(connection, person, now)
        require_administrator(connection, now)
    return profile(connection, actor, now, person)


def profile(connection: sa.Connection, actor: Actor, now: datetime, person: str, *, left: bool = False) -> Profile:
    """A person: oneself, somebody at an institution of one's own, anybody for those who see all; else NotFound.

    ``left``: the actor has just told that they left, and still sees the outcome.
    """
    row = people.by_id(connection, person)
    if row is not None:
        found = _profile(row, people.roles_told(connection, person, now))
        if left or person == actor.person or actor.sees_all or actor.institutions & found.institutions:
            return found
    raise errors.NotFound(what="person", name=person)


def names(connection: sa.Connection, actor: Actor, now: datetime, persons: Collection[str]) -> dict[str, str]:
    """The names of those of the people whom the actor may know by name (as ``profile``), as far as they are not erased.

    Two SELECTs for any number of people.
    """
    named = people.names(connection, persons) if persons else {}
    if actor.sees_all or not named:
        return named
    roles = people.roles_of(connection, named, now)
    return {
        person: name
        for person, name in named.items()
        if person == actor.person or not actor.institutions.isdisjoint(where for where, _ in roles.get(person, ()))
    }


def _profile(row: Row, roles: people.Roles) -> Profile:
    name, email = row["name"] or "", row["email"] or ""
    return Profile(row["id"], name, email, row["recorded_at"], row["disabled_at"], roles, row["kind"])


def bootstrap(
    connection: sa.Connection,
    now: datetime,
    *,
    login: str,
    password: str,
    name: str,
    institution: str,
    institution_content: Mapping[str, Any],
    email: str = "",
) -> str:
    """Make the first administrator, and their institution unless it is there; the id of the person.

    ``institution_content`` is name, kind, zone and altitude_m. RuleForbids if anybody can sign in already: from then
    on administrators add people.
    """
    locks.hold(connection, "administrators")
    if people.any_account(connection):
        raise errors.RuleForbids(why="there are accounts already. Ask an administrator to add a person.")
    password_hash = passwords.hashed(password)
    person = _add(connection, now, name=name, email=email, login=login, password_hash=password_hash)
    pair = (institution, "administrator")
    people.add_changes(connection, [_change(person, now, now, person, pair, granted=True)])
    documents.found(connection, Actor(person, frozenset({pair})), now, institution, institution_content)
    return person
