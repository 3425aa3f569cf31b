"""Instants, half-known times, local days, and sets of time intervals.

Every instant inside the service is an aware ``datetime`` in UTC with microseconds. Nothing here looks at a clock.

Two traps that this module exists for: Python subtracts two times of the same zone by wall clock, so everything is
turned to UTC before arithmetic; and ``datetime.fromisoformat`` accepts much that RFC 3339 forbids, so texts are
checked by its grammar first.
"""

import re
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone
from functools import cache
from itertools import pairwise
from zoneinfo import ZoneInfo, available_timezones

from shipsvc.domain.errors import Malformed, NotATime

#: A device clock this near to ours is taken at its word.
SKEW_APPLIED_ABOVE = timedelta(seconds=2)
#: A device clock further off than this is flagged.
SKEW_FLAGGED_ABOVE = timedelta(minutes=2)

# RFC 3339 section 5.6, "date-time": seconds and offset are mandatory, letters in either case, no week dates.
_DATE_TIME = re.compile(
    r"(?P<date>[0-9]{4}-[0-9]{2}-[0-9]{2})[Tt](?P<clock>[0-9]{2}:[0-9]{2}):(?P<second>[0-9]{2})"
    r"(?:\.(?P<fraction>[0-9]+))?(?:[Zz]|(?P<sign>[+-])(?P<hours>[01][0-9]|2[0-3]):(?P<minutes>[0-5][0-9]))"
)
_FULL_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
# ISO 8601-1, 5.2.2.2 and 5.2.2.3: reduced precision, a month or a year.
_MONTH_OR_YEAR = re.compile(r"(?P<year>[0-9]{4})(?:-(?P<month>[0-9]{2}))?")

_LEAPS_IN_JUNE = (1972, 1981, 1982, 1983, 1985, 1992, 1993, 1994, 1997, 2012, 2015)
_LEAPS_IN_DECEMBER = (
    *(1972, 1973, 1974, 1975, 1976, 1977, 1978, 1979, 1987, 1989, 1990, 1995, 1998),
    *(2005, 2008, 2016),
)
#: Days that ended with a leap second, 23:59:60 UTC (IERS; RFC 3339 appendix D has them up to 1998).
LEAP_SECOND_DAYS = frozenset(
    [date(year, 6, 30) for year in _LEAPS_IN_JUNE] + [date(year, 12, 31) for year in _LEAPS_IN_DECEMBER]
)
#: Names in the zone directory that are not zones: what they mean differs from machine to machine.
_NOT_ZONES = frozenset({"localtime", "Factory", "posixrules"})


@dataclass(frozen=True, slots=True)
class Stamp:
    """A time as it was written.

    ``at`` is aware UTC; ``offset_min`` the written offset in minutes; ``offset_known`` is False for ``Z`` and
    ``-00:00``, which tell the instant but not the local time (RFC 3339 4.3, RFC 9557 2.2); ``leap_second`` is True
    where the second was written as :60 and ``at`` is the second after it.
    """

    at: datetime
    offset_min: int
    offset_known: bool
    leap_second: bool


@dataclass(frozen=True, slots=True)
class Span:
    """When something happened, as far as it is known: no sooner than ``earliest``, no later than ``latest``."""

    earliest: datetime
    latest: datetime

    def __post_init__(self) -> None:
        if as_utc(self.earliest) > as_utc(self.latest):
            raise Malformed(why="a time span ends before it begins")

    @property
    def is_exact(self) -> bool:
        """Whether it is a single instant."""
        return self.earliest == self.latest

    def surely_before(self, other: "Span") -> bool:
        """Whether this came first however the two half-known times turn out."""
        return self.latest < other.earliest


def parse_stamp(text: str) -> Stamp:
    """Read an RFC 3339 date-time with its offset. Digits beyond the microsecond are cut off.

    A second of 60 is accepted only as 23:59:60 UTC of a day that had a leap second. Raises NotATime.
    """
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        raise NotATime(typed=_shown(text))
    offset_min = int((match["sign"] or "+") + "1") * (60 * int(match["hours"] or 0) + int(match["minutes"] or 0))
    leap = match["second"] == "60"
    try:
        second = "59" if leap else match["second"]
        fraction = (match["fraction"] or "")[:6].ljust(6, "0")
        local = datetime.fromisoformat(f"{match['date']}T{match['clock']}:{second}.{fraction}")
        at = local.replace(tzinfo=timezone(timedelta(minutes=offset_min))).astimezone(UTC)
        if leap:
            at = _after_leap_second(at)
    except (ValueError, OverflowError):
        raise NotATime(typed=_shown(text)) from None
    return Stamp(at, offset_min, match["sign"] is not None and match[0][-6:] != "-00:00", leap)


def _after_leap_second(last_second: datetime) -> datetime:
    if last_second.date() not in LEAP_SECOND_DAYS or (last_second.hour, last_second.minute) != (23, 59):
        raise ValueError("no leap second")
    return last_second + timedelta(seconds=1)


def parse_instant(text: str) -> datetime:
    """The instant of an RFC 3339 date-time, aware UTC. Raises NotATime. ``parse_stamp`` keeps the offset too."""
    return parse_stamp(text).at


def parse_date(text: str) -> date:
    """Read an RFC 3339 full-date, ``2026-06-30``, and nothing else. Raises NotATime."""
    try:
        if _FULL_DATE.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise NotATime(typed=_shown(text))


def is_date(text: str) -> bool:
    """Whether a time is written as a bare day, month or year, which needs a zone to mean anything."""
    return _FULL_DATE.fullmatch(text) is not None or _MONTH_OR_YEAR.fullmatch(text) is not None


def parse_span(text: str, zone: str | ZoneInfo) -> Span:
    """Read a half-known time: an instant as ``parse_instant`` does, or a bare date, which is that whole local day;
    ``1987-03`` and ``1987`` are a whole local month and year.

    ``latest`` of a bare date is the end of the day itself. Raises NotATime, Malformed for an unknown zone.
    """
    if _FULL_DATE.fullmatch(text):
        return Span(*day_bounds(parse_date(text), zone))
    if part := _MONTH_OR_YEAR.fullmatch(text):
        return Span(*_part_bounds(int(part["year"]), int(part["month"]) if part["month"] else None, zone, text))
    at = parse_instant(text)
    return Span(at, at)


def _part_bounds(year: int, month: int | None, zone: str | ZoneInfo, text: str) -> tuple[datetime, datetime]:
    """A local month, or year for None, as [start, end) in aware UTC."""
    first = 1 if month is None else month
    following = (year + 1, 1) if month in (None, 12) else (year, first + 1)
    try:
        return day_start(date(year, first, 1), zone), day_start(date(*following, 1), zone)
    except ValueError:
        raise NotATime(typed=_shown(text)) from None


def format_instant(at: datetime) -> str:
    """An aware time as RFC 3339 in UTC, ``2025-03-10T08:40:00Z``; microseconds only where there are any."""
    return as_utc(at).replace(tzinfo=None).isoformat() + "Z"


def as_utc(at: datetime) -> datetime:
    """The same instant in UTC. Raises NotATime for a time without an offset."""
    if at.tzinfo is UTC:
        return at
    if at.utcoffset() is None:
        raise NotATime(typed=at.isoformat())
    return at.astimezone(UTC)


def skew(server_now: datetime, device_now: datetime) -> timedelta:
    """How far a device clock is behind ours at the moment of upload: server now less device now."""
    return as_utc(server_now) - as_utc(device_now)


def corrected(raw: datetime, by: timedelta) -> datetime:
    """A device time moved by the skew of its clock, aware UTC; a skew of at most 2 s is left alone.

    Raises NotATime where that leaves the calendar.
    """
    try:
        return as_utc(raw) + by if abs(by) > SKEW_APPLIED_ABOVE else as_utc(raw)
    except OverflowError:
        raise NotATime(typed=raw.isoformat()) from None


def zone_of(name: str | ZoneInfo) -> ZoneInfo:
    """The IANA time zone of that name. Raises Malformed for an unknown one."""
    if isinstance(name, ZoneInfo):
        return name
    if name not in _zone_names():
        raise Malformed(why=f"{_shown(name)} is not a time zone. Write an IANA name, such as Europe/London or UTC.")
    return ZoneInfo(name)


@cache
def _zone_names() -> frozenset[str]:
    # Asking ZoneInfo itself would let through names such as right/UTC, whose clocks count leap seconds.
    return frozenset(available_timezones()) - _NOT_ZONES


def local_date(at: datetime, zone: str | ZoneInfo) -> date:
    """The calendar day that it was, or will be, in a zone at an instant."""
    return as_utc(at).astimezone(zone_of(zone)).date()


def day_start(day: date, zone: str | ZoneInfo) -> datetime:
    """The first instant, aware UTC, from which on it is that local day or later for good.

    Mostly midnight. Where clocks skip midnight it is the moment they jump; where they go back over midnight it is
    the second midnight; a day that a zone left out starts (and ends) where the next one starts.
    """
    local, midnight = zone_of(zone), datetime.combine(day, time.min)
    try:
        # PEP 495: fold 0 reads a wall time by the offset before a change of clocks, fold 1 by the one after it.
        before, after = (midnight.replace(tzinfo=local, fold=fold).astimezone(UTC) for fold in (0, 1))
        if before <= after:
            went_back_over_midnight = (after - timedelta(microseconds=1)).astimezone(local).date() < day
            return after if went_back_over_midnight else before
        seconds = range(int((before - after).total_seconds()))
        reached = bisect_left(seconds, day, key=lambda s: (after + timedelta(seconds=s)).astimezone(local).date())
        return after + timedelta(seconds=reached)
    except OverflowError:
        raise NotATime(typed=day.isoformat()) from None


def due_end(day: date, zone: str | ZoneInfo) -> datetime:
    """When something due on a local date becomes late: aware UTC, exclusive, the start of the next local day.

    Computed at each question and never stored, since zone rules change. Raises NotATime, or Malformed for an
    unknown zone.
    """
    return day_bounds(day, zone)[1]


def day_bounds(day: date, zone: str | ZoneInfo) -> tuple[datetime, datetime]:
    """A local day as [start, end) in aware UTC: 24 hours, or 23 or 25 where clocks change."""
    if day == date.max:
        raise NotATime(typed=day.isoformat())
    return day_start(day, zone), day_start(day + timedelta(days=1), zone)


Pair = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Intervals:
    """A set of instants: half-open [start, end) stretches in aware UTC, sorted, apart from one another.

    Overlaps count once: ``total`` is the length of the union, never a sum of records.
    """

    pairs: tuple[Pair, ...] = ()

    def __post_init__(self) -> None:
        edges = [edge for pair in self.pairs for edge in pair]
        if any(edge.tzinfo is not UTC for edge in edges):
            raise Malformed(why="an interval set holds times in UTC only")
        if any(later <= sooner for sooner, later in pairwise(edges)):
            raise Malformed(why="the intervals of a set are sorted, not empty and apart from one another")

    @classmethod
    def from_pairs(cls, pairs: Iterable[Pair]) -> "Intervals":
        """The union of any [start, end) pairs; empty ones vanish. Raises Malformed where one runs backwards."""
        ordered = sorted((as_utc(start), as_utc(end)) for start, end in pairs)
        if any(end < start for start, end in ordered):
            raise Malformed(why="an interval ends before it begins")
        merged: list[Pair] = []
        for start, end in ordered:
            if merged and start <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
            elif start < end:
                merged.append((start, end))
        return cls(tuple(merged))

    def __iter__(self) -> Iterator[Pair]:
        return iter(self.pairs)

    def __bool__(self) -> bool:
        return bool(self.pairs)

    def __contains__(self, at: datetime) -> bool:
        index = bisect_left(self.pairs, as_utc(at), key=lambda pair: pair[1])
        # An end does not belong to its interval, so the one that ends exactly here is passed over.
        return any(start <= at < end for start, end in self.pairs[index : index + 2])

    def union(self, other: "Intervals") -> "Intervals":
        """What is in either."""
        return Intervals.from_pairs([*self.pairs, *other.pairs])

    def intersection(self, other: "Intervals") -> "Intervals":
        """What is in both."""
        return Intervals(tuple(_common(self.pairs, other.pairs)))

    def difference(self, other: "Intervals") -> "Intervals":
        """What is in this one and not in the other."""
        if not self.pairs:
            return self
        edges = [self.pairs[0][0], *(edge for pair in other.pairs for edge in pair), self.pairs[-1][1]]
        gaps = [(start, end) for start, end in zip(edges[::2], edges[1::2], strict=True) if start < end]
        return Intervals(tuple(_common(self.pairs, gaps)))

    __or__ = union
    __and__ = intersection
    __sub__ = difference

    def clip(self, start: datetime, end: datetime) -> "Intervals":
        """What of it lies within [start, end)."""
        return self.intersection(Intervals.from_pairs([(start, end)]))

    @property
    def total(self) -> timedelta:
        """Its length."""
        return sum((end - start for start, end in self.pairs), timedelta())

    @property
    def longest(self) -> timedelta:
        """The length of its longest connected stretch."""
        return max((end - start for start, end in self.pairs), default=timedelta())


def _common(left: Iterable[Pair], right: Iterable[Pair]) -> Iterator[Pair]:
    ours, theirs = iter(left), iter(right)
    mine, yours = next(ours, None), next(theirs, None)
    while mine and yours:
        start, end = max(mine[0], yours[0]), min(mine[1], yours[1])
        if start < end:
            yield start, end
        if mine[1] <= yours[1]:
            mine = next(ours, None)
        else:
            yours = next(theirs, None)


def _shown(text: str) -> str:
    return text if len(text) <= 60 else text[:60] + "…"
