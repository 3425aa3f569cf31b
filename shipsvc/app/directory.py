"""Looking up those whom one may see: by name, institution or role."""

from datetime import datetime

import sqlalchemy as sa

from shipsvc.app.access import Actor
from shipsvc.app.identity import Profile
from shipsvc.store import directory
from shipsvc.store.directory import Sought as Sought  # callers ask by it


def page(
    connection: sa.Connection, actor: Actor, now: datetime, sought: Sought, *, after: str, limit: int
) -> list[Profile]:
    """Up to ``limit`` people in the order of their ids: those with a role now at an institution of one's own.

    For those who see all: everybody, also those who left and those whose names were erased.
    """
    among = None if actor.sees_all else actor.institutions
    found = directory.page(connection, sought, among, now, after=after, limit=limit)
    roles = directory.roles_of(connection, [row["id"] for row in found], now)
    return [
        Profile(
            row["id"],
            row["name"] or "",
            row["email"] or "",
            row["recorded_at"],
            row["disabled_at"],
            roles[row["id"]],
            row["kind"],
        )
        for row in found
    ]
