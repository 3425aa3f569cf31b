"""Times as a logger's table writes them, turned into instants: patterns, epochs, and local clocks that were set back.

A local hour that comes twice is told apart by order: where a reading would lie before the one above it, the clock had
been set back in between. Where nothing tells (a file that begins in such an hour), the first of the two is taken. Both
are marked, and so are times that a local clock never showed. Tables may run backwards; the first two times say so.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from shipsvc.domain.layouts import EPOCH_MS, EPOCH_S, ISO, Layout, pattern
from shipsvc.domain.times import zone_of

AMBIGUOUS: Final = "ambiguous_hour"
SKIPPED: Final = "skipped_hour"
_ISO: Final = re.compile(
    r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})[Tt ](?P<hour>[0-9]{2}):(?P<minute>[0-9]{2})"
    r"(?::(?P<second>[0-9]{2})(?:[.,](?P<fraction>[0-9]{1,9}))?)?"
    r"(?: ?(?P<zulu>[Zz])|(?P<sign>[+-])(?P<off_h>[01][0-9]|2[0-3]):?(?P<off_m>[0-5][0-9]))?"
)
_NUMBER: Final = re.compile(r"[0-9]{1,14}(?:\.[0-9]{1,9})?")
_EPOCH_DAY: Final = date(1970, 1, 1).toordinal()
_SECOND_US: Final = 1_000_000
_DAY_US: Final = 86_400 * _SECOND_US
#: Before this no logger wrote a table; after the other, no calendar goes on.
_LATEST_US: Final = 253_402_300_799 * _SECOND_US


@dataclass
class WallClock:
    """Reads the times of one table, from its first line to its last; ``marks`` counts what was doubtful."""

    layout: Layout
    zone: str
    marks: dict[str, int] = field(default_factory=dict)
    _last_us: int | None = None
    _falling: bool | None = None
    _days: dict[tuple[int, int, int], tuple[int, int | None]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        special = {ISO: _ISO, EPOCH_S: _NUMBER, EPOCH_MS: _NUMBER}
        self._pattern = special.get(self.layout.time_format) or pattern(self.layout.time_format)
        self._zone: ZoneInfo = zone_of(self.layout.zone or self.zone)

    def read(self, cells: Sequence[str]) -> int:
        """The instant that the cells of one row say, in whole microseconds since 1970. ValueError, with the reason."""
        text = " ".join(cell.strip() for cell in cells)
        found = self._pattern.fullmatch(text)
        if found is None:
            raise ValueError(f"{text[:40]!r} is not a time as the layout has them")
        if self.layout.time_format in {EPOCH_S, EPOCH_MS}:
            at_us = round(float(text) * (_SECOND_US if self.layout.time_format == EPOCH_S else 1000))
        else:
            at_us = self._of_parts(found)
        if not 0 <= at_us <= _LATEST_US:
            raise ValueError(f"{text[:40]!r} is before 1970 or beyond the calendar")
        self.note(at_us)
        return at_us

    def note(self, at_us: int) -> None:
        """Remember the last instant, and which way the table runs."""
        if self._falling is None and self._last_us is not None and at_us != self._last_us:
            self._falling = at_us < self._last_us
        self._last_us = at_us

    def _of_parts(self, found: re.Match[str]) -> int:
        part = found.groupdict()
        year = int(part["year"]) if part.get("year") else 2000 + int(part["short_year"])
        hour, minute, second = int(part["hour"]), int(part["minute"]), int(part.get("second") or 0)
        if part.get("half"):
            if not 1 <= hour <= 12:
                raise ValueError(f"{found[0]!r} has no hour of a half day")
            hour = hour % 12 + (12 if part["half"] in "Pp" else 0)
        if hour > 23 or minute > 59 or second > 59:
            raise ValueError(f"{found[0]!r} is no time of day")
        day = (year, int(part["month"]), int(part["day"]))
        of_day_us = ((hour * 60 + minute) * 60 + second) * _SECOND_US
        of_day_us += int((part.get("fraction") or "").ljust(6, "0")[:6])
        if part.get("zulu") or part.get("sign"):
            return self._begin(day)[0] + of_day_us - _offset_us(part)
        return self._local(day, of_day_us, hour, minute)

    def _begin(self, day: tuple[int, int, int]) -> tuple[int, int | None]:
        """Midnight of a day as if it were UTC, and the offset of the zone if it is the same all day."""
        known = self._days.get(day)
        if known is None:
            begin_us = (date(*day).toordinal() - _EPOCH_DAY) * _DAY_US
            midnight = datetime(*day)  # noqa: DTZ001 - a wall clock
            offsets = {self._offset(midnight + timedelta(hours=h), fold) for h in (-3, 0, 24, 27) for fold in (0, 1)}
            known = self._days[day] = begin_us, offsets.pop() if len(offsets) == 1 else None
        return known

    def _offset(self, wall: datetime, fold: int) -> int:
        offset = wall.replace(tzinfo=self._zone, fold=fold).utcoffset() or timedelta()
        return offset // timedelta(microseconds=1)

    def _local(self, day: tuple[int, int, int], of_day_us: int, hour: int, minute: int) -> int:
        begin_us, steady_us = self._begin(day)
        if steady_us is not None:
            return begin_us + of_day_us - steady_us
        wall = datetime(*day, hour, minute)  # noqa: DTZ001 - a wall clock
        first, second = (begin_us + of_day_us - self._offset(wall, fold) for fold in (0, 1))
        if first == second:
            return first
        if first > second:  # PEP 495: in a gap fold 0 reads by the offset before it
            self.marks[SKIPPED] = self.marks.get(SKIPPED, 0) + 1
            return first
        self.marks[AMBIGUOUS] = self.marks.get(AMBIGUOUS, 0) + 1
        return self._told_apart(first, second)

    def _told_apart(self, first: int, second: int) -> int:
        """Of the two instants that a local time may mean, the one that fits behind the row above."""
        if self._last_us is None:
            return first
        if self._falling:
            return second if second < self._last_us else first
        return first if first > self._last_us else second


def _offset_us(part: dict[str, str]) -> int:
    if not part.get("sign"):
        return 0
    minutes = 60 * int(part["off_h"]) + int(part["off_m"])
    return (-1 if part["sign"] == "-" else 1) * minutes * 60 * _SECOND_US


def instant(at_us: int) -> datetime:
    """Whole microseconds since 1970 as an aware instant."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_us)
