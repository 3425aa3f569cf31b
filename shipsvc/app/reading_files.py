"""Files of readings: kept among the evidence, and read by what they are."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from shipsvc.app import files, reading_tables, uploads
from shipsvc.app.access import READERS, Actor
from shipsvc.app.reading_tables import Block
from shipsvc.app.uploads import Begun, InTransaction, Now
from shipsvc.domain import errors
from shipsvc.domain.walls import WallClock
from shipsvc.store.file_bytes import Incoming


def keep(connection: sa.Connection, actor: Actor, now: Any, begun: Begun, incoming: Incoming) -> None:
    """Note that the bytes are evidence of an institution that the actor may speak for and that may send them."""
    theirs = [begun.source["institution"], *begun.source["readers"].split()]
    mine = {where for where, role in actor.roles if role not in READERS}
    for_ = next(one for one in theirs if one in mine)
    media_type = uploads.MEDIA_TYPES[begun.row["format"]]
    files.keep(connection, actor, now, incoming, media_type, begun.row["name"] or "readings", for_)


def read(in_transaction: InTransaction[Any], now: Now, begun: Begun, path: Path) -> None:
    """Read an upload from its bytes and store what is in it."""
    marks: dict[str, int] = {}
    uploads.read(in_transaction, now, begun, _blocks(begun, path, marks), marks)


def _blocks(begun: Begun, path: Path, marks: dict[str, int]) -> Iterator[Block]:
    if begun.row["format"] != uploads.CSV:
        raise errors.WrongType(why="SenML is not read yet.")
    clock = WallClock(begun.layout, begun.source["zone"], marks)
    return reading_tables.blocks(path, clock)
