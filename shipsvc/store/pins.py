"""PINs of people on enrolled devices."""

from collections.abc import Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.people import ACCOUNT, NAME
from shipsvc.store.tables import table
from shipsvc.store.tables_accounts import DevicePin

PIN = table(DevicePin)


def put(connection: sa.Connection, pin: Row) -> None:
    """Keep a PIN (secret, person, hash, made_at) in place of the one that the person had on the device."""
    connection.execute(sa.delete(PIN).where(PIN.c.secret == pin["secret"], PIN.c.person == pin["person"]))
    connection.execute(sa.insert(PIN).values(**pin))


def of(connection: sa.Connection, secret: str, person: str) -> Row | None:
    """The PIN of a person on a device."""
    return first_row(connection, sa.select(PIN).where(PIN.c.secret == secret, PIN.c.person == person))


def people_of(connection: sa.Connection, secret: str, now: datetime) -> Sequence[Row]:
    """Whoever has a PIN on a device and an open account: person and name, in the order of names."""
    is_open = sa.or_(ACCOUNT.c.disabled_at.is_(None), ACCOUNT.c.disabled_at > now)
    joined = PIN.join(ACCOUNT, ACCOUNT.c.person == PIN.c.person).outerjoin(NAME, NAME.c.person == PIN.c.person)
    wanted = sa.select(PIN.c.person, NAME.c.name).select_from(joined).where(PIN.c.secret == secret, is_open)
    return rows(connection, wanted.order_by(NAME.c.name, PIN.c.person))


def forget_of(connection: sa.Connection, person: str) -> None:
    """Drop every PIN of a person."""
    connection.execute(sa.delete(PIN).where(PIN.c.person == person))
