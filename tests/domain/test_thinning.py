"""Series for plots: short, and without losing an extreme."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain.errors import Malformed
from shipsvc.domain.thinning import Thinned

readings = st.lists(st.tuples(st.integers(-5, 105), st.floats(-1e6, 1e6)), max_size=80)


@given(readings, st.integers(1, 12), st.integers(1, 5))
def test_no_extreme_is_lost(told: list[tuple[int, float]], pixels: int, pieces: int) -> None:
    """Against a plain loop: of every pixel the lowest and the highest reading are there, and no point is invented."""
    thinned = Thinned(0.0, 100.0, pixels)
    for n in range(pieces):
        part = told[n::pieces]
        thinned.add(np.array([float(t) for t, _ in part]), np.array([v for _, v in part]))
    times_s, values = thinned.points()
    points = list(zip(times_s.tolist(), values.tolist(), strict=True))
    inside = [(float(t), v) for t, v in told if 0 <= t <= 100]
    assert thinned.readings == len(inside)
    assert points == sorted(points)
    assert set(points) <= set(inside)
    for pixel in range(pixels):
        mine = [v for t, v in inside if min(int(t / (100 / pixels)), pixels - 1) == pixel]
        kept = [v for t, v in points if min(int(t / (100 / pixels)), pixels - 1) == pixel]
        assert (min(mine, default=None), max(mine, default=None)) == (min(kept, default=None), max(kept, default=None))
        assert len(kept) <= 2


def test_a_spike_of_a_million() -> None:
    """One reading out of a million stands out in two hundred points."""
    n = 1_000_000
    values = np.zeros(n)
    values[617_283] = 40.0
    thinned = Thinned(0.0, float(n), 100)
    thinned.add(np.arange(n, dtype=np.float64), values)
    times_s, kept = thinned.points()
    assert len(times_s) <= 200
    assert times_s[kept == 40.0].tolist() == [617_283.0]


def test_what_is_no_reading_and_no_window() -> None:
    """NaN counts for nothing; a window that ends before it begins is refused; an instant is a window."""
    thinned = Thinned(5.0, 5.0, 3)
    thinned.add(np.array([5.0, 5.0]), np.array([np.nan, 2.0]))
    assert (thinned.readings, thinned.points()[1].tolist()) == (1, [2.0])
    with pytest.raises(Malformed):
        Thinned(5.0, 4.0, 3)
