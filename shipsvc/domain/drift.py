"""Does a sample lose mass, step by step, each too small to see? (design section 5, rulings 30)

Steps between weighings share them: the end of one is the start of the next. So the differences are added up, and of
the uncertainties only those of the first weighing, the last, and what was taken out between (``verdicts.telescoped``).
The one-sided chart beside that is for independent events, and can stay quiet where the sum alarms.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from shipsvc.domain.errors import Malformed
from shipsvc.domain.verdicts import WATCH_R_MAX, cumulative_sum, telescoped

#: Slack and decision interval of the chart, in units of u: the usual choice (NIST/SEMATECH e-Handbook 6.3.2.3).
CHART_K = 0.5
CHART_H = 4.0


@dataclass(frozen=True, slots=True)
class Step:
    """A weighing held against the book, in ng and ng^2: what was expected with the variance of that, and what was
    observed with the variance of the weighing alone. The next step starts from what was observed."""

    expected_ng: int
    expected_variance: float
    observed_ng: int
    observed_variance: float

    @property
    def difference_ng(self) -> int:
        """Observed less expected: a loss is negative."""
        return self.observed_ng - self.expected_ng

    @property
    def r(self) -> float:
        """The difference in units of its own uncertainty; 0 where both are exact and equal."""
        return _ratio(self.difference_ng, math.sqrt(self.expected_variance + self.observed_variance))


@dataclass(frozen=True, slots=True)
class Drift:
    """The running sum of the steps in ng, its u and their ratio; both one-sided sums of the chart at its end; which of
    the two alarms."""

    difference_ng: int
    u_ng: float
    r: float
    chart_low: float
    chart_high: float
    sum_alarms: bool
    chart_alarms: bool


def drift(steps: Sequence[Step]) -> Drift:
    """The drift of one sample over its steps in order of time, each from where the one before ended.

    Raises:
        Malformed: there is no step.
    """
    if not steps:
        raise Malformed(why="a drift needs at least one step")
    first, last = steps[0], steps[-1]
    difference_ng = sum(step.difference_ng for step in steps)
    pairs = pairwise(steps)
    taken = [math.sqrt(max(0.0, later.expected_variance - one.observed_variance)) for one, later in pairs]
    total = telescoped(
        (0.0, math.sqrt(first.expected_variance)),
        (float(difference_ng), math.sqrt(last.observed_variance)),
        [(0.0, u_ng) for u_ng in taken],
    )
    finite = [step.r for step in steps if math.isfinite(step.r)]
    chart = cumulative_sum(finite, target=0, k=CHART_K, h=CHART_H)
    return Drift(
        difference_ng,
        total.u_ng,
        total.r,
        chart.lows[-1] if chart.lows else 0.0,
        chart.highs[-1] if chart.highs else 0.0,
        abs(total.r) > WATCH_R_MAX,
        bool(chart.alarms),
    )


# ---------------------------------------------------------------------------------------------- over several samples
@dataclass(frozen=True, slots=True)
class Linked:
    """A step as a sum of measurements: the ``place``-th of a sample, ended ``at``, with its difference in ng, and of
    each measurement in it, by name, how often it counts and its variance in ng^2.

    One measurement has one name wherever it stands: a weighing that ends one step and starts the next, or that of a
    vial taken out of one sample, with which the account of another begins.
    """

    sample: str
    place: int
    at: datetime
    difference_ng: int
    terms: Mapping[str, tuple[int, float]]


def drift_of_many(steps: Iterable[Linked]) -> Drift:
    """The drift of a group of steps, of whichever samples: what measurements they share counts as often as it does.

    The chart goes over stretches, which are steps of one sample that follow each other in the group, each as one event:
    two stretches of one sample share no weighing. So they are independent but for vials that went from one sample of
    the group to another.

    Raises:
        Malformed: there is no step.
    """
    ordered = sorted(steps, key=lambda step: (step.sample, step.place))
    if not ordered:
        raise Malformed(why="a drift needs at least one step")
    difference_ng, u_ng = _added(ordered)
    stretches = sorted(_stretches(ordered), key=lambda stretch: (stretch[-1].at, stretch[-1].sample))
    rs = [_ratio(*_added(stretch)) for stretch in stretches]
    chart = cumulative_sum([r for r in rs if math.isfinite(r)], target=0, k=CHART_K, h=CHART_H)
    r = _ratio(difference_ng, u_ng)
    lows, highs = chart.lows or (0.0,), chart.highs or (0.0,)
    return Drift(difference_ng, u_ng, r, lows[-1], highs[-1], abs(r) > WATCH_R_MAX, bool(chart.alarms))


def _stretches(ordered: Sequence[Linked]) -> list[list[Linked]]:
    found: list[list[Linked]] = [[ordered[0]]]
    for before, step in pairwise(ordered):
        if (step.sample, step.place) == (before.sample, before.place + 1):
            found[-1].append(step)
        else:
            found.append([step])
    return found


def _added(steps: Sequence[Linked]) -> tuple[int, float]:
    """The sum of differences, and its u, in ng."""
    counts: dict[str, int] = {}
    variances: dict[str, float] = {}
    for step in steps:
        for name, (count, variance) in step.terms.items():
            counts[name] = counts.get(name, 0) + count
            variances[name] = variance
    variance = math.fsum(count * count * variances[name] for name, count in counts.items())
    return sum(step.difference_ng for step in steps), math.sqrt(variance)


def _ratio(difference_ng: int, u_ng: float) -> float:
    if u_ng:
        return difference_ng / u_ng
    return math.copysign(math.inf, difference_ng) if difference_ng else 0.0
