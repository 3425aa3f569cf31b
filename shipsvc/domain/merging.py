"""Which small chunks of readings are to be merged to one: such as a live sensor leaves, a few readings each.

Those that follow each other without overlapping, so that the one holds their readings in the order they have. Each
merging takes many of one size: so a reading is written a few times in all, however many follow.
"""

from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

#: Chunks that are merged to one: two steps of so many make a full chunk of single readings.
PARTS: Final = 256
#: Fewer than these, with a pause behind them, are not worth it.
PARTS_MIN: Final = 8
#: Chunks further apart are not merged: a logger that lay about for a while.
PAUSE: Final = timedelta(days=1)
#: Series of overlapping chunks that are followed side by side.
_ROWS_MAX: Final = 4


@dataclass(frozen=True, slots=True)
class Small:
    """A chunk: what it must share with others to be merged with them, its ends, and how many readings it holds."""

    key: Hashable
    alike: Hashable
    begin_at: datetime
    end_at: datetime
    readings: int


@dataclass(slots=True)
class _Row:
    """Chunks one behind the other."""

    parts: list[Small] = field(default_factory=list)
    readings: int = 0

    def add(self, one: Small) -> None:
        self.parts.append(one)
        self.readings += one.readings


def batches(chunks: Iterable[Small], readings_max: int, parts: int = PARTS) -> Iterator[list[Small]]:
    """What is to be merged, each to a chunk of up to ``readings_max`` readings.

    ``chunks`` come in the order of their beginnings, each with at most half as many readings. Chunks at the end of a
    series, which others may follow, are left until there are as many as ``parts``.
    """
    open_rows: dict[Hashable, list[_Row]] = {}
    for one in chunks:
        beside = open_rows.setdefault(one.alike, [])
        for row in list(beside):
            if one.begin_at - row.parts[-1].end_at > PAUSE:
                beside.remove(row)
                if len(row.parts) >= min(PARTS_MIN, parts):
                    yield row.parts
        fitting = next((row for row in beside if row.parts[-1].end_at < one.begin_at), None)
        if fitting is not None and fitting.readings + one.readings > readings_max:
            beside.remove(fitting)
            yield fitting.parts
            fitting = None
        if fitting is None:
            if len(beside) == _ROWS_MAX:
                continue
            fitting = _Row()
            beside.append(fitting)
        fitting.add(one)
        if len(fitting.parts) == parts:
            beside.remove(fitting)
            yield fitting.parts
