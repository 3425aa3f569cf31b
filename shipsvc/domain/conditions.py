"""Readings against limits: how long outside, how long unknown, and the mean kinetic temperature.

Rules that hold for all functions here. Times are seconds on any one clock. Readings may come in any order; they are
sorted, and readings of one instant keep the order they came in (a step). A reading that is NaN or None is no reading.
Between two neighbouring readings no further apart than ``max_gap_s`` the value runs in a straight line (no standard
prescribes it; said here so that it can be checked); further apart, it is unknown. Outside is strictly beyond a limit.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shipsvc.domain.errors import Malformed

KELVIN_OFFSET = 273.15

_Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Outside:
    """Time beyond the limits and time not covered, in s; ``area`` is the excess over time, in value units times s.

    What lies before the first and after the last reading is not counted at all: only the caller knows the window.
    """

    out_s: float
    unknown_s: float
    area: float

    @property
    def at_least_s(self) -> float:
        """Seconds that were certainly outside."""
        return self.out_s

    @property
    def at_most_s(self) -> float:
        """Seconds outside if everything unknown was outside too; decisions go by this one."""
        return self.out_s + self.unknown_s


@dataclass(frozen=True, slots=True)
class Stretch:
    """One unbroken stretch outside a limit: begin and end in s, how many readings lay outside, the one furthest out,
    and the area between the line and the limit in value units times s."""

    begin_s: float
    end_s: float
    readings: int
    peak: float
    area: float


def time_outside(
    times_s: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    max_gap_s: float,
) -> Outside:
    """Seconds below ``lower`` or above ``upper``, seconds unknown, and the area between the line and the limit.

    A reading equal to a limit is inside. One reading, or none, spans no time and gives zeros.

    Raises:
        Malformed: lengths differ, a time or limit is not a number, a value is infinite, ``lower`` is above ``upper``,
            or ``max_gap_s`` is negative. ``math.inf`` is allowed for ``max_gap_s``: nothing is unknown then.
    """
    _require_limits(lower, upper)
    times, readings = _readings(times_s, values)
    steps_s = np.diff(times)
    known_s = np.where(_known(steps_s, max_gap_s), steps_s, 0.0)
    out_s = area = 0.0
    for excess in _excesses(readings, lower, upper):
        beyond_s, beyond_area = _beyond(known_s, excess[:-1], excess[1:])
        out_s += beyond_s
        area += beyond_area
    return Outside(out_s, float((steps_s - known_s).sum()), area)


def stretches_outside(
    times_s: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    max_gap_s: float,
) -> list[Stretch]:
    """The stretches that ``time_outside`` adds up, by begin; a stretch ends where coverage ends.

    A reading outside that has a gap on both sides is a stretch of no length: nothing is known of how long it lasted.

    Raises:
        Malformed: as ``time_outside``.
    """
    _require_limits(lower, upper)
    times, readings = _readings(times_s, values)
    known = _known(np.diff(times), max_gap_s)
    excesses = _excesses(readings, lower, upper)
    found = [stretch for excess in excesses for stretch in _stretches(times, readings, excess, known)]
    return sorted(found, key=lambda stretch: stretch.begin_s)


def covered(times_s: npt.ArrayLike, *, max_gap_s: float) -> list[tuple[float, float]]:
    """The stretches (begin, end) in s over which no two neighbouring readings are further apart than ``max_gap_s``.

    Raises:
        Malformed: a time is not a number or ``max_gap_s`` is negative.
    """
    times = np.atleast_1d(_floats("times", times_s))
    times, _ = _readings(times, np.zeros_like(times))
    if not times.size:
        return []
    breaks = np.flatnonzero(~_known(np.diff(times), max_gap_s))
    begins, ends = np.r_[0, breaks + 1], np.r_[breaks, times.size - 1]
    return [(float(begin), float(end)) for begin, end in zip(times[begins], times[ends], strict=True)]


def mean_kinetic_temperature(
    times_s: npt.ArrayLike, celsius: npt.ArrayLike, delta_h_over_r_k: float = 10_000.0
) -> float:
    """The one temperature in °C that would have done as much as the readings did, weighted by time.

    USP <1160>: T = (dH/R) / -ln(mean of exp(-dH/(R T))), the mean taken by the trapezoid rule over time; 83.144 kJ/mol
    over R is 10 000 K. Readings of no duration (one reading, or all of one instant) count alike. Gaps are bridged:
    report the coverage beside it. Never use it as a pass or fail rule, nor for humidity, gas or shock.

    Raises:
        Malformed: no reading, lengths differ, a time is not a number, a temperature is infinite or not above
            -273.15 °C, or ``delta_h_over_r_k`` is not above 0.
    """
    times, temperatures = _readings(times_s, celsius)
    _require(times.size > 0, "a mean kinetic temperature needs at least one reading")
    _require(bool((temperatures > -KELVIN_OFFSET).all()), "temperatures must be above -273.15 °C")
    _require(0 < delta_h_over_r_k < math.inf, "delta_h_over_r_k must be above 0 K")
    exponents = -delta_h_over_r_k / (temperatures + KELVIN_OFFSET)
    # Taken out before exp: at a few kelvin every term would underflow to 0 and leave no logarithm.
    largest = float(exponents.max())
    mean = float(np.average(np.exp(exponents - largest), weights=_trapezoid_weights(times)))
    return delta_h_over_r_k / -(largest + math.log(mean)) - KELVIN_OFFSET


def _trapezoid_weights(times: _Floats) -> _Floats:
    """Half of each step to the readings at its ends; equal weights where no time passes."""
    if times[-1] == times[0]:
        return np.ones_like(times)
    half_steps = np.diff(times) / 2
    weights = np.zeros_like(times)
    weights[:-1] += half_steps
    weights[1:] += half_steps
    return weights


def _readings(times_s: npt.ArrayLike, values: npt.ArrayLike) -> tuple[_Floats, _Floats]:
    """Both as flat arrays, by time, without what is no reading."""
    times, readings = np.atleast_1d(_floats("times", times_s)), np.atleast_1d(_floats("values", values))
    _require(times.ndim == 1 and times.shape == readings.shape, "there must be one value for each time")
    _require(bool(np.isfinite(times).all()), "every time must be a number")
    _require(not np.isinf(readings).any(), "a value must not be infinite; leave out what was not read")
    present = ~np.isnan(readings)
    if not present.all():
        times, readings = times[present], readings[present]
    if (np.diff(times) < 0).any():
        order = np.argsort(times, kind="stable")
        times, readings = times[order], readings[order]
    return times, readings


def _floats(what: str, figures: npt.ArrayLike) -> _Floats:
    try:
        return np.asarray(figures, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise Malformed(why=f"{what} must be numbers") from error


def _require_limits(lower: float | None, upper: float | None) -> None:
    given = [limit for limit in (lower, upper) if limit is not None]
    _require(not any(map(math.isnan, given)), "a limit must be a number")
    _require(given == sorted(given), "the lower limit must not be above the upper one")


def _known(steps_s: _Floats, max_gap_s: float) -> npt.NDArray[np.bool_]:
    _require(max_gap_s >= 0, "max_gap_s must be a number from 0 on")
    return np.asarray(steps_s <= max_gap_s)


def _excesses(readings: _Floats, lower: float | None, upper: float | None) -> list[_Floats]:
    """How far each reading lies beyond each limit that is set; negative inside.

    The two limits are treated one after the other: as ``lower`` is not above ``upper``, no instant is beyond both.
    """
    return ([] if upper is None else [readings - upper]) + ([] if lower is None else [lower - readings])


def _beyond(steps_s: _Floats, left: _Floats, right: _Floats) -> tuple[float, float]:
    """Time and area above zero of straight lines from ``left`` to ``right``.

    The share of a step above zero is (l+ + r+) / (|l| + |r|), with l+ the part of l above zero: 1 if both ends are not
    below, the similar triangles' share if one is. Lines with no end above zero are left out: most, in a good file.
    """
    touched = (left > 0) | (right > 0)
    steps_s, left, right = steps_s[touched], left[touched], right[touched]
    positive = np.maximum(left, 0) + np.maximum(right, 0)
    beyond_s = steps_s * (positive / (np.abs(left) + np.abs(right)))
    return float(beyond_s.sum()), float(beyond_s @ positive) / 2


def _runs(excess: _Floats, known: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """First and last indexes of the runs of readings outside, cut where coverage is missing."""
    outside = excess > 0
    joined = outside[:-1] & outside[1:] & known
    begins = np.flatnonzero(outside & ~np.r_[False, joined][: outside.size])
    ends = np.flatnonzero(outside & ~np.r_[joined, False][: outside.size])
    return begins, ends


def _stretches(times: _Floats, readings: _Floats, excess: _Floats, known: npt.NDArray[np.bool_]) -> list[Stretch]:
    """The runs of readings outside one limit, each drawn out to where the line crosses it."""
    first, last = _runs(excess, known)
    if not first.size:
        return []
    lead_s = _drawn_out(times, excess, known, first, -1)
    tail_s = _drawn_out(times, excess, known, last, +1)
    trapezoids = np.r_[0.0, np.cumsum(np.diff(times) * (excess[:-1] + excess[1:]) / 2)]
    areas = trapezoids[last] - trapezoids[first] + (lead_s * excess[first] + tail_s * excess[last]) / 2
    peaks = [begin + int(np.argmax(excess[begin : end + 1])) for begin, end in zip(first, last, strict=True)]
    columns = times[first] - lead_s, times[last] + tail_s, last - first + 1, readings[peaks], areas
    return [Stretch(*figures) for figures in zip(*(column.tolist() for column in columns), strict=True)]


def _drawn_out(
    times: _Floats, excess: _Floats, known: npt.NDArray[np.bool_], ends: npt.NDArray[np.intp], way: int
) -> _Floats:
    """How long the line runs on beyond the readings at ``ends``, towards the next reading (+1) or the last (-1)."""
    beyond, step = ends + way, ends if way > 0 else ends - 1
    inside = (beyond >= 0) & (beyond < times.size)
    beyond, step = np.where(inside, beyond, ends), np.where(inside, step, 0)
    drop = excess[ends] - excess[beyond]
    runs_on = inside & (drop > 0) & (known[step] if known.size else False)
    steps_s = np.abs(times[beyond] - times[ends])
    return np.where(runs_on, steps_s * excess[ends] / np.where(runs_on, drop, 1.0), 0.0)


def _require(holds: bool, why: str) -> None:
    """Refuse what cannot be computed; a comparison with NaN is false, so NaN is refused as well."""
    if not holds:
        raise Malformed(why=why)
