"""What the stored readings of one source say about one limit: covered stretches and excursions, most chunks unread.

Times are seconds on the corrected clock of the source; the rules of ``domain.conditions`` hold. Readings are stored in
chunks with their lowest and highest value and their widest gap. A chunk that keeps within the limits and has no gap
says all there is to say without being read; so a long quiet series costs as little as a short one.

Nothing is said across the ends of a window: outside it the source was somewhere else, or its nest was open. Towards an
end the nearest reading speaks for as long as one interval, if it lies within the limits; the rest is not covered.
"""

import math
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from shipsvc.domain.conditions import Stretch, covered, stretches_outside

#: Times or values of readings.
Floats = npt.NDArray[np.float64]
#: Begin and end in s.
PairS = tuple[float, float]


class Weight(StrEnum):
    """What an excursion counts for: for sure, only perhaps (too few readings), or not at all (a spike let pass)."""

    CERTAIN = "certain"
    POSSIBLE = "possible"
    ALLOWED = "allowed"


@dataclass(frozen=True, slots=True)
class Rule:
    """A limit, and when going beyond it counts (rulings 22). Limits are strict.

    ``max_gap_s``: neighbouring readings further apart leave the time between unknown. ``edge_s``: how long a reading
    speaks towards an end of its window. An excursion counts for sure with ``least_readings`` readings outside, or if
    it goes ``hysteresis`` or more beyond the limit; one no longer than ``spike_allowance_s`` does not count.
    """

    lower: float | None
    upper: float | None
    max_gap_s: float
    edge_s: float
    least_readings: int = 2
    hysteresis: float | None = None
    spike_allowance_s: float = 0.0

    def within(self, lowest: float, highest: float) -> bool:
        """Whether all between the two lies within the limits."""
        return (self.lower is None or lowest >= self.lower) and (self.upper is None or highest <= self.upper)

    def weight(self, stretch: Stretch) -> Weight:
        """What a stretch outside counts for."""
        if stretch.end_s - stretch.begin_s <= self.spike_allowance_s and self.spike_allowance_s > 0:
            return Weight.ALLOWED
        far = self.hysteresis is not None and self.beyond(stretch.peak) >= self.hysteresis
        return Weight.CERTAIN if far or stretch.readings >= self.least_readings else Weight.POSSIBLE

    def beyond(self, value: float) -> float:
        """How far a value lies beyond the nearer limit; negative inside."""
        above = -math.inf if self.upper is None else value - self.upper
        return max(above, -math.inf if self.lower is None else self.lower - value)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Readings that stand together in the store: their ends, extremes and widest gap, and the key to read them by."""

    begin_s: float
    end_s: float
    lowest: float
    highest: float
    widest_gap_s: float
    key: Hashable


#: Reads a chunk: its times and values, of one length.
Load = Callable[[Hashable], tuple[npt.ArrayLike, npt.ArrayLike]]


@dataclass(frozen=True, slots=True)
class Excursion:
    """A stretch outside the limits, and what it counts for; ``area`` in value units times hours."""

    begin_s: float
    end_s: float
    readings: int
    peak: float
    area: float
    weight: Weight


@dataclass(frozen=True, slots=True)
class Heard:
    """What was heard in a window: when there were readings close enough together, and the excursions, by begin."""

    covered: tuple[PairS, ...] = ()
    excursions: tuple[Excursion, ...] = ()


def hear(chunks: Iterable[Chunk], load: Load, rule: Rule, window: PairS) -> Heard:
    """What the chunks of one series say of a limit within a window (begin and end in s, or infinite).

    Chunks may overlap, as files of one logger read out twice do. At most one cluster of overlapping chunks is held in
    memory at a time; ``load`` is called once for each chunk that must be read, and for its quiet neighbour where the
    line runs on into it.
    """
    listening = _Listening(rule, window)
    within = [chunk for chunk in chunks if chunk.end_s >= window[0] and chunk.begin_s <= window[1]]
    for cluster in _clusters(within, rule, window):
        if _quiet(cluster, rule, window):
            listening.quiet(cluster, load)
        else:
            listening.readings(*_loaded(cluster, load))
    return listening.heard()


def hear_readings(times_s: npt.ArrayLike, values: npt.ArrayLike, rule: Rule, window: PairS) -> Heard:
    """The same of readings at hand."""
    listening = _Listening(rule, window)
    listening.readings(*_sorted(np.asarray(times_s, np.float64), np.asarray(values, np.float64)))
    return listening.heard()


def read_all(chunks: Iterable[Chunk], load: Load, window: PairS) -> tuple[Floats, Floats]:
    """All readings within a window, in order of time: what a mean needs, which no chunk can be left out of."""
    within = [chunk for chunk in chunks if chunk.end_s >= window[0] and chunk.begin_s <= window[1]]
    return _clipped(*_loaded(within, load), window) if within else (np.empty(0), np.empty(0))


def extremes(chunks: Iterable[Chunk], load: Load, window: PairS) -> PairS | None:
    """The lowest and the highest reading within a window; None without any. A chunk that an end cuts is opened."""
    found: list[float] = []
    for chunk in chunks:
        if window[0] <= chunk.begin_s and chunk.end_s <= window[1] and math.isfinite(chunk.lowest):
            found += [chunk.lowest, chunk.highest]
        elif chunk.end_s >= window[0] and chunk.begin_s <= window[1]:
            _, values = _clipped(*_loaded([chunk], load), window)
            found += [float(values.min()), float(values.max())] if values.size else []
    return (min(found), max(found)) if found else None


class _Listening:
    """Takes in pieces of a series in order of time, and joins what goes on from one to the next."""

    def __init__(self, rule: Rule, window: PairS) -> None:
        self.rule = rule
        self.window = window
        self.spoken: list[PairS] = []
        self.stretches: list[Stretch] = []
        self.last: tuple[Floats, Floats] = (np.empty(0), np.empty(0))
        self.unread: tuple[Sequence[Chunk], Load] | None = None
        self.first_inside: bool | None = None
        self.last_inside = False

    def quiet(self, cluster: Sequence[Chunk], load: Load) -> None:
        """All within the limits and without a gap: only where the line comes in from outside is it read."""
        if self.last[1].size and not self._inside(self.last[1][-1]):
            begin_s = min(chunk.begin_s for chunk in cluster)
            if begin_s - self.last[0][-1] <= self.rule.max_gap_s:
                self.readings(*_loaded(cluster, load))
                return
        begin_s, end_s = min(c.begin_s for c in cluster), max(c.end_s for c in cluster)
        self.spoken.append((begin_s, end_s))
        self._note(inside_first=True, inside_last=True)
        self.last, self.unread = (np.empty(0), np.empty(0)), (cluster, load)

    def readings(self, times: Floats, values: Floats) -> None:
        """Readings, in order of time."""
        times, values = _clipped(times, values, self.window)
        if not times.size:
            return
        before = self._before(times, values)
        joined_times, joined_values = np.r_[before[0], times], np.r_[before[1], values]
        self.spoken += covered(joined_times, max_gap_s=self.rule.max_gap_s)
        limits = {"lower": self.rule.lower, "upper": self.rule.upper}
        found = stretches_outside(joined_times, joined_values, **limits, max_gap_s=self.rule.max_gap_s)
        if found and before[0].size and not self._inside(before[1][-1]):
            found = self._going_on(found, before[0][-1])
        self.stretches += found
        self._note(inside_first=self._inside(values[0]), inside_last=self._inside(values[-1]))
        self.last, self.unread = (times[-1:], values[-1:]), None

    def heard(self) -> Heard:
        """All of it, within the window."""
        excursions = tuple(
            Excursion(s.begin_s, s.end_s, s.readings, s.peak, s.area / 3600, self.rule.weight(s))
            for s in sorted(self.stretches, key=lambda stretch: stretch.begin_s)
        )
        return Heard(tuple(self._to_the_ends(_bridged(self.spoken, self.rule.max_gap_s))), excursions)

    def _before(self, times: Floats, values: Floats) -> tuple[Floats, Floats]:
        """The reading before these, read from a quiet chunk only where the line comes in from there."""
        if self.unread is None or self._inside(values[0]):
            return self.last
        cluster, load = self.unread
        if times[0] - max(chunk.end_s for chunk in cluster) > self.rule.max_gap_s:
            return self.last
        read = _clipped(*_loaded(cluster, load), self.window)
        return read[0][-1:], read[1][-1:]

    def _going_on(self, found: list[Stretch], since_s: float) -> list[Stretch]:
        """The stretches, the first of them joined with the last one before where it began there."""
        first, begun = found[0], self.stretches[-1] if self.stretches else None
        if begun is None or not begun.end_s == since_s == first.begin_s:
            return found
        self.stretches.pop()
        worse = max((begun, first), key=lambda stretch: self.rule.beyond(stretch.peak))
        # The reading that both ends share was counted in either.
        readings, area = begun.readings + first.readings - 1, begun.area + first.area
        joined = replace(worse, begin_s=begun.begin_s, end_s=first.end_s, readings=readings, area=area)
        return [joined, *found[1:]]

    def _to_the_ends(self, spoken: Sequence[PairS]) -> list[PairS]:
        """The covered stretches, drawn out to the ends of the window where a reading is near enough and inside."""
        found = list(spoken)
        if found and self.first_inside and found[0][0] - self.window[0] <= self.rule.edge_s:
            found[0] = (self.window[0], found[0][1])
        if found and self.last_inside and self.window[1] - found[-1][1] <= self.rule.edge_s:
            found[-1] = (found[-1][0], self.window[1])
        return found

    def _note(self, *, inside_first: bool, inside_last: bool) -> None:
        self.first_inside = inside_first if self.first_inside is None else self.first_inside
        self.last_inside = inside_last

    def _inside(self, value: float) -> bool:
        return self.rule.within(value, value)


def _clusters(chunks: Iterable[Chunk], rule: Rule, window: PairS) -> list[list[Chunk]]:
    """Chunks in order of time, those that overlap together, the insides of long quiet stretches as one chunk."""
    ordered = sorted(chunks, key=lambda chunk: (chunk.begin_s, chunk.end_s))
    found: list[list[Chunk]] = []
    reach = -math.inf
    for chunk in _shortened(ordered, rule, window):
        if chunk.begin_s > reach:
            found.append([])
        found[-1].append(chunk)
        reach = max(reach, chunk.end_s)
    return found


def _shortened(ordered: Sequence[Chunk], rule: Rule, window: PairS) -> Iterable[Chunk]:
    """The same chunks, each run of quiet ones that stand alone between quiet ones near by joined to one.

    No line runs into such a chunk from outside the limits, so nothing will ask for its key; by arrays, since a series
    of years has thousands of them.
    """
    if len(ordered) < 3:
        return ordered
    columns = [(c.begin_s, c.end_s, c.lowest, c.highest, c.widest_gap_s) for c in ordered]
    begin, end, lowest, highest, widest = np.array(columns, np.float64).T
    quiet = (widest <= rule.max_gap_s) & (begin >= window[0]) & (end <= window[1])
    quiet &= lowest >= (-math.inf if rule.lower is None else rule.lower)
    quiet &= highest <= (math.inf if rule.upper is None else rule.upper)
    steps = begin[1:] - np.maximum.accumulate(end)[:-1]
    joined = quiet[:-1] & quiet[1:] & (steps > 0) & (steps <= rule.max_gap_s)
    inner = np.r_[False, joined[:-1] & joined[1:], False]
    ends = np.flatnonzero(np.diff(np.r_[False, inner, False].astype(np.int8)))
    found: list[Chunk] = []
    at = 0
    for first, last in zip(ends[::2].tolist(), (ends[1::2] - 1).tolist(), strict=True):
        run = slice(first, last + 1)
        found += ordered[at:first]
        extremes_of_run = float(lowest[run].min()), float(highest[run].max()), rule.max_gap_s
        found.append(Chunk(ordered[first].begin_s, ordered[last].end_s, *extremes_of_run, None))
        at = last + 1
    return [*found, *ordered[at:]]


def _quiet(cluster: Sequence[Chunk], rule: Rule, window: PairS) -> bool:
    """Whether nothing in it need be read: within the limits, without a gap, and not cut by an end of the window."""
    cut = any(min(c.begin_s for c in cluster) < end < max(c.end_s for c in cluster) for end in window)
    return not cut and all(rule.within(c.lowest, c.highest) and c.widest_gap_s <= rule.max_gap_s for c in cluster)


def _loaded(cluster: Iterable[Chunk], load: Load) -> tuple[Floats, Floats]:
    """Readings of chunks in order of time. Those of one instant keep their order within a chunk; of several chunks, the
    lower ones come first: neither depends on which other readings are in the same chunk."""
    read = [
        _sorted(np.asarray(times, np.float64), np.asarray(values, np.float64))
        for times, values in (load(chunk.key) for chunk in cluster)
    ]
    if len(read) == 1:
        return read[0]
    times, values = (np.concatenate(side) for side in zip(*read, strict=True))
    first = np.concatenate([v[np.searchsorted(t, t, "left")] for t, v in read])
    last = np.concatenate([v[np.searchsorted(t, t, "right") - 1] for t, v in read])
    order = np.lexsort((last, first, times))
    return times[order], values[order]


def _sorted(times: Floats, values: Floats) -> tuple[Floats, Floats]:
    """In order of time, without what is no reading; readings of one instant keep their order."""
    present = ~np.isnan(values)
    times, values = times[present], values[present]
    order = np.argsort(times, kind="stable")
    return times[order], values[order]


def _clipped(times: Floats, values: Floats, window: PairS) -> tuple[Floats, Floats]:
    here = slice(*(int(i) for i in (np.searchsorted(times, window[0]), np.searchsorted(times, window[1], "right"))))
    return times[here], values[here]


def _bridged(spoken: Iterable[PairS], max_gap_s: float) -> list[PairS]:
    """The stretches by time, those no further apart than ``max_gap_s`` as one."""
    ordered = sorted(spoken)
    if not ordered:
        return []
    found = [ordered[0]]
    for begin_s, end_s in ordered[1:]:
        if begin_s - found[-1][1] <= max_gap_s:
            found[-1] = (found[-1][0], max(found[-1][1], end_s))
        else:
            found.append((begin_s, end_s))
    return found
