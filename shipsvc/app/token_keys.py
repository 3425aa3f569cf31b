"""The keys that access tokens are signed with, as they are stored; what they are good for is web.tokens' business."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store import keys, locks


@dataclass(frozen=True)
class StoredKey:
    """A private key (PEM) under its id, when it was made and from when on it signs."""

    kid: str
    private_pem: str = field(repr=False)
    created_at: datetime
    starts_at: datetime


def stored(connection: sa.Connection) -> Sequence[StoredKey]:
    """Every stored key, the one that starts first first."""
    return [StoredKey(**row) for row in keys.all_keys(connection)]


def stored_for_change(connection: sa.Connection) -> Sequence[StoredKey]:
    """The same, once no other process is changing them, and for as long as this transaction lasts."""
    locks.hold(connection, "signing keys")
    return stored(connection)


def replace(connection: sa.Connection, added: Collection[StoredKey], kept: Collection[str]) -> None:
    """Add keys, and remove all but those and the ``kept`` ones (ids)."""
    for key in added:
        keys.add(connection, key.kid, key.private_pem, key.created_at, key.starts_at)
    keys.keep_only(connection, [*kept, *(key.kid for key in added)])
