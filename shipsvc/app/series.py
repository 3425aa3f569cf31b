"""The readings of one source, to be drawn or taken along: by true times, as known on a day."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
import sqlalchemy as sa

from shipsvc.app import sources
from shipsvc.app.access import Actor
from shipsvc.app.documents import When
from shipsvc.domain import errors
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.domain.thinning import Thinned
from shipsvc.store import readings
from shipsvc.store.engine import Row
from shipsvc.store.readings import ChunkFacts

#: Rows of one piece of a file.
PIECE_ROWS: Final = 10_000
EARLIEST: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Asked:
    """Which readings: of what, from when to when (None: as far as there are any)."""

    quantity: str | None
    begin: datetime | None
    end: datetime | None


@dataclass(frozen=True)
class Series:
    """The chunks that hold the readings asked for, and what stands beside them."""

    source: Row
    quantity: str
    chunks: tuple[ChunkFacts, ...]
    begin: datetime | None
    end: datetime | None
    lapsed: bool

    @property
    def unit(self) -> str:
        """The canonical unit of the quantity."""
        return QUANTITIES[self.quantity]


@dataclass(frozen=True)
class Drawn:
    """Some points of a series in the order of time, and how many readings they stand for."""

    points: tuple[tuple[datetime, float], ...]
    readings: int


def find(connection: sa.Connection, actor: Actor, code: str, asked: Asked, when: When) -> Series:
    """The chunks of a source that hold the readings asked for. NotFound; Malformed for what it does not measure."""
    row = sources.found(connection, actor, code)
    measured = row["quantities"].split()
    quantity = asked.quantity or measured[0]
    if quantity not in measured:
        why = f"this source measures {', '.join(measured)}, not {quantity}"
        raise errors.Malformed(why=why, pointer="/quantity")
    window = (asked.begin or EARLIEST, min(asked.end or when.as_of, when.as_of))
    found = tuple(readings.chunks(connection, [code], [quantity], *window, when.known_on))
    begin = asked.begin or min((one.begin_at for one in found), default=None)
    # Of a chunk that goes on behind the window, the last reading in it: however the readings are cut into chunks.
    end = readings.last_until(connection, found, window[1]) if found else asked.end
    return Series(row, quantity, found, begin, end, sources.lapsed(row, when.as_of))


def drawn(connection: sa.Connection, series: Series, pixels: int) -> Drawn:
    """Two points a pixel at most: its lowest and its highest reading, so that no extreme is lost. A chunk at a time."""
    if not series.chunks or series.begin is None or series.end is None:
        return Drawn((), 0)
    thinned = Thinned(series.begin.timestamp(), series.end.timestamp(), pixels)
    for chunk in series.chunks:
        thinned.add(*readings.load(connection, chunk.key))
    times_s, values = thinned.points()
    points = zip((_instant(at) for at in times_s.tolist()), values.tolist(), strict=True)
    return Drawn(tuple(points), thinned.readings)


def pieces(
    transaction: Callable[[], AbstractContextManager[sa.Connection]], series: Series
) -> Iterator[list[tuple[datetime, float]]]:
    """All readings of a series, some thousand at a time, each chunk read in a transaction of its own."""
    begin_s = series.begin.timestamp() if series.begin else 0.0
    end_s = series.end.timestamp() if series.end else np.inf
    for chunk in series.chunks:
        with transaction() as connection:
            times_s, values = readings.load(connection, chunk.key)
        inside = ~np.isnan(values) & (times_s >= begin_s) & (times_s <= end_s)
        rows = list(zip(map(_instant, times_s[inside].tolist()), values[inside].tolist(), strict=True))
        yield from (rows[at : at + PIECE_ROWS] for at in range(0, len(rows), PIECE_ROWS))


def _instant(at_s: float) -> datetime:
    return datetime.fromtimestamp(round(at_s, 6), UTC)
