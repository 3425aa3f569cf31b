"""The signing keys of access tokens as rows."""

from collections.abc import Collection, Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import table
from shipsvc.store.tables_people import SigningKeyRow

KEY = table(SigningKeyRow)


def all_keys(connection: sa.Connection) -> Sequence[Row]:
    """Every stored key, the one that starts first first."""
    wanted = sa.select(KEY).order_by(KEY.c.starts_at, KEY.c.created_at, KEY.c.kid)
    return rows(connection, wanted)


def add(connection: sa.Connection, kid: str, private_pem: str, created_at: datetime, starts_at: datetime) -> None:
    """Store a key that signs from ``starts_at`` on."""
    values = {"kid": kid, "private_pem": private_pem, "created_at": created_at, "starts_at": starts_at}
    connection.execute(sa.insert(KEY).values(values))


def keep_only(connection: sa.Connection, kids: Collection[str]) -> None:
    """Remove every other key: a secret that nothing needs any more is better gone."""
    connection.execute(sa.delete(KEY).where(KEY.c.kid.not_in(kids)))
