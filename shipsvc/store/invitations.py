"""Invitations to choose a password, each good once."""

import sqlalchemy as sa

from shipsvc.store.engine import Row, first_row
from shipsvc.store.tables import table
from shipsvc.store.tables_accounts import Invitation

INVITATION = table(Invitation)


def add(connection: sa.Connection, invitation: Row) -> None:
    """Keep an invitation (digest, person, made_at, expires_at, made_by)."""
    connection.execute(sa.insert(INVITATION).values(**invitation))


def by_digest(connection: sa.Connection, digest: str) -> Row | None:
    """An invitation that was neither used nor replaced."""
    return first_row(connection, sa.select(INVITATION).where(INVITATION.c.digest == digest))


def forget_of(connection: sa.Connection, person: str) -> None:
    """Drop every invitation of a person: one was used, or a newer one takes their place."""
    connection.execute(sa.delete(INVITATION).where(INVITATION.c.person == person))
