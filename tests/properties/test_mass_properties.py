"""What holds for every mass, every air, every row of weighings and every logger file."""

import math
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from shipsvc.domain.conditions import covered, mean_kinetic_temperature, stretches_outside, time_outside
from shipsvc.domain.mass import MASS_NG_MAX, POWER_OF_UNIT, Mass, air_density
from shipsvc.domain.verdicts import Verdict, compare, cumulative_sum, telescoped

masses_ng = st.integers(-MASS_NG_MAX, MASS_NG_MAX)
units = st.sampled_from(sorted(POWER_OF_UNIT))
#: Whole tenths, so that additions of times are exact and a failure is never a matter of rounding alone.
readings = st.lists(
    st.tuples(st.integers(0, 5000), st.integers(-300, 300).map(lambda tenths: tenths / 10)), min_size=2, max_size=25
).map(sorted)
gaps_s = st.integers(0, 3000)


@given(masses_ng, units)
def test_every_mass_is_read_back_from_every_unit(ng: int, unit: str) -> None:
    """Writing and reading lose nothing."""
    assert Mass.parse(Mass(ng).format(unit)) == Mass(ng)


@given(masses_ng, units)
def test_decimal_arithmetic_agrees(ng: int, unit: str) -> None:
    """The standard library's Decimal, with room for all digits, gives the same figure."""
    with localcontext(prec=60):
        assert Decimal(Mass(ng).digits(unit)) == Decimal(ng).scaleb(-POWER_OF_UNIT[unit])


@given(st.floats(15, 27), st.floats(90_000, 110_000), st.floats(0.2, 0.8))
def test_the_approximate_formula_of_oiml_r_111_agrees(celsius: float, pressure_pa: float, humidity: float) -> None:
    """OIML R 111-1, E.3-1: within 2e-4 of CIPM for 900-1100 hPa, 10-30 °C, under 80 %; 1e-4 more for CIPM-2007."""
    humidity_percent, pressure_hpa = 100 * humidity, pressure_pa / 100
    vapour = 0.009 * humidity_percent * math.exp(0.061 * celsius)
    approximate = (0.34848 * pressure_hpa - vapour) / (273.15 + celsius)

    assert air_density(celsius, pressure_pa, humidity) == pytest.approx(approximate, rel=3e-4)


@given(st.lists(st.integers(0, 10**9), min_size=2, max_size=8), st.data())
def test_steps_add_up_to_the_telescoped_difference(weighed: list[int], data: st.DataObject) -> None:
    """The package ``uncertainties``, which knows shared weighings by identity, sums the steps to the same figures."""
    taken = data.draw(st.lists(st.integers(0, 10**8), min_size=len(weighed) - 1, max_size=len(weighed) - 1))
    rests = [ufloat(ng, 200_000) for ng in weighed]
    takes = [ufloat(ng, 28_000) for ng in taken]
    total = sum(after - (before - take) for before, after, take in zip(rests, rests[1:], takes, strict=False))

    got = telescoped((weighed[0], 200_000), (weighed[-1], 200_000), [(ng, 28_000) for ng in taken])

    assert got.difference_ng == total.nominal_value
    assert got.u_ng == pytest.approx(total.std_dev, rel=1e-9)


@given(st.integers(0, 10**12), st.integers(0, 10**12), st.integers(0, 10**6), st.booleans())
def test_every_comparison_has_a_verdict_that_fits_its_sign(
    expected_ng: int, observed_ng: int, u_ng: int, estimated: bool
) -> None:
    """A loss is never called a gain, and an estimate is never given a green tick."""
    result = compare(expected_ng, observed_ng, u_ng, estimated=estimated)

    assert result.difference_ng == observed_ng - expected_ng
    if estimated:
        assert result.verdict in {Verdict.CANNOT_BE_CONFIRMED, Verdict.LIKELY_SLIP}
    if result.verdict in {Verdict.UNEXPLAINED_LOSS, Verdict.LOSS_WITHIN_ALLOWANCE}:
        assert result.difference_ng < 0
    if result.verdict in {Verdict.UNEXPLAINED_GAIN, Verdict.LIKELY_WATER}:
        assert result.difference_ng > 0


@given(st.lists(st.integers(-50, 50), max_size=30), st.integers(0, 5), st.integers(0, 40))
def test_a_cumulative_sum_is_the_largest_tail(values: list[int], k: int, h: int) -> None:
    """By another road: a one-sided sum is the greatest sum of any run that ends at the value, or 0 (Page 1954)."""
    got = cumulative_sum(values, target=0, k=k, h=h)

    tails = [
        (max(0, *(sum(v - k for v in values[i : n + 1]) for i in range(n + 1))),
         max(0, *(sum(-v - k for v in values[i : n + 1]) for i in range(n + 1))))
        for n in range(len(values))
    ]  # fmt: skip
    assert list(zip(got.highs, got.lows, strict=True)) == tails
    assert got.alarms == tuple(n for n, both in enumerate(tails) if max(both) > h)


def _on_a_fine_grid(
    times: list[float], values: list[float], lower: float, upper: float, max_gap_s: float
) -> tuple[float, float, float]:
    """Out, unknown and area by 2000 midpoints a step: slow, simple, nothing in common with the formula under test."""
    out_s = unknown_s = area = 0.0
    shares = (np.arange(2000) + 0.5) / 2000
    for t0, t1, v0, v1 in zip(times, times[1:], values, values[1:], strict=False):
        if t1 - t0 > max_gap_s:
            unknown_s += t1 - t0
            continue
        line = v0 + (v1 - v0) * shares
        out_s += (t1 - t0) * float(np.mean((line > upper) | (line < lower)))
        area += (t1 - t0) * float(np.mean(np.maximum(line - upper, 0) + np.maximum(lower - line, 0)))
    return out_s, unknown_s, area


@given(readings, st.integers(-10, 5), st.integers(0, 10), gaps_s)
def test_a_fine_grid_finds_the_same_time_outside(
    rows: list[tuple[int, float]], lower: int, width: int, max_gap_s: int
) -> None:
    """Naive integration agrees to its own step: 1/2000 of each step a crossing."""
    times, values = [float(t) for t, _ in rows], [v for _, v in rows]
    grid = _on_a_fine_grid(times, values, lower, lower + width, max_gap_s)

    got = time_outside(times, values, lower=lower, upper=lower + width, max_gap_s=max_gap_s)

    span_s = times[-1] - times[0]
    assert got.out_s == pytest.approx(grid[0], abs=2 * span_s / 2000 + 1e-6)
    assert got.unknown_s == grid[1]
    assert got.area == pytest.approx(grid[2], abs=span_s * 60 / 2000 + 1e-6)


@given(readings, gaps_s, st.data())
def test_time_outside_adds_up_over_parts(rows: list[tuple[int, float]], max_gap_s: int, data: st.DataObject) -> None:
    """Cut at any reading that both parts keep, the parts sum to the whole."""
    at = data.draw(st.integers(0, len(rows) - 1))

    def measure(part: list[tuple[int, float]]) -> tuple[float, float, float]:
        got = time_outside([t for t, _ in part], [v for _, v in part], lower=-5, upper=5, max_gap_s=max_gap_s)
        return got.out_s, got.unknown_s, got.area

    sums = [a + b for a, b in zip(measure(rows[: at + 1]), measure(rows[at:]), strict=True)]
    assert sums == pytest.approx(measure(rows), rel=1e-9, abs=1e-6)


@given(readings, gaps_s, st.integers(-30, 30), st.integers(0, 20))
def test_a_wider_limit_never_lengthens_the_time_outside(
    rows: list[tuple[int, float]], max_gap_s: int, upper: int, more: int
) -> None:
    """Monotone in the limit, within the time there is."""
    times, values = [t for t, _ in rows], [v for _, v in rows]
    strict, wide = (time_outside(times, values, upper=u, max_gap_s=max_gap_s) for u in (upper, upper + more))

    assert wide.out_s <= strict.out_s + 1e-6
    assert wide.area <= strict.area + 1e-6
    assert strict.at_most_s <= times[-1] - times[0] + 1e-6


@given(readings, gaps_s, st.data())
def test_leaving_out_a_reading_never_shrinks_the_unknown(
    rows: list[tuple[int, float]], max_gap_s: int, data: st.DataObject
) -> None:
    """Less evidence between the same ends is never more knowledge."""
    inner = data.draw(st.integers(0, max(0, len(rows) - 3))) + 1
    fewer = rows[:inner] + rows[inner + 1 :] if len(rows) > 2 else rows

    unknown = [
        time_outside([t for t, _ in part], [v for _, v in part], upper=5, max_gap_s=max_gap_s).unknown_s
        for part in (rows, fewer)
    ]
    assert unknown[0] <= unknown[1]


@given(readings, gaps_s)
def test_stretches_and_coverage_add_up_to_the_totals(rows: list[tuple[int, float]], max_gap_s: int) -> None:
    """The list of stretches and the totals are two views of one thing."""
    times, values = [t for t, _ in rows], [v for _, v in rows]
    total = time_outside(times, values, lower=-5, upper=5, max_gap_s=max_gap_s)

    stretches = stretches_outside(times, values, lower=-5, upper=5, max_gap_s=max_gap_s)
    spans = covered(times, max_gap_s=max_gap_s)

    assert sum(s.end_s - s.begin_s for s in stretches) == pytest.approx(total.out_s, abs=1e-6)
    assert sum(s.readings for s in stretches) == sum(abs(v) > 5 for v in values)
    assert sum(end - begin for begin, end in spans) + total.unknown_s == times[-1] - times[0]


@given(st.permutations(range(12)))
def test_the_order_of_readings_does_not_matter(order: list[int]) -> None:
    """A logger file may be stitched together in any order."""
    times, values = np.arange(12) * 600.0, np.array([5, 7, 9, 12, 8.5, 4, 5, -3, -9, 2, 20, 8])
    shuffled = time_outside(times[order], values[order], lower=0, upper=8, max_gap_s=900)

    assert shuffled == time_outside(times, values, lower=0, upper=8, max_gap_s=900)


@given(readings)
def test_mean_kinetic_temperature_lies_between_mean_and_maximum(rows: list[tuple[int, float]]) -> None:
    """Jensen's inequality: exp(-dH/RT) is convex in T below dH/2R = 5000 K, so the mean is never above it."""
    times, values = np.array([t for t, _ in rows], float), np.array([v for _, v in rows])
    mkt = mean_kinetic_temperature(times, values)
    span_s = times[-1] - times[0]

    assert values.min() - 1e-9 <= mkt <= values.max() + 1e-9
    if span_s:
        assert mkt >= float(np.trapezoid(values, times)) / span_s - 1e-9


@given(st.floats(-80, 60), st.lists(st.integers(0, 10_000), min_size=1, max_size=20))
def test_a_constant_temperature_is_its_own_kinetic_mean(celsius: float, times: list[int]) -> None:
    """However the time is split, and in whatever order."""
    assert mean_kinetic_temperature(times, [celsius] * len(times)) == pytest.approx(celsius, abs=1e-9)
