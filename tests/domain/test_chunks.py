"""Readings as bytes: nothing is lost, and what stands beside a chunk is true of what is in it."""

import math
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain import chunks, errors
from shipsvc.domain.chunks import FLOATS
from shipsvc.domain.quantities import Line, conversion

START_US = 1_741_594_200_000_000


def told(values: list[float], step_us: int = 600_000_000) -> tuple[chunks.Ints, chunks.Floats]:
    """Readings at even steps."""
    return np.arange(len(values), dtype=np.int64) * step_us + START_US, np.array(values)


@given(
    st.lists(st.decimals(-300, 30_000, places=3), min_size=1, max_size=60),
    st.lists(st.integers(0, 10**15), min_size=1, max_size=60),
)
def test_what_was_written_comes_back(figures: list[object], times: list[int]) -> None:
    """Any decimals and any times, to the last digit: the same floats as Python reads from the text (IEEE 754)."""
    size = min(len(figures), len(times))
    values = np.array([float(str(figure)) for figure in figures[:size]])
    times_us = np.array(sorted(times)[:size], dtype=np.int64)
    back_us, back = chunks.decode(chunks.encode(times_us, values, max(3, chunks.digits_of(values))))
    assert back_us.tolist() == times_us.tolist()
    assert back.tolist() == values.tolist()


@given(st.lists(st.floats(allow_infinity=False, allow_nan=True), min_size=1, max_size=60))
def test_any_float_comes_back(values: list[float]) -> None:
    """Floats that no ten digits hold are kept as they are, and what is no reading stays none."""
    times_us, figures = told(values)
    digits = chunks.digits_of(figures)
    _, back = chunks.decode(chunks.encode(times_us, figures, digits))
    assert np.array_equal(back, figures, equal_nan=True)


def test_digits() -> None:
    """As many digits as are needed, none for whole numbers, and plain floats for what has no few digits."""
    assert [chunks.digits_of(np.array([v])) for v in (20.0, 20.5, 20.13, math.nan, 1 / 3, 1e300)] == [
        *(0, 1, 2, 0),
        *(FLOATS, FLOATS),
    ]


def test_a_month_of_minutes_is_small() -> None:
    """65 536 readings of a slow wave with noise, at hundredths, take under 1.4 bytes each: numpy's own generator."""
    noise = np.random.default_rng(7)
    steps = np.arange(chunks.CHUNK_READINGS)
    values = np.round(20 + 3 * np.sin(steps / 700) + noise.normal(0, 0.05, steps.size), 2)
    data = chunks.encode(*told(values.tolist(), 60_000_000), 2)
    assert len(data) < 1.4 * steps.size
    assert chunks.decode(data)[1].tolist() == values.tolist()


def test_what_stands_beside_a_chunk() -> None:
    """Lowest and highest in the canonical unit, the widest gap between readings that are numbers, and their count."""
    times_us = np.array([0, 60, 120, 600, 660], np.int64) * 1_000_000
    values = np.array([5.0, math.nan, 14.0, 23.0, math.nan])
    found = chunks.summary(times_us, values, conversion("temperature", "[degF]"))
    assert (found.readings, found.lowest, found.highest, found.widest_gap_s) == (3, -15.0, -5.0, 480.0)
    nothing = chunks.summary(times_us, np.full(5, math.nan), Line())
    assert (nothing.readings, nothing.lowest, nothing.highest, nothing.widest_gap_s) == (0, None, None, 0.0)


def test_readings_out_of_order() -> None:
    """They are put in order by time; of one instant, as they came."""
    times_us, values = chunks.in_order(np.array([3, 1, 3, 2], np.int64), np.array([30.0, 10.0, 31.0, 20.0]))
    assert times_us.tolist() == [1, 2, 3, 3]
    assert values.tolist() == [10.0, 20.0, 30.0, 31.0]
    with pytest.raises(errors.Malformed, match="in order"):
        chunks.encode(np.array([2, 1], np.int64), np.array([1.0, 2.0]), 0)


@pytest.mark.parametrize("data", [b"", b"junk", zlib.compress(b"short"), zlib.compress(bytes(60))])
def test_other_bytes_are_no_chunk(data: bytes) -> None:
    """What was not written here is refused, not guessed at."""
    with pytest.raises(errors.Malformed):
        chunks.decode(data)


def test_a_value_without_bound() -> None:
    """Infinity is no reading of anything."""
    with pytest.raises(errors.Malformed, match="infinite"):
        chunks.encode(*told([1.0, math.inf]), 0)
