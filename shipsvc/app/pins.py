"""A shared tablet: enrolled once by an administrator, it lets people sign in with a PIN that is good there alone.

The tablet is a client of kind device with a secret; it never acts. A PIN is hashed together with that secret, of which
the database keeps a digest only: a copy of the database does not give the PINs away, and another tablet knows none.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

import sqlalchemy as sa

from shipsvc.app import access, attempts, clients, passwords, sessions
from shipsvc.app.access import Actor
from shipsvc.domain import errors
from shipsvc.domain.attempts import Limit
from shipsvc.domain.clients import DEVICE
from shipsvc.store import clients as known
from shipsvc.store import locks, pins
from shipsvc.store.engine import Row

#: How long somebody is signed in by a PIN; nothing renews it.
LASTS: Final = timedelta(minutes=20)
#: Failures of one person on one tablet before each further one costs a wait.
FAILURES_MAX: Final = 5
#: Tablets that an administrator chooses from.
TABLETS: Final = 200
_PIN: Final = re.compile(r"[0-9]{6,12}")


@dataclass(frozen=True)
class Tablet:
    """An enrolled device: its client, whose it is, what it is called, and the secret that its browser keeps."""

    client: str
    institution: str
    name: str
    secret_id: str
    secret: str = field(repr=False)


def tablets(connection: sa.Connection, actor: Actor, now: datetime) -> Sequence[Row]:
    """Devices that a tablet may be enrolled as. Administrators only."""
    found = clients.page(connection, actor, now, None, after="", limit=TABLETS)
    return [one.row for one in found if one.row["kind"] == DEVICE and one.row["disabled_at"] is None]


def enrol(connection: sa.Connection, actor: Actor, now: datetime, client: str) -> tuple[Tablet, datetime]:
    """Make this browser the tablet of a device; what it keeps, and until when that is good. Administrators only.

    NotFound for a client that is none; RuleForbids for one that is no device, or has ended.
    """
    if clients.show(connection, actor, now, client).row["kind"] != DEVICE:
        raise errors.RuleForbids(why="only a device can be a shared tablet; make one for it.")
    row, words = clients.add_secret(connection, actor, now, client, "shared tablet", None)
    return _tablet(connection, client, row["id"], words), row["expires_at"]


def tablet_of(connection: sa.Connection, now: datetime, kept: str) -> Tablet | None:
    """The tablet whose browser keeps these words; None where there is none, or it was revoked or ended."""
    client, _, secret = kept.partition(":")
    found = clients.fitting(connection, now, clients.Asking(client, secret, ""))
    return None if found is None else _tablet(connection, client, found["id"], secret)


def _tablet(connection: sa.Connection, client: str, secret_id: str, secret: str) -> Tablet:
    row = known.by_id(connection, client)
    assert row is not None
    return Tablet(client, row["institution"], row["name"] or client, secret_id, secret)


def people_on(connection: sa.Connection, now: datetime, tablet: Tablet) -> Sequence[Row]:
    """Whoever has a PIN there: person and name."""
    return pins.people_of(connection, tablet.secret_id, now)


def hashed(tablet: Tablet, pin: str) -> str:
    """What is kept of a PIN; outside any transaction. Malformed for one that is too short or plain, or no number."""
    steps = {int(b) - int(a) for a, b in pairwise(pin)} if _PIN.fullmatch(pin) else {0}
    if len(steps) == 1 and steps <= {-1, 0, 1}:
        raise errors.Malformed(why="a PIN has 6 to 12 digits, which are not all alike and not in a row", pointer="/pin")
    return passwords.hashed(_said(tablet, pin))


def put(connection: sa.Connection, actor: Actor, now: datetime, tablet: Tablet, pin_hash: str) -> None:
    """Keep the actor's PIN on the tablet. RuleForbids for who has nothing to do with the institution that it is of."""
    if tablet.institution not in actor.institutions:
        of_others = "this tablet is of {institution}, for which you do not act."
        raise errors.RuleForbids(why=errors.Text(of_others, institution=tablet.institution))
    kept = {"secret": tablet.secret_id, "person": actor.person, "hash": pin_hash, "made_at": now}
    pins.put(connection, kept)


def begin_try(
    connection: sa.Connection, now: datetime, limits: attempts.Limits, tablet: Tablet, person: str, address: str
) -> tuple[attempts.Try, str | None]:
    """A try of a person on a tablet, and the hash that the PIN is held against, if they have one. TooManyTries."""
    own = Limit(FAILURES_MAX, limits.login.window, limits.login.wait_first, limits.login.wait_max)
    login = f"pin {tablet.client} {person}"
    made = attempts.begin(
        connection, now, attempts.Limits(own, limits.address), login=login, person=None, address=address
    )
    row = pins.of(connection, tablet.secret_id, person)
    return made, None if row is None else row["hash"]


def matches(tablet: Tablet, pin_hash: str | None, pin: str) -> bool:
    """Whether it is the PIN; takes the same time where nobody has one. Outside any transaction."""
    return passwords.matches(pin_hash, _said(tablet, pin))


def start(
    connection: sa.Connection, now: datetime, tablet: Tablet, person: str, made: attempts.Try, pin_hash: str | None
) -> str:
    """Open a short session of the pages for a person whose PIN was right; the secret of its cookie.

    WrongPassword where the account, the PIN or the tablet was changed or ended meanwhile, or the person left.
    """
    locks.hold(connection, f"account {tablet.client}")
    kept = f"{tablet.client}:{tablet.secret}"
    row = pins.of(connection, tablet.secret_id, person)
    if row is None or row["hash"] != pin_hash or tablet_of(connection, now, kept) is None:
        raise errors.WrongPassword
    try:
        acts_for = access.actor(connection, person, now).institutions
    except errors.BadToken as error:
        raise errors.WrongPassword from error
    if tablet.institution not in acts_for:
        raise errors.WrongPassword
    attempts.succeeded(connection, made)
    cookie = sessions.new_secret(sessions.COOKIE_PREFIX)
    about = {"person": person, "client_id": tablet.client, "address": "", "secret": tablet.secret_id}
    sessions.add(connection, now, now + LASTS, cookie_digest=sessions.digest(cookie), **about)
    return cookie


def _said(tablet: Tablet, pin: str) -> str:
    return f"{tablet.secret} {pin}"
