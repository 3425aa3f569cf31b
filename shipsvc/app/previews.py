"""What a table would be read as, before anything of it is stored."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from shipsvc.app import reading_tables, sources
from shipsvc.app.access import Actor
from shipsvc.app.documents import asked
from shipsvc.app.reading_tables import Bad, Block
from shipsvc.domain import errors, guessing, layouts
from shipsvc.domain.layouts import Layout
from shipsvc.domain.walls import WallClock, instant
from shipsvc.store import documents as stored

#: Of a table, what is looked at; and how many rows are shown.
BYTES_MAX: Final = 256_000
ROWS_SHOWN: Final = 20


@dataclass(frozen=True)
class Preview:
    """A layout (None: nothing fits), what is above the readings, what is to be looked at, and some rows by it: times by
    the logger's clock, figures as written."""

    layout: Layout | None
    headings: tuple[str, ...]
    unsure: tuple[str, ...]
    rows: tuple[tuple[datetime, Mapping[str, float | None]], ...]
    bad: tuple[Bad, ...]


def preview(
    connection: sa.Connection, actor: Actor, now: datetime, code: str, body: bytes, layout: str | None
) -> Preview:
    """The beginning of a table as it would be read for a source, by a layout that is there or by a guess. NotFound."""
    source = sources.found(connection, actor, code)
    measured = source["quantities"].split()
    text = reading_tables.text_of(body[:BYTES_MAX], whole=len(body) <= BYTES_MAX)
    guessed = guessing.guess(text, measured)
    found = guessed.layout
    if layout is not None:
        kind = sources.LAYOUT
        row = stored.in_force(connection, kind.chain, layout, asked(None, None, now), kind.visible(actor))
        if row is None:
            raise errors.NotFound(what="layout", name=layout, pointer="/layout")
        found = layouts.read(json.loads(row["content"]))
    if found is None:
        return Preview(None, guessed.headings, guessed.unsure, (), ())
    block = reading_tables.first_block(text, WallClock(found, source["zone"]))
    unsure = guessed.unsure if layout is None else ()
    return Preview(found, guessed.headings, unsure, _rows(block), tuple(block.bad[:ROWS_SHOWN]))


def _rows(block: Block) -> tuple[tuple[datetime, Mapping[str, float | None]], ...]:
    shown = []
    for n, at_us in enumerate(block.times_us[:ROWS_SHOWN].tolist()):
        figures = {quantity: float(values[n]) for quantity, (_, values, _) in block.series.items()}
        shown.append((instant(at_us), {name: None if math.isnan(v) else v for name, v in figures.items()}))
    return tuple(shown)
