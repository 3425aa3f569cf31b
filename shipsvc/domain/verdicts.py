"""Do two masses agree, and if not, how does one call it?

A difference is always observed minus expected: a loss is negative. (Nuclear accounting uses both signs, so it is said.)
Every ``u`` is a standard uncertainty (k = 1) in the units of the values; r is the difference over it. Where u is 0 the
two figures are exact: r is 0 if they are equal, else plus or minus infinity.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from typing import NamedTuple

from shipsvc.domain.errors import Malformed

AGREES_R_MAX = 2.0
WATCH_R_MAX = 3.0
#: A slip of the decimal point or of the unit makes a difference that no weighing makes.
SLIP_R_MIN = 10.0
SLIP_FACTORS = (10.0, 100.0, 1000.0, 0.1, 0.01, 0.001)
SLIP_SHARE = 0.01
#: However uncertain, a reading must still point at the expected mass rather than at nothing: without this bound an
#: empty vial (0, or next to it) would be "1000 times too small" whenever 3 u * 1000 spans the expected mass.
SLIP_SHARE_MAX = 0.5
SWAP_R_MIN = 3.0
SWAP_IMPROVEMENT = 10.0


class Verdict(StrEnum):
    """What the tool says of a difference. The values are stable: they are stored and sent."""

    AGREES = "agrees"
    WATCH = "watch"
    LOSS_WITHIN_ALLOWANCE = "loss_within_allowance"
    UNEXPLAINED_LOSS = "unexplained_loss"
    LIKELY_WATER = "likely_water"
    UNEXPLAINED_GAIN = "unexplained_gain"
    CANNOT_BE_CONFIRMED = "cannot_be_confirmed"
    LIKELY_SLIP = "likely_slip"


@dataclass(frozen=True, slots=True)
class Comparison:
    """A difference in ng (observed minus expected), its standard uncertainty in ng, their ratio, and its name."""

    difference_ng: int
    u_ng: float
    r: float
    verdict: Verdict


class Telescoped(NamedTuple):
    """A running difference over shared weighings, its standard uncertainty, and their ratio."""

    difference_ng: float
    u_ng: float
    r: float


@dataclass(frozen=True, slots=True)
class CumulativeSum:
    """Both one-sided sums after each value, and the indexes at which either exceeds the decision interval h."""

    highs: tuple[float, ...]
    lows: tuple[float, ...]
    alarms: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class BoxMate:
    """One vial of a box as labelled: what was expected in it and what was weighed, each in ng with its uncertainty."""

    expected_ng: int
    expected_u_ng: float
    observed_ng: int
    observed_u_ng: float


def compare(
    expected_ng: int,
    observed_ng: int,
    u_ng: float,
    *,
    allowance_ng: float = 0,
    moisture_ng: float = 0,
    estimated: bool = False,
) -> Comparison:
    """Compare an observed mass with the expected one; the first rule that holds gives the verdict.

    Likely slip; cannot be confirmed; then by r. ``u_ng`` is that of the difference; ``allowance_ng`` what handling may
    lose; ``moisture_ng`` what air may add; ``estimated`` says that estimated terms carry more than half of u^2 (see
    ``mostly_estimated``). Limits belong to the milder side: |r| = 2 agrees, |r| = 3 is watched, a loss equal to the
    allowance is within it.

    Raises:
        Malformed: a figure is not finite, or ``u_ng`` or an allowance is negative.
    """
    _require_finite("masses", expected_ng, observed_ng)
    _require_from_zero("uncertainty and allowances", u_ng, allowance_ng, moisture_ng)
    difference_ng = observed_ng - expected_ng
    r = _ratio(difference_ng, u_ng)
    if is_likely_slip(expected_ng, observed_ng, u_ng):
        verdict = Verdict.LIKELY_SLIP
    elif estimated:
        verdict = Verdict.CANNOT_BE_CONFIRMED
    else:
        verdict = _verdict_of_weighed(difference_ng, r, allowance_ng, moisture_ng)
    return Comparison(difference_ng, u_ng, r, verdict)


def _verdict_of_weighed(difference_ng: int, r: float, allowance_ng: float, moisture_ng: float) -> Verdict:
    if abs(r) <= AGREES_R_MAX:
        return Verdict.AGREES
    if abs(r) <= WATCH_R_MAX:
        return Verdict.WATCH
    if r < 0:
        return Verdict.LOSS_WITHIN_ALLOWANCE if -difference_ng <= allowance_ng else Verdict.UNEXPLAINED_LOSS
    return Verdict.LIKELY_WATER if difference_ng <= moisture_ng else Verdict.UNEXPLAINED_GAIN


def is_likely_slip(expected_ng: int, observed_ng: int, u_ng: float) -> bool:
    """Whether a factor of 10, 100 or 1000, either way, would bring the observed mass to the expected one.

    To within the larger of 3 u times the factor and 1 % of the expected mass, but never more than half of that mass;
    and only where |r| is over 10, so that no plain difference is called a slip.
    """
    if abs(_ratio(observed_ng - expected_ng, u_ng)) <= SLIP_R_MIN:
        return False
    narrow, wide = SLIP_SHARE * expected_ng, SLIP_SHARE_MAX * expected_ng
    return any(abs(observed_ng * f - expected_ng) <= min(max(3 * u_ng * f, narrow), wide) for f in SLIP_FACTORS)


def combined_u(*us: float) -> float:
    """Standard uncertainty of a sum or difference of *independent* terms: the root of the sum of squares.

    Raises:
        Malformed: one of them is negative or not finite.
    """
    _require_from_zero("uncertainty", *us)
    return math.hypot(*us)


def mostly_estimated(weighed_us: Iterable[float], estimated_us: Iterable[float]) -> bool:
    """Whether the estimated terms carry strictly more than half of the whole u^2, so that weighing proves little."""
    return combined_u(*estimated_us) > combined_u(*weighed_us)


def telescoped(
    first: tuple[float, float], last: tuple[float, float], withdrawn: Iterable[tuple[float, float]]
) -> Telescoped:
    """The total difference between two weighings of one sample, what was withdrawn in between added back.

    Each argument is a (value_ng, u_ng) pair. Weighings between the first and the last cancel, each being the end of one
    step and the start of the next; adding up the steps' own uncertainties would count them twice. What was put *in* is
    a negative withdrawal.

    Raises:
        Malformed: a figure is not finite, or an uncertainty is negative.
    """
    taken = list(withdrawn)
    pairs = [first, last, *taken]
    _require_finite("masses", *(value for value, _ in pairs))
    difference = last[0] + sum(value for value, _ in taken) - first[0]
    u = combined_u(*(u for _, u in pairs))
    return Telescoped(difference, u, _ratio(difference, u))


def cumulative_sum(values: Iterable[float], *, target: float, k: float, h: float) -> CumulativeSum:
    """Two one-sided cumulative sums of *independent* values, each starting at 0 and never below it.

    ``k`` (slack) and ``h`` (decision interval) are in the units of the values; for values in units of their standard
    deviation the usual choice is k = 0.5, h = 4 or 5. An alarm is a sum strictly above h (tabular form, NIST/SEMATECH
    e-Handbook 6.3.2.3). For weighings that share an end, use ``telescoped``.

    Raises:
        Malformed: a figure is not finite, or ``k`` or ``h`` is negative.
    """
    _require_from_zero("k and h", k, h)
    _require_finite("target", target)
    highs, lows = [0.0], [0.0]
    for value in values:
        _require_finite("values", value)
        highs.append(max(0.0, highs[-1] + value - target - k))
        lows.append(max(0.0, lows[-1] + target - k - value))
    alarms = (i for i, both in enumerate(zip(highs[1:], lows[1:], strict=True)) if max(both) > h)
    return CumulativeSum(tuple(highs[1:]), tuple(lows[1:]), tuple(alarms))


def e_n(x: float, X: float, U_x: float, U_X: float) -> float:  # noqa: N803 - the letters of ISO 13528
    """The E_n score of a result x against a reference X, with *expanded* uncertainties (k = 2): |E_n| < 1 passes.

    ISO 13528:2022, 9.7. Standard uncertainties would double the score: for those there is ``zeta``.

    Raises:
        Malformed: a figure is not finite, or an uncertainty is negative.
    """
    _require_finite("results", x, X)
    return _ratio(x - X, combined_u(U_x, U_X))


def zeta(x: float, X: float, u_x: float, u_X: float) -> float:  # noqa: N803 - the letters of ISO 13528
    """The zeta score of a result x against a reference X, with *standard* uncertainties: 2 warns, 3 acts.

    ISO 13528:2022, 9.6.

    Raises:
        Malformed: a figure is not finite, or an uncertainty is negative.
    """
    return e_n(x, X, u_x, u_X)


def swaps_suspected(mates: Sequence[BoxMate]) -> list[tuple[int, int]]:
    """Pairs of indexes whose contents may have been exchanged: the box's total is blind to it.

    Both differ by more than 3 u as labelled, and exchanging the two brings the sum of r^2 below a tenth.
    """
    return [(i, j) for i, j in combinations(range(len(mates)), 2) if _exchange_explains(mates[i], mates[j])]


def _exchange_explains(one: BoxMate, other: BoxMate) -> bool:
    as_labelled = (_mate_r(one, one), _mate_r(other, other))
    exchanged = (_mate_r(one, other), _mate_r(other, one))
    if min(abs(r) for r in as_labelled) <= SWAP_R_MIN:
        return False
    return SWAP_IMPROVEMENT * sum(r * r for r in exchanged) < sum(r * r for r in as_labelled)


def _mate_r(expected: BoxMate, observed: BoxMate) -> float:
    u_ng = combined_u(expected.expected_u_ng, observed.observed_u_ng)
    return _ratio(observed.observed_ng - expected.expected_ng, u_ng)


def _ratio(difference: float, u: float) -> float:
    if u > 0:
        return difference / u
    return math.copysign(math.inf, difference) if difference else 0.0


def _require_finite(what: str, *figures: float) -> None:
    if not all(map(math.isfinite, figures)):
        raise Malformed(why=f"{what} must be finite numbers")


def _require_from_zero(what: str, *figures: float) -> None:
    if not all(0 <= figure < math.inf for figure in figures):
        raise Malformed(why=f"{what} must be numbers from 0 on")
