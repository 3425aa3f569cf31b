"""What loggers and sensors say of samples: their nests, the sources in them and in their places, and what was read.

Everything that is asked of the database is asked once, however many samples there are; chunks of readings are opened
only where they breach a limit, have a gap, or are cut by an end of a stay (``domain.readings``).
"""

from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import Final

import sqlalchemy as sa

from shipsvc.domain import evidence, readings
from shipsvc.domain.evidence import Evidence, InNest, Segment, Voice
from shipsvc.domain.profiles import Profile
from shipsvc.domain.readings import Chunk, Excursion, Heard, Rule, Weight
from shipsvc.domain.times import Intervals, Pair
from shipsvc.store import nests as nest_rows
from shipsvc.store import readings as kept
from shipsvc.store.documents import When
from shipsvc.store.readings import Placement

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
#: A clock that runs a little slow stretches the interval that its document states.
INTERVAL_SLACK: Final = 1.01


@dataclass(frozen=True, slots=True)
class Position:
    """A source around a sample for a while: how many containers are between them, and whether a closed one is."""

    placement: Placement
    window: Pair
    rank: int
    barrier: int | None

    @property
    def heard_in(self) -> Pair:
        """The window that its readings are heard in. A fixed sensor reads on as things come and go around it; a logger
        in a nest says nothing across a packing or an opening (rulings 32)."""
        return self.placement.window if self.placement.place else self.window

    def is_reached_by(self, quantity: str) -> bool:
        """Whether what is read of a quantity here reaches the sample."""
        return evidence.reaches(quantity, self.rank, self.barrier)


@dataclass(frozen=True, slots=True)
class Said:
    """What a source in a position said of one quantity: weighed for the sample, and all that was heard of it."""

    position: Position
    voice: Voice
    heard: Heard


@dataclass
class Surroundings:
    """The sources around some samples, up to the moment asked about, and what they read."""

    connection: sa.Connection
    when: When
    nests: Mapping[str, Sequence[InNest]]
    in_items: Mapping[str, Sequence[Placement]]
    in_places: Mapping[str, Sequence[Placement]]
    chunks: Mapping[tuple[str, str], Sequence[Chunk]]
    _heard: dict[Hashable, Heard] = field(default_factory=dict)
    _lines: dict[str, Sequence[Segment]] = field(default_factory=dict)
    _loggers: dict[str, Sequence[Position]] = field(default_factory=dict)

    def evidence(self, item: str, window: Pair, place: str | None, profile: Profile) -> Evidence:
        """What is known of a sample during a stay; ``place`` is the storage place that it is in (None: in none)."""
        voices = [
            self._said(position, limit.quantity, profile, window).voice
            for limit in profile.limits
            for position in self.positions(item, window, place)
            if limit.quantity in position.placement.quantities
            # What does not reach the sample says something only of what decides, and that only indirectly.
            if limit.quantity == profile.decisive or position.is_reached_by(limit.quantity)
        ]
        return evidence.weigh(voices, profile.decisive)

    def said(
        self, item: str, window: Pair, place: str | None, profile: Profile | None, quantities: Iterable[str]
    ) -> list[Said]:
        """What each source around the sample said of each of the quantities, held against the profile's limits."""
        around = self.positions(item, window, place)
        return [
            self._said(position, quantity, profile, window)
            for quantity in quantities
            for position in around
            if quantity in position.placement.quantities
        ]

    def positions(self, item: str, window: Pair, place: str | None) -> list[Position]:
        """The sources around a sample during a stay, each as long as nothing changed between it and the sample.

        What changes of the sample otherwise (its holder, its mass) does not cut what a logger beside it says.
        """
        found = [position for position in self.in_nest(item) if _common(window, position.window)]
        for placement in self.in_places.get(place, ()) if place else ():
            for segment in self.line(item):
                during = _common((segment.start, segment.end), window)
                if during and (cut := _common(during, placement.window)):
                    found.append(Position(placement, cut, len(segment.path), segment.barrier))
        return found

    def line(self, item: str) -> Sequence[Segment]:
        """The nests that a sample was in all its life long."""
        if item not in self._lines:
            spans = self.nests.get(item, ())
            begin = spans[0].start if spans else self.when.as_of
            self._lines[item] = evidence.segments(item, self.nests, begin, self.when.as_of)
        return self._lines[item]

    def in_nest(self, item: str) -> Sequence[Position]:
        """The loggers that were ever in a nest with a sample."""
        if item not in self._loggers:
            self._loggers[item] = [
                Position(placement, cut, rank, barrier)
                for rank, barrier, container, during in _unchanged(self.line(item))
                for placement in self.in_items.get(container, ())
                if (cut := _common(during, placement.window))
            ]
        return self._loggers[item]

    def heard(self, placement: Placement, quantity: str, rule: Rule, window: Pair) -> Heard:
        """What one source says of one limit in a window; asked once, however many samples it stands for."""
        key = (placement.source, quantity, rule, window)
        if key not in self._heard:
            chunks = self.chunks.get((placement.source, quantity), ())
            self._heard[key] = readings.hear(chunks, self._load, rule, in_seconds(window))
        return self._heard[key]

    def extremes(self, source: str, quantity: str, window: Pair) -> readings.PairS | None:
        """The lowest and the highest that a source read in a window."""
        return readings.extremes(self.chunks.get((source, quantity), ()), self._load, in_seconds(window))

    def series(self, source: str, quantity: str, window: Pair) -> tuple[readings.Floats, readings.Floats]:
        """All that a source read in a window."""
        return readings.read_all(self.chunks.get((source, quantity), ()), self._load, in_seconds(window))

    def _said(self, position: Position, quantity: str, profile: Profile | None, window: Pair) -> Said:
        placement = position.placement
        heard = self.heard(placement, quantity, rule_for(placement, quantity, profile), position.heard_in)
        present = Intervals.from_pairs([position.window]).clip(*window)
        voice = Voice(
            placement.source,
            quantity,
            position.rank,
            position.is_reached_by(quantity),
            present,
            intervals(heard.covered) & present,
            _weighing(heard.excursions, Weight.CERTAIN) & present,
            _weighing(heard.excursions, Weight.POSSIBLE) & present,
        )
        return Said(position, voice, heard)

    def _load(self, key: Hashable) -> tuple[readings.Floats, readings.Floats]:
        return opened(self.connection, key)


def opened(connection: sa.Connection, key: Hashable) -> tuple[readings.Floats, readings.Floats]:
    """Times and values of a chunk, by the key that ``stored_chunks`` gave it."""
    assert isinstance(key, kept.ChunkKey)
    return kept.load(connection, key)


def around(
    connection: sa.Connection, items: Collection[str], places: Collection[str], quantities: Collection[str], when: When
) -> Surroundings:
    """The surroundings of the samples, and of the places that they were in, up to ``when.as_of``, as known then."""
    in_what = {
        item: [InNest(row["from_at"], row["to_at"], row["parent"], row["closed"]) for row in spans]
        for item, spans in groupby(nest_rows.nests(connection, items, when), key=lambda row: str(row["item"]))
    }
    placed = kept.placements(connection, in_what, places, when)
    begin = min((placement.from_at for placement in placed), default=when.as_of)
    sources = {placement.source for placement in placed}
    facts = kept.chunks(connection, sources, quantities, begin, when.as_of, when.known_on)
    return Surroundings(
        connection,
        when,
        in_what,
        _by(placed, "item"),
        _by(placed, "place"),
        stored_chunks(facts),
    )


def stored_chunks(facts: Iterable[kept.ChunkFacts]) -> dict[tuple[str, str], list[Chunk]]:
    """Chunks as they are heard, by source and quantity."""
    series = groupby(facts, key=lambda one: (one.source, one.quantity))
    return {of: [_chunk(one) for one in some] for of, some in series}


def rule_for(placement: Placement, quantity: str, profile: Profile | None) -> Rule:
    """How a source's readings of a quantity are held against a profile (rulings 22); without one there is no limit."""
    every_s = placement.interval_s * INTERVAL_SLACK
    if profile is None:
        return Rule(None, None, float(placement.max_gap_s), every_s)
    limit = profile.limit_of(quantity)
    lower, upper = (limit.lower, limit.upper) if limit else (None, None)
    gap_s, spike_s = float(profile.max_gap_s or placement.max_gap_s), float(profile.spike_allowance_s)
    return Rule(lower, upper, gap_s, every_s, profile.least_readings, None, spike_s)


def intervals(pairs_s: Iterable[readings.PairS]) -> Intervals:
    """Seconds since 1970 as instants, to the microsecond."""
    return Intervals.from_pairs((instant(begin), instant(end)) for begin, end in pairs_s)


def _weighing(excursions: Iterable[Excursion], weight: Weight) -> Intervals:
    return intervals((one.begin_s, one.end_s) for one in excursions if one.weight is weight)


def _unchanged(line: Sequence[Segment]) -> list[tuple[int, int | None, str, Pair]]:
    """Of each container around a sample: its rank, the closed one within or at it, itself, and how long that lasted."""
    found: list[tuple[int, int | None, str, Pair]] = []
    for rank in range(max((len(segment.path) for segment in line), default=0)):
        for (path, barrier), same in groupby(line, key=lambda segment: _within(segment, rank)):
            if path:
                during = list(same)
                found.append((rank, barrier, path[-1], (during[0].start, during[-1].end)))
    return found


def _within(segment: Segment, rank: int) -> tuple[tuple[str, ...], int | None]:
    """The line from the sample up to a container, and the closed one in it; nothing where it is not so long."""
    if len(segment.path) <= rank:
        return (), None
    inner = segment.barrier is not None and segment.barrier <= rank
    return segment.path[: rank + 1], segment.barrier if inner else None


def _common(one: Pair, other: Pair) -> Pair | None:
    start, end = max(one[0], other[0]), min(one[1], other[1])
    return (start, end) if start < end else None


def _by(placed: Iterable[Placement], name: str) -> dict[str, list[Placement]]:
    found: dict[str, list[Placement]] = {}
    for placement in placed:
        where = getattr(placement, name)
        if where is not None:
            found.setdefault(where, []).append(placement)
    return found


def _chunk(facts: kept.ChunkFacts) -> Chunk:
    lowest = facts.lowest if facts.lowest is not None else float("-inf")
    highest = facts.highest if facts.highest is not None else float("inf")
    begin_s, end_s = facts.begin_at.timestamp(), facts.end_at.timestamp()
    return Chunk(begin_s, end_s, lowest, highest, facts.widest_gap_s, facts.key)


def in_seconds(window: Pair) -> readings.PairS:
    """A window in seconds since 1970."""
    return window[0].timestamp(), window[1].timestamp()


def instant(at_s: float) -> datetime:
    """Seconds since 1970 as an instant, to the microsecond."""
    return EPOCH + timedelta(microseconds=round(at_s * 1e6))
