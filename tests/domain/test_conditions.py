"""Time outside limits and mean kinetic temperature, against worked examples."""

import math
import time

import numpy as np
import pytest

from shipsvc.domain.conditions import (
    Outside,
    Stretch,
    covered,
    mean_kinetic_temperature,
    stretches_outside,
    time_outside,
)
from shipsvc.domain.errors import Malformed

HOUR_S = 3600
#: A ten-minute series, worked by hand and by grid integration.
TEN_MINUTES = [0, 600, 1200, 1800, 2400, 3000, 3600]
CELSIUS = [5, 7, 9, 12, 8.5, 4, 5]
#: Three readings of a step each: 20 °C for 2 h, 2 °C for 4 h, 25 °C for 1 h.
STEP_TIMES = [0, 2 * HOUR_S, 2 * HOUR_S, 6 * HOUR_S, 6 * HOUR_S, 7 * HOUR_S]
STEP_CELSIUS = [20, 20, 2, 2, 25, 25]


def test_time_and_area_above_a_limit() -> None:
    """By hand: above 8 °C for 1566.667 s and 50.2778 °C min; sample-and-hold would say 1800 s."""
    got = time_outside(TEN_MINUTES, CELSIUS, upper=8, max_gap_s=900)

    assert got.out_s == pytest.approx(1566.667, abs=5e-4)
    assert got.area / 60 == pytest.approx(50.2778, abs=5e-5)
    assert got.unknown_s == 0


def test_time_below_a_limit_is_the_mirror_image() -> None:
    """The same series turned over gives the same figures for the lower limit."""
    mirrored = time_outside(TEN_MINUTES, [-c for c in CELSIUS], lower=-8, max_gap_s=900)

    assert mirrored == time_outside(TEN_MINUTES, CELSIUS, upper=8, max_gap_s=900)


@pytest.mark.parametrize(
    ("values", "out_s"),
    [
        ([7, 8, 8, 7], 0),  # strictly above: a touch and a stay at the limit are inside (worked example)
        ([7, 9, 9, 7], 1200),
        ([7, 8, 9, 8], 1200),  # 20 min at 10-minute spacing (worked example)
        ([8, 8, 8, 8], 0),
        ([9, 9, 9, 9], 1800),
    ],
)
def test_a_reading_equal_to_the_limit_is_inside(values: list[float], out_s: float) -> None:
    """The limit itself belongs to the inside."""
    assert time_outside([0, 600, 1200, 1800], values, upper=8, max_gap_s=600).out_s == out_s


def test_a_gap_is_neither_in_nor_out() -> None:
    """Worked example: limit 8, max gap 900 s: 15 min out, 70 min unknown, at most 85 min."""
    got = time_outside([0, 600, 1200, 5400, 6000], [5, 9, 9, 9, 5], upper=8, max_gap_s=900)

    assert (got.out_s, got.unknown_s) == (15 * 60, 70 * 60)
    assert (got.at_least_s, got.at_most_s) == (15 * 60, 85 * 60)


@pytest.mark.parametrize(("max_gap_s", "unknown_s"), [(599, 600), (600, 0), (math.inf, 0), (0, 600)])
def test_a_step_of_just_the_largest_gap_is_known(max_gap_s: float, unknown_s: float) -> None:
    """Unknown means further apart than, not as far as."""
    assert time_outside([0, 600], [5, 5], upper=8, max_gap_s=max_gap_s).unknown_s == unknown_s


def test_both_limits_at_once() -> None:
    """From 30 to 0 °C in 30 min, limits 15 and 25: 5 min above, 15 min below, by similar triangles."""
    got = time_outside([0, 1800], [30, 0], lower=15, upper=25, max_gap_s=1800)

    assert got.out_s == pytest.approx(20 * 60)
    assert got.area == pytest.approx(5 * 60 * 5 / 2 + 15 * 60 * 15 / 2)


def test_a_band_of_no_width_has_an_inside() -> None:
    """With both limits at 8, only a stay at exactly 8 is inside."""
    assert time_outside([0, 600, 1200], [8, 8, 9], lower=8, upper=8, max_gap_s=600).out_s == 600


def test_no_limit_and_no_readings_give_nothing() -> None:
    """One reading spans no time, and without a limit nothing is outside."""
    nothing = Outside(0.0, 0.0, 0.0)

    assert time_outside([], [], upper=8, max_gap_s=900) == nothing
    assert time_outside([5], [99], upper=8, max_gap_s=900) == nothing
    assert time_outside(TEN_MINUTES, CELSIUS, max_gap_s=900) == nothing


def test_a_missing_reading_is_no_reading() -> None:
    """NaN or None lengthens the step to the next reading, and so may make it unknown."""
    for missing in (math.nan, None):
        values = [5, missing, 5]
        assert time_outside([0, 600, 1200], values, upper=8, max_gap_s=900).unknown_s == 1200  # type: ignore[arg-type]  # None is what a program may send
        assert time_outside([0, 600, 1200], values, upper=8, max_gap_s=1200).unknown_s == 0  # type: ignore[arg-type]  # as above


def test_readings_in_any_order_are_sorted() -> None:
    """A file told backwards says the same."""
    backwards = time_outside(TEN_MINUTES[::-1], CELSIUS[::-1], upper=8, max_gap_s=900)

    assert backwards == time_outside(TEN_MINUTES, CELSIUS, upper=8, max_gap_s=900)


def test_two_readings_of_one_instant_are_a_step() -> None:
    """20 °C for 2 h, 2 °C for 4 h, 25 °C for 1 h: 3 h above 8 °C, and nothing in the jumps."""
    assert time_outside(STEP_TIMES, STEP_CELSIUS, upper=8, max_gap_s=4 * HOUR_S).out_s == 3 * HOUR_S


def test_sorting_keeps_the_order_within_an_instant() -> None:
    """A saw of 1000 jumps from 0 to 20, told in scrambled order: above 10 for half of each of the 999 teeth."""
    scrambled = np.repeat(np.arange(1000) * 387 % 1000 * 60.0, 2)

    got = time_outside(scrambled, np.tile([0.0, 20.0], 1000), upper=10, max_gap_s=60)

    assert got.out_s == pytest.approx(999 * 30)


@pytest.mark.parametrize(
    ("times", "values", "limits"),
    [
        ([0, 1], [1], {"upper": 1}),
        ([0, math.nan], [1, 1], {"upper": 1}),
        ([0, math.inf], [1, 1], {"upper": 1}),
        ([0, 1], [1, math.inf], {"upper": 1}),
        ([0, 1], [1, 1], {"upper": math.nan}),
        ([0, 1], [1, 1], {"lower": 2, "upper": 1}),
        ([0, 1], [1, 1], {"upper": 1, "max_gap_s": -1}),
        ([0, 1], [1, 1], {"upper": 1, "max_gap_s": math.nan}),
        ([[0, 1]], [[1, 1]], {"upper": 1}),
        ([0, 1], ["warm", "cold"], {"upper": 1}),
    ],
)
def test_what_cannot_be_measured_is_refused(times: list[float], values: list[float], limits: dict[str, float]) -> None:
    """A wrong file or limit is refused and not half computed."""
    with pytest.raises(Malformed):
        time_outside(times, values, **{"max_gap_s": 900.0, **limits})


def test_a_million_readings_take_well_under_a_second() -> None:
    """A year of readings at half a minute: 10^6, in one vectorised pass."""
    times = np.arange(1_000_000) * 30.0
    values = 20 + 6 * np.sin(times / 40_000)

    began = time.perf_counter()
    got = time_outside(times, values, lower=15, upper=25, max_gap_s=90)
    took_s = time.perf_counter() - began

    # A sine of amplitude 6 is beyond +-5 for acos(5/6) / (pi / 2) of the time, up to the unfinished last wave.
    assert got.out_s / 30e6 == pytest.approx(math.acos(5 / 6) / (math.pi / 2), abs=0.005)
    assert took_s < 1


def test_stretches_run_from_crossing_to_crossing() -> None:
    """The worked ten-minute series is outside once: from 900 s to 2466.667 s, three readings, peak 12 °C."""
    (stretch,) = stretches_outside(TEN_MINUTES, CELSIUS, upper=8, max_gap_s=900)

    assert (stretch.begin_s, stretch.readings, stretch.peak) == (900, 3, 12)
    assert stretch.end_s == pytest.approx(2466.667, abs=5e-4)


def test_stretches_of_both_limits_come_in_order_of_time() -> None:
    """Too cold, then too warm, then across a gap: three stretches, the last with nothing known around it."""
    times = [0, 600, 1200, 1800, 9000]
    got = stretches_outside(times, [10, 20, 30, 20, 31], lower=15, upper=25, max_gap_s=600)

    triangles = [300 * 5 / 2, 600 * 5 / 2, 0]
    assert got == [
        Stretch(0, 300, 1, 10, triangles[0]),
        Stretch(900, 1500, 1, 30, triangles[1]),
        Stretch(9000, 9000, 1, 31, triangles[2]),
    ]


def test_no_stretches_where_nothing_is_outside() -> None:
    """Neither for no readings, nor for one inside; one outside has no length."""
    assert stretches_outside([], [], upper=8, max_gap_s=900) == []
    assert stretches_outside([0], [8], upper=8, max_gap_s=900) == []
    assert stretches_outside([0], [9], upper=8, max_gap_s=900) == [Stretch(0, 0, 1, 9, 0)]


def test_coverage_breaks_at_a_gap() -> None:
    """The worked gap example is covered from 0 to 1200 s and from 5400 to 6000 s."""
    assert covered([0, 600, 1200, 5400, 6000], max_gap_s=900) == [(0, 1200), (5400, 6000)]
    assert covered([6000, 0], max_gap_s=900) == [(0, 0), (6000, 6000)]
    assert covered([], max_gap_s=900) == []


@pytest.mark.parametrize(
    ("delta_h_over_r_k", "celsius"),
    [
        (10_000.0, 15.6776),  # published as 15.7 °C for 7 hours; recomputed to four places
        (60e3 / 8.314472, 14.337),
        (100e3 / 8.314472, 16.499),
    ],
)
def test_the_worked_mean_kinetic_temperature(delta_h_over_r_k: float, celsius: float) -> None:
    """20 °C for 2 h, 2 °C for 4 h, 25 °C for 1 h; without weights it would be 19.6 °C."""
    got = mean_kinetic_temperature(STEP_TIMES, STEP_CELSIUS, delta_h_over_r_k)

    assert got == pytest.approx(celsius, abs=5.1e-4)


def test_the_constant_of_usp_1160() -> None:
    """83.144 kJ/mol over 8.3144e-3 kJ/(K mol) is the default of 10 000 K."""
    assert mean_kinetic_temperature(STEP_TIMES, STEP_CELSIUS) == pytest.approx(
        mean_kinetic_temperature(STEP_TIMES, STEP_CELSIUS, 83.144 / 8.3144e-3), abs=1e-9
    )


def test_readings_without_duration_count_alike() -> None:
    """The unweighted form of USP <1160>: the three readings give 19.6475 °C; one reading is its own mean."""
    assert mean_kinetic_temperature([7, 7, 7], [20, 2, 25]) == pytest.approx(19.6475, abs=5e-4)
    assert mean_kinetic_temperature([7], [-20]) == pytest.approx(-20, abs=1e-9)


def test_a_split_at_a_reading_changes_nothing() -> None:
    """A reading added inside a constant stretch carries no news."""
    split = mean_kinetic_temperature([*STEP_TIMES[:3], 3 * HOUR_S, *STEP_TIMES[3:]], [*STEP_CELSIUS[:3], 2, 2, 25, 25])

    assert split == pytest.approx(mean_kinetic_temperature(STEP_TIMES, STEP_CELSIUS), abs=1e-9)


def test_the_deep_cold_does_not_underflow() -> None:
    """At 4 K exp(-2500) is 0 in a double; the mean of 4 K and 4 K is still 4 K."""
    assert mean_kinetic_temperature([0, 60], [-269.15, -269.15]) == pytest.approx(-269.15, abs=1e-9)


@pytest.mark.parametrize(
    ("times", "celsius", "delta_h_over_r_k"),
    [
        ([], [], 10_000),
        ([0], [math.nan], 10_000),
        ([0, 1], [20], 10_000),
        ([0, 1], [20, -273.15], 10_000),
        ([0, 1], [20, math.inf], 10_000),
        ([math.nan, 1], [20, 20], 10_000),
        ([0, 1], [20, 20], 0),
        ([0, 1], [20, 20], math.nan),
    ],
)
def test_no_mean_of_nothing(times: list[float], celsius: list[float], delta_h_over_r_k: float) -> None:
    """Without a reading, a temperature or an energy there is no figure."""
    with pytest.raises(Malformed):
        mean_kinetic_temperature(times, celsius, delta_h_over_r_k)
