"""Clients, which sign in without a person, and their secrets."""

from collections.abc import Collection, Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.people import ACCOUNT, NAME, PERSON
from shipsvc.store.tables import table
from shipsvc.store.tables_accounts import Client, ClientSecret

CLIENT = table(Client)
SECRET = table(ClientSecret)
_WITH_NAME = sa.select(
    CLIENT, PERSON.c.kind, PERSON.c.recorded_at.label("made_at"), NAME.c.name, ACCOUNT.c.disabled_at
).select_from(
    CLIENT.join(PERSON, PERSON.c.id == CLIENT.c.person)
    .join(ACCOUNT, ACCOUNT.c.person == CLIENT.c.person)
    .outerjoin(NAME, NAME.c.person == CLIENT.c.person)
)


def add(connection: sa.Connection, client: Row) -> None:
    """Add the owner (person, institution, made_by) of a person and account that are there."""
    connection.execute(sa.insert(CLIENT).values(**client))


def by_id(connection: sa.Connection, client: str) -> Row | None:
    """A client: person, institution, kind, made_at, made_by, name (None once erased), disabled_at."""
    return first_row(connection, _WITH_NAME.where(CLIENT.c.person == client))


def page(connection: sa.Connection, institution: str | None, *, after: str, limit: int) -> Sequence[Row]:
    """Up to ``limit`` clients in the order of their ids, behind ``after``; of one institution or of all."""
    wanted = _WITH_NAME.where(CLIENT.c.person > after).order_by(CLIENT.c.person).limit(limit)
    return rows(connection, wanted if institution is None else wanted.where(CLIENT.c.institution == institution))


def add_secret(connection: sa.Connection, secret: Row) -> None:
    """Keep a secret (id, client, digest, label, made_at, made_by, expires_at)."""
    connection.execute(sa.insert(SECRET).values(**secret))


def secrets_of(connection: sa.Connection, clients: Collection[str]) -> Sequence[Row]:
    """Every secret that the clients have or had, the oldest first."""
    wanted = sa.select(SECRET).where(SECRET.c.client.in_(clients))
    return rows(connection, wanted.order_by(SECRET.c.made_at, SECRET.c.id))


def secret_by_id(connection: sa.Connection, secret: str) -> Row | None:
    """A secret, good or not."""
    return first_row(connection, sa.select(SECRET).where(SECRET.c.id == secret))


def secret_by_digest(connection: sa.Connection, digest: str) -> Row | None:
    """The same, by what is kept of it."""
    return first_row(connection, sa.select(SECRET).where(SECRET.c.digest == digest))


def use_secret(connection: sa.Connection, secret: str, at: datetime) -> None:
    """Note that a secret was used."""
    connection.execute(sa.update(SECRET).where(SECRET.c.id == secret).values(last_used_at=at))


def revoke_secret(connection: sa.Connection, secret: str, at: datetime, by: str) -> None:
    """A secret is good no more; one that was revoked stays as it is."""
    still = sa.and_(SECRET.c.id == secret, SECRET.c.revoked_at.is_(None))
    connection.execute(sa.update(SECRET).where(still).values(revoked_at=at, revoked_by=by))
