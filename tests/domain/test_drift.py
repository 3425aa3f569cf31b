"""The drift of a sample, by the worked case of demo.md 7.6 and by the library ``uncertainties``."""

import math
from typing import Any

import pytest
from uncertainties import ufloat

from shipsvc.domain.drift import Step, drift
from shipsvc.domain.errors import Malformed
from shipsvc.domain.mass import Balance, Mass

MG = 1_000_000
U_B1, U_B2 = Balance(100_000, 150_000).net_uncertainty_ng, Balance(10_000, 20_000).net_uncertainty_ng
#: Demo.md 7.6 in mg: how many vials were taken out, expected rest, weighed rest.
ROWS = [
    (4, "4020.92", "4020.5"),
    (1, "3920.28", "3919.9"),
    (1, "3769.49", "3769.1"),
    (1, "3694.02", "3693.7"),
    (1, "3493.35", "3493.0"),
    (0, "3493.00", "3492.6"),
]


def steps() -> list[Step]:
    """The steps of the demo: each rest on B1, each vial on B2."""
    return [
        Step(Mass.parse(f"{expected} mg").ng, U_B1**2 + vials * U_B2**2, Mass.parse(f"{observed} mg").ng, U_B1**2)
        for vials, expected, observed in ROWS
    ]


def test_the_drift_of_the_demo() -> None:
    """Demo.md 7.6: -2.26 mg at u 0.316, r -7.2; the chart ends at 4.35, beyond 4; A9."""
    found = drift(steps())

    assert found.difference_ng == Mass.parse("-2.26 mg").ng
    assert found.u_ng / MG == pytest.approx(0.316, abs=0.0005)
    assert found.r == pytest.approx(-7.2, abs=0.06)
    assert found.chart_low == pytest.approx(4.35, abs=0.006)
    assert found.chart_high == 0
    assert (found.sum_alarms, found.chart_alarms) == (True, True)


@pytest.mark.parametrize(("many", "by_sum", "by_chart"), [(1, False, False), (2, False, False), (3, True, False)])
def test_the_sum_alarms_before_the_chart(many: int, by_sum: bool, by_chart: bool) -> None:
    """Rulings 30: the chart can stay quiet where the telescoped sum alarms; each step alone says nothing."""
    found = drift(steps()[:many])

    assert (found.sum_alarms, found.chart_alarms) == (by_sum, by_chart)


def test_the_library_uncertainties_adds_the_steps_up_to_the_same() -> None:
    """Step by step, weighings shared by identity: the end of one is the start of the next."""
    rest = ufloat(0, U_B1)
    total: Any = 0
    for vials, expected, observed in ROWS:
        taken = sum(ufloat(0, U_B2) for _ in range(vials))
        weighed = ufloat(float(observed) * MG, U_B1)
        total += weighed - (float(expected) * MG + rest - taken)
        rest = weighed - weighed.nominal_value

    found = drift(steps())

    assert (found.difference_ng, found.u_ng) == pytest.approx((total.nominal_value, total.std_dev), rel=1e-9)


def test_exact_figures_and_nothing() -> None:
    """Where nothing is uncertain any difference is infinitely many u; a drift over nothing is none."""
    assert drift([Step(5, 0.0, 5, 0.0)]).r == 0
    assert drift([Step(5, 0.0, 4, 0.0)]).r == -math.inf
    with pytest.raises(Malformed):
        drift([])
