"""What a sample carries: contaminations and restrictions, told of it or of what it was made of, before it was made."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

import sqlalchemy as sa

from shipsvc.app import access
from shipsvc.app.access import Actor
from shipsvc.store import events, heritage, item_states
from shipsvc.store.documents import When
from shipsvc.store.item_states import ITEM


@dataclass(frozen=True)
class Carried:
    """One thing that a sample carries: which kind, in what words, since when, by which fact, and of which sample that
    was told (None: one that the reader does not see)."""

    kind: Literal["contamination", "restriction"]
    words: str
    since: datetime
    event_id: str
    of: str | None


def carried(connection: sa.Connection, actor: Actor, number: str, when: When) -> list[Carried]:
    """What a sample carried at a moment, oldest first; a restriction that was lifted by then is gone."""
    found: dict[str, Carried] = {}
    told = heritage.carried(connection, number, when)
    seen = item_states.visible_among(connection, {row["of"] for row in told}, access.sees(actor, ITEM.c.number))
    for row in told:
        kind, _, body = events.content(row)
        if body.get("lifts"):
            found.pop(str(body["lifts"]), None)
            continue
        is_restriction = kind == "restriction_set"
        found[row["original_id"]] = Carried(
            "restriction" if is_restriction else "contamination",
            str(body.get("words") or ""),
            row["happened_at"],
            row["original_id"],
            row["of"] if row["of"] in seen else None,
        )
    return list(found.values())
