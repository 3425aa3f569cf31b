"""People, the names that can be erased, their accounts, and the roles they were given and lost."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.store.documents import When
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.tables import table
from shipsvc.store.tables_accounts import Session
from shipsvc.store.tables_people import Account, Person, PersonName, RoleChange

PERSON = table(Person)
NAME = table(PersonName)
ACCOUNT = table(Account)
CHANGE = table(RoleChange)
SESSION = table(Session)

Roles = frozenset[tuple[str, str]]


def _open(now: Any) -> sa.ColumnElement[bool]:
    return sa.or_(ACCOUNT.c.disabled_at.is_(None), ACCOUNT.c.disabled_at > now)


# Made once, since it is asked at every request: building a statement takes longer than running it.
_NOW: sa.BindParameter[datetime] = sa.bindparam("now", type_=CHANGE.c.from_at.type)
_ROLES_NOW = (
    sa.select(CHANGE.c.institution, CHANGE.c.role, CHANGE.c.granted)
    .select_from(ACCOUNT.outerjoin(CHANGE, sa.and_(CHANGE.c.person == ACCOUNT.c.person, CHANGE.c.from_at <= _NOW)))
    .where(ACCOUNT.c.person == sa.bindparam("person"), _open(_NOW))
    .order_by(CHANGE.c.recorded_at)
)
_ROLES_IN_SESSION = _ROLES_NOW.where(
    sa.exists().where(
        SESSION.c.id == sa.bindparam("session"),
        SESSION.c.person == ACCOUNT.c.person,
        SESSION.c.ended_at.is_(None),
        SESSION.c.expires_at > _NOW,
    )
)


def roles_now(connection: sa.Connection, person: str, now: datetime) -> Roles | None:
    """The (institution, role) pairs in force, or None where the person has no open account.

    Of the changes that have begun, the one told last decides.
    """
    changes = connection.execute(_ROLES_NOW, {"person": person, "now": now}).all()
    return _held((institution, role, granted) for institution, role, granted in changes) if changes else None


def roles_in_session(connection: sa.Connection, person: str, session: str, now: datetime) -> Roles | None:
    """The same, and None also where the session is not an open one of theirs.

    One query by primary keys, asked at every request.
    """
    asked = {"person": person, "session": session, "now": now}
    changes = connection.execute(_ROLES_IN_SESSION, asked).all()
    return _held((institution, role, granted) for institution, role, granted in changes) if changes else None


def _held(changes: Iterable[tuple[str | None, str, bool]]) -> Roles:
    """What is left after changes in the order they were told; no institution stands for no change at all."""
    last = {(institution, role): granted for institution, role, granted in changes}
    return frozenset((institution, role) for (institution, role), granted in last.items() if granted and institution)


def administrators(connection: sa.Connection, now: datetime) -> frozenset[str]:
    """The people with an open account who administer the service."""
    wanted = (
        sa.select(CHANGE.c.person, CHANGE.c.institution, CHANGE.c.granted)
        .select_from(CHANGE.join(ACCOUNT, ACCOUNT.c.person == CHANGE.c.person))
        .where(CHANGE.c.role == "administrator", CHANGE.c.from_at <= now, _open(now))
        .order_by(CHANGE.c.recorded_at)
    )
    last = {(person, institution): granted for person, institution, granted in connection.execute(wanted)}
    return frozenset(person for (person, _), granted in last.items() if granted)


def roles_told(connection: sa.Connection, person: str, now: datetime) -> Roles:
    """The roles in force of anybody, whether or not they may sign in."""
    wanted = sa.select(CHANGE.c.institution, CHANGE.c.role, CHANGE.c.granted).where(
        CHANGE.c.person == person, CHANGE.c.from_at <= now
    )
    changes = connection.execute(wanted.order_by(CHANGE.c.recorded_at))
    return _held((institution, role, granted) for institution, role, granted in changes)


def by_id(connection: sa.Connection, person: str) -> Row | None:
    """A person with name and email (None where they were erased) and the end of the account."""
    wanted = (
        sa.select(PERSON.c.id, PERSON.c.kind, PERSON.c.recorded_at, NAME.c.name, NAME.c.email, ACCOUNT.c.disabled_at)
        .select_from(
            PERSON.outerjoin(NAME, NAME.c.person == PERSON.c.id).outerjoin(ACCOUNT, ACCOUNT.c.person == PERSON.c.id)
        )
        .where(PERSON.c.id == person)
    )
    return first_row(connection, wanted)


def names(connection: sa.Connection, persons: Collection[str]) -> dict[str, str]:
    """The names of those of the people who have one that was not erased."""
    wanted = sa.select(NAME.c.person, NAME.c.name).where(NAME.c.person.in_(persons), NAME.c.name != "")
    return {row["person"]: row["name"] for row in rows(connection, wanted)}


def roles_of(connection: sa.Connection, persons: Collection[str], now: datetime) -> dict[str, Roles]:
    """The roles in force of each of the people, whether or not they may sign in; those without any change left out."""
    wanted = sa.select(CHANGE.c.person, CHANGE.c.institution, CHANGE.c.role, CHANGE.c.granted)
    wanted = wanted.where(CHANGE.c.person.in_(persons), CHANGE.c.from_at <= now).order_by(CHANGE.c.recorded_at)
    told: dict[str, list[tuple[str | None, str, bool]]] = {}
    for person, *change in connection.execute(wanted):
        told.setdefault(person, []).append((change[0], change[1], change[2]))
    return {person: _held(changes) for person, changes in told.items()}


def account_by_login(connection: sa.Connection, login: str) -> Row | None:
    """The account (person, password_hash, disabled_at) under a login name."""
    return first_row(connection, sa.select(ACCOUNT).where(ACCOUNT.c.login == login))


def account_of(connection: sa.Connection, person: str) -> Row | None:
    """The account of a person."""
    return first_row(connection, sa.select(ACCOUNT).where(ACCOUNT.c.person == person))


def any_account(connection: sa.Connection) -> bool:
    """Whether anybody can or could sign in."""
    return connection.execute(sa.select(ACCOUNT.c.person).limit(1)).first() is not None


def add_person(connection: sa.Connection, person: Mapping[str, Any], name: Mapping[str, Any]) -> None:
    """Add a person (id, recorded_at, kind) and the erasable half (name, email)."""
    connection.execute(sa.insert(PERSON).values(**person))
    connection.execute(sa.insert(NAME).values(person=person["id"], **name))


def add_account(connection: sa.Connection, person: str, login: str, password_hash: str) -> None:
    """Let a person sign in."""
    values = {"person": person, "login": login, "password_hash": password_hash}
    connection.execute(sa.insert(ACCOUNT).values(values))


def set_password_hash(connection: sa.Connection, person: str, password_hash: str, *, instead_of: str) -> None:
    """Replace a stored hash, unless another one took its place meanwhile."""
    stored = sa.and_(ACCOUNT.c.person == person, ACCOUNT.c.password_hash == instead_of)
    connection.execute(sa.update(ACCOUNT).where(stored).values(password_hash=password_hash))


def close_account(connection: sa.Connection, person: str, at: datetime) -> None:
    """Nobody signs in as this person from an instant on."""
    connection.execute(sa.update(ACCOUNT).where(ACCOUNT.c.person == person).values(disabled_at=at))


def newest_change(connection: sa.Connection, person: str) -> datetime | None:
    """When a role of a person was last told to have changed."""
    newest = sa.select(sa.func.max(CHANGE.c.recorded_at)).where(CHANGE.c.person == person)
    found: datetime | None = connection.execute(newest).scalar_one_or_none()
    return found


def add_changes(connection: sa.Connection, changes: Sequence[Mapping[str, Any]]) -> None:
    """Append changes of roles."""
    if changes:
        connection.execute(sa.insert(CHANGE), [dict(change) for change in changes])


def erase_name(connection: sa.Connection, person: str) -> None:
    """Name and email of a person are gone."""
    connection.execute(sa.delete(NAME).where(NAME.c.person == person))


def changes_at(connection: sa.Connection, institutions: Collection[str], when: When) -> Sequence[Row]:
    """Every change of roles at the institutions that had begun, and was known, in the order they were told."""
    wanted = sa.select(CHANGE).where(
        CHANGE.c.institution.in_(institutions), CHANGE.c.from_at <= when.as_of, CHANGE.c.recorded_at <= when.known_on
    )
    return rows(connection, wanted.order_by(CHANGE.c.recorded_at))
