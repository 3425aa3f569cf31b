"""The drift of a sample, by the worked case of demo.md 7.6 and by the library ``uncertainties``."""

import math
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from shipsvc.domain.drift import Linked, Step, drift, drift_of_many
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


# ------------------------------------------------------------------------------------------------ over several samples
AT = datetime(2026, 1, 1, tzinfo=UTC)


def linked(sample: str, place: int, difference_ng: int, **terms: tuple[int, float]) -> Linked:
    """A step, one day after the one before it."""
    return Linked(sample, place, AT + timedelta(days=place), difference_ng, terms)


def as_linked(ends: list[tuple[int, float]], sample: str = "s") -> list[Linked]:
    """The steps of a sample from one weighing, given by its variance, to the next; with a difference each."""
    names = [f"{sample}{n}" for n in range(len(ends))]
    return [
        linked(sample, n, later[0], **{names[n]: (-1, one[1]), names[n + 1]: (1, later[1])})
        for n, (one, later) in enumerate(pairwise(ends))
    ]


def test_one_sample_by_its_measurements_is_the_same_drift() -> None:
    """The two ways of adding up agree: by ends and what was between, and measurement by measurement."""
    by_ends = drift([Step(0, 9.0, -5, 16.0), Step(-5, 20.0, -9, 25.0)])
    by_terms = drift_of_many(
        [
            linked("s", 0, -5, a=(-1, 9.0), b=(1, 16.0)),
            linked("s", 1, -4, b=(-1, 16.0), taken=(1, 4.0), c=(1, 25.0)),
        ]
    )
    assert by_terms.difference_ng == by_ends.difference_ng
    assert by_terms.r == pytest.approx(by_ends.r, rel=1e-12)


def test_a_vial_weighed_once_counts_once_in_its_family() -> None:
    """By the library ``uncertainties``: a vial is weighed out of the stock, and its own account begins with that."""
    start, rest, vial, again = (ufloat(0, u) for u in (3.0, 3.0, 2.0, 1.0))
    stock, piece = rest - (start - vial), again - vial
    steps = [
        linked("stock", 0, -7, start=(-1, 9.0), vial=(1, 4.0), rest=(1, 9.0)),
        linked("piece", 0, -2, vial=(-1, 4.0), again=(1, 1.0)),
    ]
    found = drift_of_many(steps)
    assert found.difference_ng == -9
    assert found.u_ng == pytest.approx((stock + piece).std_dev, rel=1e-12)
    assert found.u_ng == pytest.approx(math.sqrt(9 + 9 + 1))
    assert drift_of_many(steps[:1]).u_ng == pytest.approx(stock.std_dev)


def test_steps_that_do_not_follow_each_other_share_nothing() -> None:
    """Trade 2.3 (b): different loans of one holder are independent; each is one event of the chart."""
    steps = as_linked([(0, 1.0), (-4, 1.0), (0, 1.0), (-4, 1.0)])
    found = drift_of_many([steps[0], steps[2]])
    each = 4 / math.sqrt(2)
    assert found.u_ng == pytest.approx(2.0)
    assert found.chart_low == pytest.approx(2 * (each - 0.5))
    assert (found.sum_alarms, found.chart_alarms) == (True, True)


STORY = st.lists(
    st.lists(st.tuples(st.integers(-9, 9), st.floats(0.1, 9)), min_size=2, max_size=5), min_size=1, max_size=4
)


@given(STORY, st.data())
def test_the_sums_of_all_groups_are_the_sum_of_all(story: list[list[tuple[int, float]]], data: st.DataObject) -> None:
    """However steps are put into groups; and all in one group, only first and last weighings are uncertain."""
    steps = [step for n, ends in enumerate(story) for step in as_linked(ends, f"s{n}-")]
    groups: dict[int, list[Linked]] = {}
    for step in steps:
        groups.setdefault(data.draw(st.integers(0, 2)), []).append(step)
    whole = drift_of_many(steps)
    assert sum(drift_of_many(group).difference_ng for group in groups.values()) == whole.difference_ng
    ends = math.fsum(variance for of_one in story for _, variance in (of_one[0], of_one[-1]))
    assert whole.u_ng == pytest.approx(math.sqrt(ends))
    assert drift_of_many(reversed(steps)) == whole
