"""Excursions and coverage over stored chunks: worked examples, and a simulation second by second as second opinion."""

import math
from collections.abc import Hashable, Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shipsvc.domain.conditions import stretches_outside, time_outside
from shipsvc.domain.readings import Chunk, Excursion, Heard, Rule, Weight, extremes, hear, hear_readings, read_all

ALWAYS = (-math.inf, math.inf)
MINUTE_S = 60.0


def rule(upper: float | None = 8.0, lower: float | None = None, **more: float | int | None) -> Rule:
    """Warmer than 8 is outside; readings every 10 min, gaps from 30 min on."""
    return Rule(lower, upper, **{"max_gap_s": 1800.0, "edge_s": 600.0, **more})  # type: ignore[arg-type]  # names by hand


def stored(*pieces: Sequence[tuple[float, float]]) -> tuple[list[Chunk], dict[Hashable, Sequence[tuple[float, float]]]]:
    """Readings as chunks, and what each holds."""
    chunks = []
    for key, piece in enumerate(pieces):
        times, values = [t for t, _ in piece], [v for _, v in piece]
        widest_s = float(np.diff(times).max()) if len(times) > 1 else 0.0
        chunks.append(Chunk(times[0], times[-1], min(values), max(values), widest_s, key))
    return chunks, dict(enumerate(pieces))


class Store:
    """Chunks, and which of them were read."""

    def __init__(self, *pieces: Sequence[tuple[float, float]]) -> None:
        self.chunks, self.held = stored(*pieces)
        self.read: list[Hashable] = []

    def load(self, key: Hashable) -> tuple[list[float], list[float]]:
        """Read one."""
        self.read.append(key)
        return [t for t, _ in self.held[key]], [v for _, v in self.held[key]]

    def hear(self, told: Rule, window: tuple[float, float] = ALWAYS) -> Heard:
        """What they say."""
        return hear(self.chunks, self.load, told, window)


def whole_of(readings: Sequence[tuple[float, float]], told: Rule) -> Heard:
    """What a series says when all of it is at hand."""
    return hear_readings([t for t, _ in readings], [v for _, v in readings], told, ALWAYS)


def series(*values: float, start: float = 0.0, step: float = 600.0) -> list[tuple[float, float]]:
    """Readings every ten minutes."""
    return [(start + i * step, value) for i, value in enumerate(values)]


def test_an_excursion_runs_from_crossing_to_crossing() -> None:
    """The worked ten-minute series of ``test_conditions``: 900 s to 2466.667 s above 8 °C, 50.2778 °C min."""
    heard = whole_of(series(5, 7, 9, 12, 8.5, 4, 5), rule())

    (found,) = heard.excursions
    assert (found.begin_s, found.readings, found.peak, found.weight) == (900, 3, 12, Weight.CERTAIN)
    assert found.end_s == pytest.approx(2466.667, abs=5e-4)
    assert found.area * 60 == pytest.approx(50.2778, abs=5e-5)
    assert heard.covered == ((0.0, 3600.0),)


@pytest.mark.parametrize(
    ("values", "told", "weight"),
    [
        ((5, 9, 5), rule(), Weight.POSSIBLE),  # one reading outside counts in at most only (rulings 22)
        ((5, 9, 9, 5), rule(), Weight.CERTAIN),
        ((5, 9, 9, 5), rule(least_readings=3), Weight.POSSIBLE),
        ((5, 9, 5), rule(least_readings=1), Weight.CERTAIN),
        ((5, 12, 5), rule(hysteresis=4.0), Weight.CERTAIN),  # so far out that one reading will do
        ((5, 11.9, 5), rule(hysteresis=4.0), Weight.POSSIBLE),
        ((5, 9, 9, 5), rule(spike_allowance_s=1200), Weight.ALLOWED),
        ((5, 9, 9, 9, 5), rule(spike_allowance_s=1200), Weight.CERTAIN),
    ],
)
def test_what_an_excursion_counts_for(values: tuple[float, ...], told: Rule, weight: Weight) -> None:
    """Too few readings count in at most only, unless far out; a spike within the allowance does not count."""
    heard = whole_of(series(*values), told)

    assert [e.weight for e in heard.excursions] == [weight]


def test_a_limit_is_strict_in_chunks_too() -> None:
    """Readings at the limit are inside, and a chunk that touches it need not be read."""
    store = Store(series(5, 8, 8, 5))

    assert store.hear(rule()) == Heard(((0.0, 1800.0),), ())
    assert store.read == []


def test_a_quiet_series_is_not_read() -> None:
    """A hundred chunks within the limits: coverage is joined across them, and nothing is loaded."""
    store = Store(*(series(5, 6, 7, start=i * 1800.0) for i in range(100)))

    assert store.hear(rule()) == Heard(((0.0, 99 * 1800.0 + 1200.0),), ())
    assert store.read == []


def test_only_what_breaches_and_its_neighbours_are_read() -> None:
    """The line comes in from a quiet chunk and runs out into one: 10 min chunks, the third warm at both ends."""
    quiet = [series(6, 6, start=i * 1200.0) for i in range(6)]
    quiet[3] = series(10, 10, start=3600.0)
    store = Store(*quiet)

    heard = store.hear(rule())

    (found,) = heard.excursions
    assert found == Excursion(3300.0, 4500.0, 2, 10.0, found.area, Weight.CERTAIN)
    assert found.area == pytest.approx((600 + 300) * 2 / 3600)
    assert sorted(map(str, store.read)) == ["2", "3", "4"]
    assert heard.covered == ((0.0, 6600.0),)


def test_an_excursion_goes_on_from_chunk_to_chunk() -> None:
    """One stretch over three chunks is one excursion: readings, peak and area are those of the whole."""
    whole = series(5, 9, 9, 10, 11, 9, 9, 5)
    store = Store(whole[:3], whole[3:5], whole[5:])

    assert store.hear(rule()) == whole_of(whole, rule())
    assert len(store.hear(rule()).excursions) == 1


def test_nothing_is_said_across_the_ends_of_a_window() -> None:
    """Rulings 32: readings outside the window say nothing, also not by a line; a late start is not covered."""
    store = Store(series(20, 20, 5, 5, 5, 5, 20, 20))
    window = (
        700.0,
        3500.0,
    )  # between readings: the first inside is 500 s after the start, the last 500 s before the end

    assert store.hear(rule(), window) == Heard((window,), ())
    assert store.hear(rule(edge_s=400.0), window).covered == ((1200.0, 3000.0),)


def test_a_reading_outside_does_not_speak_towards_an_end() -> None:
    """From the last reading outside to the end of the window it may have been either: neither covered nor out."""
    heard = Store(series(5, 5, 9, 9)).hear(rule(), (-300.0, 2100.0))

    assert heard.covered == ((-300.0, 1800.0),)
    assert [(e.begin_s, e.end_s) for e in heard.excursions] == [(1050.0, 1800.0)]


def test_a_window_without_a_reading_is_not_covered() -> None:
    """Between two readings nothing is known, however near they are, if the nest was opened in between."""
    assert Store(series(5, 5, 5)).hear(rule(), (610.0, 1190.0)) == Heard((), ())


def test_files_that_overlap_are_heard_once() -> None:
    """A logger read out twice: the second file begins again at the start, and says the same."""
    whole = series(5, 6, 9, 9, 9, 6, 5, 5)

    twice = Store(whole[:5], whole)

    once = whole_of(whole, rule())
    assert twice.hear(rule()).covered == once.covered
    assert [(e.begin_s, e.end_s, e.peak) for e in twice.hear(rule()).excursions] == [
        (e.begin_s, e.end_s, e.peak) for e in once.excursions
    ]


def test_a_gap_is_not_bridged_by_quiet_chunks() -> None:
    """Two quiet chunks an hour apart leave the hour unknown."""
    assert Store(series(5, 5), series(5, 5, start=4200.0)).hear(rule()).covered == ((0.0, 600.0), (4200.0, 4800.0))


def test_readings_for_a_mean() -> None:
    """All readings of a window, by time, whatever the order of chunks."""
    store = Store(series(3, 4, start=1200.0), series(1, 2))

    times, values = read_all(store.chunks, store.load, (600.0, 1200.0))

    assert (times.tolist(), values.tolist()) == ([600.0, 1200.0], [2.0, 3.0])
    assert [part.size for part in read_all([], store.load, ALWAYS)] == [0, 0]


def test_the_lowest_and_the_highest_of_a_window() -> None:
    """Chunks that lie within it are not opened; one that an end cuts is."""
    store = Store(series(9, 1, 2), series(5, 7, start=1800.0), series(6, 0, start=3000.0))

    assert extremes(store.chunks, store.load, (600.0, 3000.0)) == (1.0, 7.0)
    assert store.read == [0, 2]
    assert extremes(store.chunks, store.load, (5000.0, 6000.0)) is None


# ------------------------------------------------------------------------------------- second by second, as a check
LONGEST_S = 400
READINGS = st.lists(
    st.tuples(st.integers(0, LONGEST_S), st.integers(-40, 40)), min_size=1, max_size=25, unique_by=lambda r: r[0]
).map(sorted)
LOW, HIGH, GAP_S, EDGE_S = -10, 15, 30, 12


def simulated(readings: Sequence[tuple[int, int]], window: tuple[int, int]) -> tuple[set[int], set[int]]:
    """Half seconds covered and out, each looked at by itself in whole numbers, as a person with a ruler would.

    A half second at its middle: value on the line between the readings around it, if near enough.
    """
    inside = [r for r in readings if window[0] <= r[0] <= window[1]]
    spoken, out = set(), set()
    for half in range(2 * window[0], 2 * window[1]):
        twice = half + 0.5  # the middle of the half second, in half seconds
        before = [r for r in inside if 2 * r[0] <= twice]
        after = [r for r in inside if 2 * r[0] >= twice]
        if before and after:
            (t0, v0), (t1, v1) = before[-1], after[0]
            if t1 - t0 <= GAP_S:
                spoken.add(half)
                value = v0 + (v1 - v0) * (twice / 2 - t0) / (t1 - t0)
                if value > HIGH or value < LOW:
                    out.add(half)
        elif inside:
            t, v, end = (*inside[-1], window[1]) if before else (*inside[0], window[0])
            if abs(end - t) <= EDGE_S and LOW <= v <= HIGH:
                spoken.add(half)
    return spoken, out


def seconds(halves: set[int]) -> float:
    """How long they are together."""
    return len(halves) / 2


@settings(max_examples=200)
@given(READINGS, st.integers(0, LONGEST_S), st.integers(0, LONGEST_S), st.lists(st.integers(1, 24), max_size=4))
def test_a_simulation_by_the_second_agrees(
    readings: list[tuple[int, int]], one: int, other: int, cuts: list[int]
) -> None:
    """Random series, cut into random chunks, against half seconds looked at one by one.

    The ends of excursions fall between half seconds, so each may differ by one of them; coverage ends on readings.
    """
    window = (min(one, other), max(one, other))
    bounds = [0, *sorted({c for c in cuts if c < len(readings)}), len(readings)]
    told = Rule(LOW, HIGH, GAP_S, EDGE_S, least_readings=1)

    heard = Store(*(readings[a:b] for a, b in pairwise(bounds))).hear(told, window)
    spoken, out = simulated(readings, window)

    assert sum(end - begin for begin, end in heard.covered) == pytest.approx(seconds(spoken), abs=1e-6)
    lengths = [e.end_s - e.begin_s for e in heard.excursions]
    assert abs(sum(lengths) - seconds(out)) <= 0.5 * (2 * len(lengths) + 1)


@given(READINGS, st.lists(st.integers(1, 24), max_size=5))
def test_chunks_change_nothing(readings: list[tuple[int, int]], cuts: list[int]) -> None:
    """However a series is cut into chunks, what is heard is what is heard of the whole, skipping or not."""
    bounds = [0, *sorted({c for c in cuts if c < len(readings)}), len(readings)]
    told = Rule(LOW, HIGH, GAP_S, EDGE_S)

    heard = Store(*(readings[a:b] for a, b in pairwise(bounds))).hear(told)
    whole = whole_of(readings, told)

    assert heard.covered == whole.covered
    assert [(e.begin_s, e.end_s, e.readings, e.peak, e.weight) for e in heard.excursions] == [
        (e.begin_s, e.end_s, e.readings, e.peak, e.weight) for e in whole.excursions
    ]
    assert [e.area for e in heard.excursions] == pytest.approx([e.area for e in whole.excursions])


@given(READINGS)
def test_the_stretches_add_up(readings: list[tuple[int, int]]) -> None:
    """Length and area of the stretches are together what ``time_outside`` gives for the whole series."""
    times, values = zip(*readings, strict=True)
    stretches = stretches_outside(times, values, lower=LOW, upper=HIGH, max_gap_s=GAP_S)
    whole = time_outside(times, values, lower=LOW, upper=HIGH, max_gap_s=GAP_S)

    assert sum(s.end_s - s.begin_s for s in stretches) == pytest.approx(whole.out_s)
    assert sum(s.area for s in stretches) == pytest.approx(whole.area)


def test_a_single_event_and_a_cumulative_alarm() -> None:
    """WHO PQS E006/TR07, alarms of type II: 45 °C in one event of 1 h, 30 °C for 10 h together, 10 °C for 20 h; going
    back inside ends an event and does not end the sum. Three times 40 min above 45 °C are 2 h, and no event of 1 h.
    """
    times, values = [0.0], [20.0]
    for _ in range(3):
        times += [times[-1] + 600, times[-1] + 600, times[-1] + 3000, times[-1] + 3000]
        values += [20.0, 50.0, 50.0, 20.0]

    heard = hear_readings(times, values, rule(45.0, max_gap_s=3600.0), ALWAYS)

    lengths_h = [(e.end_s - e.begin_s) / 3600 for e in heard.excursions]
    assert max(lengths_h) < 1
    assert sum(lengths_h) == pytest.approx(2)


def test_three_exposures_add_up() -> None:
    """FSANZ 2-hour/4-hour rule: cumulative, every time is added; 50 + 65 + 5 min between 5 and 60 °C are 120 min, which
    is not less than 2 hours."""
    times, values = [0.0], [4.0]
    for minutes in (50, 65, 5):
        times += [times[-1] + 600, times[-1] + 600, times[-1] + 600 + 60 * minutes, times[-1] + 600 + 60 * minutes]
        values += [4.0, 20.0, 20.0, 4.0]

    heard = hear_readings(times, values, rule(5.0, max_gap_s=7200.0), ALWAYS)

    assert [round((e.end_s - e.begin_s) / 60, 6) for e in heard.excursions] == [50, 65, 5]
    assert sum(e.end_s - e.begin_s for e in heard.excursions) / 60 == pytest.approx(120)
