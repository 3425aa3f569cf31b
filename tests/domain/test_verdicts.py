"""Verdicts, drift, running sums and scores, against the scenario's worked answers and published tables."""

import math

import pytest
from uncertainties import ufloat

from shipsvc.domain.errors import Malformed
from shipsvc.domain.mass import Balance, Estimate, Mass
from shipsvc.domain.verdicts import (
    BoxMate,
    Verdict,
    combined_u,
    compare,
    cumulative_sum,
    e_n,
    mostly_estimated,
    swaps_suspected,
    telescoped,
    zeta,
)

MG = 1_000_000
#: Readability and repeatability in ng of the scenario's balances (demo table T5).
BALANCES = {
    "B1": Balance(100_000, 150_000),
    "B2": Balance(10_000, 20_000),
    "B3": Balance(1_000, 3_000),
    "B4": Balance(1_000_000, 1_500_000),
    "B5": Balance(1_000, 4_000),
    "B6": Balance(10_000, 25_000),
    "B7": Balance(100_000, 200_000),
    "B8": Balance(10_000, 30_000),
}
U_ABOUT_100 = Estimate.parse("100 +- 10 mg").u_ng


def ng(mg: str) -> int:
    """A figure in mg as whole ng."""
    return Mass.parse(f"{mg} mg").ng


def u_of(*names: str) -> float:
    """Combined uncertainty of one weighing on each of the balances."""
    return combined_u(*(BALANCES[name].net_uncertainty_ng for name in names))


@pytest.mark.parametrize(
    ("expected", "observed", "balances", "allowance", "moisture", "d_mg", "u_mg", "r", "verdict"),
    [  # demo 7.4: every row that is weighed throughout; moisture 2 % (CM-like), powder allowance 1 % of that expected
        ("1204.3", "1204.2", "B1 B6", "0", "24", "-0.1", 0.219, -0.5, "agrees"),
        ("512.46", "51.2", "B2 B7", "0", "10", "-461.26", 0.287, -1606, "likely_slip"),
        ("512.46", "512.3", "B2 B7", "0", "10", "-0.16", 0.287, -0.6, "agrees"),
        ("86.214", "86.209", "B3 B5", "0", "1.7", "-0.005", 0.0071, -0.7, "agrees"),
        ("663.84", "655.2", "B1 B1 B6 B6 B6", "0.66", "13", "-8.64", 0.312, -27.7, "unexplained_loss"),
        ("655.74", "655.2", "B1 B1 B6 B6 B6", "0.66", "13", "-0.54", 0.312, -1.7, "agrees"),
        ("250.12", "253.41", "B2 B2", "2.50", "5.0", "3.29", 0.0404, 81.4, "likely_water"),
        ("250.12", "250.31", "B2 B2", "2.50", "5.0", "0.19", 0.040, 4.7, "likely_water"),
        ("198.59", "199.87", "B2 B2 B8", "1.98", "3.97", "1.28", 0.059, 21.8, "likely_water"),
        ("200.11", "199.87", "B2 B2 B8", "2.00", "4.0", "-0.24", 0.059, -4.1, "loss_within_allowance"),
        ("30.877", "30.91", "B5 B6", "0", "0.6", "0.033", 0.036, 0.9, "agrees"),
        ("15.18", "15.171", "B5 B3", "0", "0.3", "-0.009", 0.0071, -1.3, "agrees"),
        ("30214", "30209", "B4 B4", "0", "604", "-5", 3.06, -1.6, "agrees"),
        ("250.12", "250.55", "B2 B8", "2.50", "5.0", "0.43", 0.051, 8.4, "likely_water"),
        ("250.31", "248.88", "B2 B8", "0", "5.0", "-1.43", 0.051, -27.9, "unexplained_loss"),
        ("248.79", "250.47", "B2 B8", "0", "5.0", "1.68", 0.051, 32.7, "likely_water"),
        ("251.06", "251.20", "B2 B8", "0", "5.0", "0.14", 0.051, 2.7, "watch"),
        ("248.79", "248.88", "B2 B8", "0", "5.0", "0.09", 0.051, 1.8, "agrees"),
        ("250.31", "250.47", "B2 B8", "0", "5.0", "0.16", 0.051, 3.1, "likely_water"),
    ],
)
def test_the_comparisons_of_the_demo(
    expected: str, observed: str, balances: str, allowance: str, moisture: str, d_mg: str, u_mg: float, r: float,
    verdict: str,
) -> None:  # fmt: skip
    """Difference, uncertainty, ratio and verdict of each row of demo 7.4."""
    result = compare(
        ng(expected), ng(observed), u_of(*balances.split()), allowance_ng=ng(allowance), moisture_ng=ng(moisture)
    )

    assert result.difference_ng == ng(d_mg)
    assert result.u_ng / MG == pytest.approx(u_mg, rel=0.015)
    assert result.r == pytest.approx(r, abs=0.051, rel=1e-3)
    assert result.verdict == verdict


def test_an_estimated_use_cannot_be_confirmed() -> None:
    """L-02 of demo 7.4: "about 100" carries nearly all of u, so agreement at r -1.2 proves nothing."""
    weighed = [BALANCES[name].net_uncertainty_ng for name in ("B2", "B7", "B2")]
    u_ng = combined_u(*weighed, U_ABOUT_100)
    estimated = mostly_estimated(weighed, [U_ABOUT_100])

    result = compare(ng("112.36"), ng("105.33"), u_ng, estimated=estimated)

    assert combined_u(*weighed) / MG == pytest.approx(0.29, abs=0.002)
    assert result.u_ng / MG == pytest.approx(5.78, abs=0.005)
    assert (result.difference_ng, result.verdict) == (ng("-7.03"), Verdict.CANNOT_BE_CONFIRMED)
    assert result.r == pytest.approx(-1.2, abs=0.05)


def test_mostly_means_more_than_half_of_the_variance() -> None:
    """Equal shares are still confirmed; a shade more is not."""
    assert not mostly_estimated([3.0, 4.0], [5.0])
    assert mostly_estimated([3.0, 4.0], [5.001])
    assert not mostly_estimated([], [])


@pytest.mark.parametrize(
    ("observed", "verdict"),
    [  # u = 1, allowance 5 and moisture 8 about 1000: trade rules, each at its limit and one step beyond
        (1000, "agrees"), (1002, "agrees"), (998, "agrees"),
        (1003, "watch"), (997, "watch"),
        (996, "loss_within_allowance"), (995, "loss_within_allowance"), (994, "unexplained_loss"),
        (1004, "likely_water"), (1008, "likely_water"), (1009, "unexplained_gain"),
    ],
)  # fmt: skip
def test_limits_belong_to_the_milder_side(observed: int, verdict: str) -> None:
    """A difference equal to a limit has not passed it."""
    assert compare(1000, observed, 1, allowance_ng=5, moisture_ng=8).verdict == verdict


@pytest.mark.parametrize("factor", [10, 100, 1000])
def test_a_slip_is_seen_either_way(factor: int) -> None:
    """A point too far left or right, or the wrong unit, is named as such and before everything else."""
    for expected, observed in ((512_000_000, 512_000_000 // factor), (512_000_000, 512_000_000 * factor)):
        assert compare(expected, observed, 30_000, estimated=True).verdict == Verdict.LIKELY_SLIP


@pytest.mark.parametrize(
    ("expected", "observed", "u_ng", "verdict"),
    [
        (1000, 101, 1, "likely_slip"),  # 1010: at 1 %
        (1000, 103, 1, "likely_slip"),  # 1030: at 3 u f
        (1000, 104, 1, "unexplained_loss"),  # 1040: beyond both
        (1000, 120, 88, "unexplained_loss"),  # r is exactly -10
        (1000, 500, 1, "unexplained_loss"),  # half gone is no slip
        (1000, 0, 1, "unexplained_loss"),  # an empty vial is no slip, though 3 u * 1000 spans the expected mass
        (1000, 1, 1, "likely_slip"),  # 1 for 1000 is the wrong unit
        (0, 1000, 1, "unexplained_gain"),  # nothing expected, so no factor leads there
        (0, 0, 1, "agrees"),
        (-1000, -100, 1, "unexplained_gain"),
    ],
)
def test_what_is_a_slip_and_what_is_not(expected: int, observed: int, u_ng: float, verdict: str) -> None:
    """The tolerance is the larger of 3 u f and 1 %, at most half, and only where |r| is over 10."""
    assert compare(expected, observed, u_ng).verdict == verdict


def test_exact_figures_differ_or_do_not() -> None:
    """With u = 0 any difference is infinitely many u, and none is none."""
    assert (compare(5, 5, 0).r, compare(5, 5, 0).verdict) == (0.0, Verdict.AGREES)
    assert (compare(500, 499, 0).r, compare(500, 499, 0).verdict) == (-math.inf, Verdict.UNEXPLAINED_LOSS)
    assert (compare(500, 501, 0).r, compare(500, 501, 0, moisture_ng=1).verdict) == (math.inf, Verdict.LIKELY_WATER)


@pytest.mark.parametrize("u_ng", [-1, math.nan, math.inf])
def test_an_impossible_uncertainty_is_refused(u_ng: float) -> None:
    """An infinite u would make everything agree."""
    with pytest.raises(Malformed):
        compare(1, 1, u_ng)
    with pytest.raises(Malformed):
        telescoped((1, u_ng), (1, 0), [])
    with pytest.raises(Malformed):
        zeta(1, 1, u_ng, 1)


@pytest.mark.parametrize("allowance_ng", [-1, math.nan])
def test_an_impossible_allowance_is_refused(allowance_ng: float) -> None:
    """A negative allowance has no meaning."""
    with pytest.raises(Malformed):
        compare(1, 1, 1, allowance_ng=allowance_ng)
    with pytest.raises(Malformed):
        compare(1, 1, 1, moisture_ng=allowance_ng)


def test_verdicts_are_stable_words() -> None:
    """The stored and sent values, to the letter."""
    assert sorted(Verdict) == [
        "agrees", "cannot_be_confirmed", "likely_slip", "likely_water", "loss_within_allowance", "unexplained_gain",
        "unexplained_loss", "watch",
    ]  # fmt: skip


#: Demo 7.6: vials taken out (each weighed on B2), expected rest and weighed rest (B1) in mg, and the r of the step.
DRIFT: list[tuple[list[str], str, str, float]] = [
    (["250.12", "250.31", "248.79", "251.06"], "4020.92", "4020.5", -1.35),
    (["100.22"], "3920.28", "3919.9", -1.24),
    (["150.41"], "3769.49", "3769.1", -1.27),
    (["75.08"], "3694.02", "3693.7", -1.04),
    (["200.35"], "3493.35", "3493.0", -1.14),
    ([], "3493.00", "3492.6", -1.31),
]
DRIFT_TAKEN = [vial for vials, *_ in DRIFT for vial in vials]


def u_of_step(vials: list[str]) -> float:
    """Uncertainty of one step: rest before and after on B1, each vial on B2."""
    return u_of("B1", "B1", *("B2" for _ in vials))


@pytest.mark.parametrize(("taken", "expected", "weighed", "r"), DRIFT)
def test_each_step_of_the_drift_agrees(taken: list[str], expected: str, weighed: str, r: float) -> None:
    """Taken one by one, none of the six differences of demo 7.6 says anything."""
    result = compare(ng(expected), ng(weighed), u_of_step(taken))

    assert result.r == pytest.approx(r, abs=0.0051)
    assert result.verdict == Verdict.AGREES


def test_the_drift_telescopes() -> None:
    """Demo 7.6: together -2.26 mg at u 0.316, r -7.2; adding the steps' u would give 0.753 and -3.0."""
    first, last = (ng("5021.2"), u_of("B1")), (ng("3492.6"), u_of("B1"))
    withdrawn = [(ng(vial), u_of("B2")) for vial in DRIFT_TAKEN]

    total = telescoped(first, last, withdrawn)

    assert total.difference_ng == ng("-2.26")
    assert total.u_ng / MG == pytest.approx(0.316, abs=0.0005)
    assert total.r == pytest.approx(-7.2, abs=0.06)
    assert combined_u(*(u_of_step(vials) for vials, *_ in DRIFT)) / MG == pytest.approx(0.753, abs=0.0005)


def test_the_library_uncertainties_telescopes_to_the_same() -> None:
    """Demo 7.6 again, step by step with shared weighings known by identity."""
    u_b1, u_b2 = u_of("B1"), u_of("B2")
    rests = [ufloat(ng(mg), u_b1) for mg in ("5021.2", *(weighed for _, _, weighed, _ in DRIFT))]
    takes = [sum(ufloat(ng(vial), u_b2) for vial in vials) for vials, *_ in DRIFT]
    total = sum(after - (before - taken) for before, after, taken in zip(rests, rests[1:], takes, strict=False))

    got = telescoped((ng("5021.2"), u_b1), (ng("3492.6"), u_b1), [(ng(vial), u_b2) for vial in DRIFT_TAKEN])

    assert got == pytest.approx((total.nominal_value, total.std_dev, total.nominal_value / total.std_dev), rel=1e-9)


def test_a_material_balance_of_five_periods() -> None:
    """Nuclear practice (recomputed from the MUF definition): cumulative MUF 0.12, standard deviation 0.81394.

    MUF is book minus physical, so the sign turns. The receipts' shared systematic 0.05 adds up linearly to 5 * 0.05.
    """
    receipts = [(-x, 0.1) for x in (10, 12, 9, 11, 10)]
    removals = [(y, 0.1) for y in (11.9, 8.95, 11.02, 9.97, 8.04)]

    total = telescoped((100, 0.5), (102, 0.5), [*receipts, *removals, (0, 5 * 0.05)])

    assert total.difference_ng == pytest.approx(-0.12, abs=1e-12)
    assert total.u_ng == pytest.approx(0.81394, abs=5e-6)


def test_nothing_withdrawn_is_a_plain_difference() -> None:
    """Two weighings alone: 3-4-5."""
    assert telescoped((10, 3), (20, 4), []) == (10, 5.0, 2.0)
    assert telescoped((10, 0), (10, 0), iter([])) == (0, 0.0, 0.0)


def test_the_cumulative_sum_of_the_demo() -> None:
    """Demo 7.6: k = 0.5, h = 4 on the six r crosses at the sixth."""
    rs = [compare(ng(expected), ng(weighed), u_of_step(vials)).r for vials, expected, weighed, _ in DRIFT]

    chart = cumulative_sum(rs, target=0, k=0.5, h=4)

    assert chart.lows == pytest.approx((0.85, 1.59, 2.36, 2.90, 3.54, 4.35), abs=0.006)
    assert chart.highs == (0.0,) * 6
    assert chart.alarms == (5,)


def test_the_cumulative_sum_of_the_nist_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: k 0.3175, h 4.1959, table to two places, out of control from sample 14 on."""
    values = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    highs = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    lows = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]

    chart = cumulative_sum(values, target=325, k=0.3175, h=4.1959)

    # The handbook rounds at each step, so its second place is worth about 0.01.
    assert chart.highs == pytest.approx(highs, abs=0.011)
    assert chart.lows == pytest.approx(lows, abs=0.011)
    assert chart.alarms == tuple(range(13, 20))


def test_the_chart_alarms_only_beyond_h() -> None:
    """A sum equal to h is not beyond it; no values give no sums."""
    assert cumulative_sum([3, -6], target=0, k=1, h=2).alarms == (1,)
    assert cumulative_sum([], target=0, k=1, h=2) == cumulative_sum(iter([]), target=5, k=0, h=0)


@pytest.mark.parametrize(
    ("values", "target", "k", "h"),
    [([math.nan], 0, 1, 1), ([math.inf], 0, 1, 1), ([1], math.nan, 1, 1), ([1], 0, -1, 1), ([1], 0, 1, math.nan)],
)
def test_an_impossible_chart_is_refused(values: list[float], target: float, k: float, h: float) -> None:
    """A missing value would silence every later alarm."""
    with pytest.raises(Malformed):
        cumulative_sum(values, target=target, k=k, h=h)


#: GEAR.DAT (NIST): standard deviations of all 100 values and of batch 1, the reference uncertainty and the lab's.
GEAR_U_REFERENCE, GEAR_U_LAB = 0.00627890, 0.00434613


@pytest.mark.parametrize(
    ("x", "e_n_printed", "zeta_printed"),
    [
        (1.006, 0.393, 0.785),
        (0.996, -0.262, -0.523),
        (0.998, -0.131, -0.261),
        (1.000, 0.000, 0.000),
        (0.992, -0.524, -1.047),
    ],
)
def test_the_scores_of_nist_dataplot(x: float, e_n_printed: float, zeta_printed: float) -> None:
    """NIST Dataplot, E_n and zeta pages on GEAR.DAT, to the thousandth (single precision there)."""
    reference = 1.0
    expanded = (2 * GEAR_U_LAB, 2 * GEAR_U_REFERENCE)

    assert e_n(x, reference, *expanded) == pytest.approx(e_n_printed, abs=0.0011)
    assert zeta(x, reference, GEAR_U_LAB, GEAR_U_REFERENCE) == pytest.approx(zeta_printed, abs=0.0011)


def test_shipper_and_receiver() -> None:
    """152.40 (U 0.06) against 152.31 (U 0.08) mg: E_n 0.900 passes, zeta 1.800 (ISO 13528 formulas, by hand)."""
    assert e_n(152.40, 152.31, 0.06, 0.08) == pytest.approx(0.900, abs=1e-9)
    assert zeta(152.40, 152.31, 0.03, 0.04) == pytest.approx(1.800, abs=1e-9)
    assert e_n(1, 1, 0, 0) == 0.0
    assert e_n(2, 1, 0, 0) == math.inf


def box_of_the_demo() -> list[BoxMate]:
    """L-05 as received by label: 0017 to 0020, sent on B2, weighed on B8."""
    rows = [("250.12", "250.55"), ("250.31", "248.88"), ("248.79", "250.47"), ("251.06", "251.20")]
    return [BoxMate(ng(sent), u_of("B2"), ng(got), u_of("B8")) for sent, got in rows]


def test_the_swap_of_the_demo_is_suspected() -> None:
    """Demo 7.4, L-05: only 0018 and 0019, -1.43 and +1.68, become +0.16 and +0.09 when exchanged."""
    assert swaps_suspected(box_of_the_demo()) == [(1, 2)]


def test_what_agrees_is_not_swapped() -> None:
    """Two vials of equal mass fit either way, so nothing is said; nor of an empty box or a single vial."""
    twin = BoxMate(100 * MG, 30_000, 100 * MG, 30_000)

    assert swaps_suspected([twin, twin]) == swaps_suspected([]) == swaps_suspected([box_of_the_demo()[1]]) == []


def test_two_losses_are_not_a_swap() -> None:
    """An exchange that explains one of two differences explains nothing."""
    lost = [BoxMate(100 * MG, 0, 90 * MG, 0.01), BoxMate(90 * MG, 0, 70 * MG, 0.01)]

    assert swaps_suspected(lost) == []
    exchanged = [BoxMate(100 * MG, 0, 90 * MG, 0), BoxMate(90 * MG, 0, 100 * MG, 0)]
    assert swaps_suspected(exchanged) == [(0, 1)]
