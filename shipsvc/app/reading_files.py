"""Files of readings: kept among the evidence, and read by what they are."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from shipsvc.app import files, reading_senml, reading_tables, uploads
from shipsvc.app.access import READERS, Actor
from shipsvc.app.reading_tables import Block
from shipsvc.app.uploads import LINES, TABLE, Begun, InTransaction, Now
from shipsvc.domain.senml import Resolver
from shipsvc.domain.walls import WallClock
from shipsvc.store.file_bytes import Incoming

#: Gives the blocks of an upload, and counts what was doubtful about its times.
Blocks = Callable[[Begun, dict[str, int]], Iterator[Block]]


def keep(connection: sa.Connection, actor: Actor, now: Any, begun: Begun, incoming: Incoming) -> None:
    """Note that the bytes are evidence of an institution that the actor may speak for and that may send them."""
    theirs = [begun.source["institution"], *begun.source["readers"].split()]
    mine = {where for where, role in actor.roles if role not in READERS}
    for_ = next(one for one in theirs if one in mine)
    media_type = uploads.MEDIA_TYPES[begun.row["format"]]
    files.keep(connection, actor, now, incoming, media_type, begun.row["name"] or "readings", for_)


def opened(path: Path, form: str) -> Blocks:
    """How the bytes at ``path`` are to be read. Malformed or TooMuch for a pack that cannot be, before it counts."""
    if form == TABLE:
        return lambda begun, marks: reading_tables.blocks(path, WallClock(begun.layout, begun.source["zone"], marks))
    if form == LINES:
        return lambda begun, _marks: _records(begun, reading_senml.lines(path))
    records = reading_senml.pack(path, form)
    return lambda begun, _marks: _records(begun, enumerate(records, start=1))


def _records(begun: Begun, records: Any) -> Iterator[Block]:
    base = json.loads(begun.row["layout"] or "{}")
    resolver = Resolver(begun.row["recorded_at"].timestamp(), base)
    return reading_senml.blocks(records, resolver, begun.source["quantities"].split())


def read(in_transaction: InTransaction[Any], now: Now, begun: Begun, blocks: Blocks) -> None:
    """Read an upload from its bytes and store what is in it."""
    marks: dict[str, int] = {}
    uploads.read(in_transaction, now, begun, blocks(begun, marks), marks)
