"""Links by which whoever takes something over signs for it on a telephone of their own, each good once."""

from datetime import datetime

import sqlalchemy as sa

from shipsvc.store.engine import Row, first_row
from shipsvc.store.tables import table
from shipsvc.store.tables_accounts import HandoverLink

LINK = table(HandoverLink)


def add(connection: sa.Connection, link: Row) -> None:
    """Keep a link (digest, release, person, made_at, expires_at), and drop those that were over before it was made."""
    connection.execute(sa.delete(LINK).where(LINK.c.expires_at < link["made_at"]))
    connection.execute(sa.insert(LINK).values(**link))


def by_digest(connection: sa.Connection, digest: str) -> Row | None:
    """A link, used or not."""
    return first_row(connection, sa.select(LINK).where(LINK.c.digest == digest))


def use(connection: sa.Connection, digest: str, at: datetime) -> bool:
    """Note that a link was used; False where it was before."""
    unused = sa.and_(LINK.c.digest == digest, LINK.c.used_at.is_(None))
    return connection.execute(sa.update(LINK).where(unused).values(used_at=at)).rowcount == 1
