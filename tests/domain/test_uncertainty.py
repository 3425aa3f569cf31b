"""Uncertainty budgets, against worked examples of the GUM, EA and Eurachem and the library ``uncertainties``."""

import math

import pytest
from uncertainties import ufloat

from shipsvc.domain.air import Density
from shipsvc.domain.errors import Malformed
from shipsvc.domain.mass import Balance
from shipsvc.domain.uncertainty import (
    Budget,
    Buoyancy,
    Component,
    combined,
    difference,
    rectangular,
    triangular,
    weighing,
)

MG = 1_000_000
B1 = Balance(100_000, 150_000, relative=2e-5)


def test_a_weight_of_ten_kilograms() -> None:
    """EA-4/02 S2 (in mg): 45 at k = 2; drift 15, eccentricity 10 and air 10 rectangular; u(dm) 14.2: u 29.1, U 58.3."""
    budget = Budget(
        (
            Component("standard", 45 / 2),
            Component("drift", rectangular(15)),
            Component("difference", 14.2),
            Component("eccentricity and magnetism", rectangular(10)),
            Component("air", rectangular(10)),
        )
    )

    assert budget.u_ng == pytest.approx(29.1, abs=0.05)
    assert budget.u_ng == pytest.approx(29.147, abs=5e-4)
    assert budget.expanded_ng() == pytest.approx(58.29, abs=0.01)
    assert math.fsum(budget.shares) == pytest.approx(1)
    assert budget.shares[0] == pytest.approx(22.5**2 / 29.147**2, rel=1e-4)


def test_a_volume_of_eurachem_a1() -> None:
    """Eurachem/CITAC A1, GUM workbench: +-0.1 triangular, 0.02, +-0.084 rectangular give 0.0664730521840743 mL."""
    parts = Component("flask", triangular(0.1)), Component("filling", 0.02), Component("heat", rectangular(0.084))

    assert Budget(parts).u_ng == pytest.approx(0.0664730521840743, rel=1e-12)


def test_ten_items_against_one_standard() -> None:
    """GUM 5.2.2: ten resistors of u 0.1, all compared with one standard, make 1.0 in series; 0.32 is incorrect."""
    shared = [(1.0, Budget((Component("standard", 0.1, source="standard"),)))] * 10
    alone = [(1.0, Budget((Component("standard", 0.1),)))] * 10

    assert combined(shared).u_ng == pytest.approx(1.0)
    assert combined(alone).u_ng == pytest.approx(0.3162, abs=5e-5)


@pytest.mark.parametrize(("methods", "sigma"), [(("one", "one"), 0.44721), (("one", "other"), 0.83666)])
def test_a_material_balance_of_ten_in_and_ten_out(methods: tuple[str, str], sigma: float) -> None:
    """Nuclear practice, recomputed: 100 g items, random 0.1 %, systematic 0.05 % which cancels within one method."""

    def item(method: str) -> Budget:
        return Budget((Component("random", 0.1), Component("systematic", 0.0005, "1", 100, method)))

    ins, outs = methods
    terms = [*[(1.0, item(ins))] * 10, *[(-1.0, item(outs))] * 10]

    assert combined(terms).u_ng == pytest.approx(sigma, abs=5e-6)


@pytest.mark.parametrize("net_ng", [0, 512 * MG, 5_021 * MG])
def test_a_plain_weighing_has_the_uncertainty_of_its_balance(net_ng: int) -> None:
    """The components add up to what every comparison uses."""
    assert weighing(B1, net_ng).u_ng == pytest.approx(B1.uncertainty_ng(net_ng), rel=1e-12)


def test_repeats_and_linearity() -> None:
    """Four readings halve the scatter of the gross, and only that; linearity is a half-width (GUM 4.3.7)."""
    once, often = weighing(B1, MG), weighing(B1, MG, repeats=4, linearity_ng=200_000)

    assert once.u_ng**2 - often.u_ng**2 == pytest.approx(0.75 * 150_000**2 - 200_000**2 / 3, rel=1e-9)
    with pytest.raises(Malformed):
        weighing(B1, MG, repeats=0)


def test_what_two_weighings_share_cancels() -> None:
    """One balance and one tare: calibration and tare cancel in the difference, as ``uncertainties`` has it."""
    net_before, net_after = 5_021.2 * MG, 4_020.5 * MG
    before = weighing(B1, net_before, code="B1", tare="of 2025-02-01")
    after = weighing(B1, net_after, code="B1", tare="of 2025-02-01")

    shared = difference(after, before)

    one = math.hypot(150_000, 100_000 / math.sqrt(12))
    scale, tare = ufloat(1, 2e-5), ufloat(0, one)
    observed = ((net_after + ufloat(0, one)) - tare) + net_after * (scale - 1)
    expected = ((net_before + ufloat(0, one)) - tare) + net_before * (scale - 1)
    assert shared.u_ng == pytest.approx((observed - expected).std_dev, rel=1e-9)
    assert shared.u_ng < difference(weighing(B1, net_after), weighing(B1, net_before)).u_ng


def test_a_sample_shares_its_density_with_itself() -> None:
    """Corrected for buoyancy at two sites: the density of the rock nearly cancels, the air of each does not.

    Second opinion: the package ``uncertainties`` on the formula of OIML D 28.
    """
    balance, reading = Balance(1_000, 3_000), 1e9
    low, high = Density(1.2, 0.06), Density(0.99, 0.05)
    rock = Density(2200, 400)

    budgets = [
        weighing(balance, reading, buoyancy=Buoyancy(air, rock, place, "BRM0012"))
        for air, place in ((low, "TRP"), (high, "SMP"))
    ]
    found = difference(budgets[1], budgets[0])

    u_one = balance.net_uncertainty_ng
    rho = ufloat(2200, rock.u_kg_m3)
    masses = [
        (reading + ufloat(0, u_one)) * (1 - rho_air / 8000) / (1 - rho_air / rho)
        for rho_air in (ufloat(1.2, low.u_kg_m3), ufloat(0.99, high.u_kg_m3))
    ]
    assert found.u_ng == pytest.approx((masses[1] - masses[0]).std_dev, rel=1e-3)
    alone = difference(*(Budget(tuple(Component(c.name, c.contribution_ng) for c in b.components)) for b in budgets))
    assert found.u_ng < alone.u_ng


def test_one_source_has_one_uncertainty() -> None:
    """Two statements of what is one thing are a mistake, not two things."""
    one, other = (Budget((Component("calibration", u, source="calibration of B1"),)) for u in (1.0, 2.0))

    with pytest.raises(Malformed):
        difference(one, other)


@pytest.mark.parametrize("figures", [(-1.0, 1.0), (math.nan, 1.0), (math.inf, 1.0), (1.0, math.inf)])
def test_an_impossible_component_is_refused(figures: tuple[float, float]) -> None:
    """An infinite component would confirm everything."""
    u, sensitivity = figures
    with pytest.raises(Malformed):
        Component("calibration", u, sensitivity=sensitivity)


@pytest.mark.parametrize("k", [0, -2, math.nan, math.inf])
def test_an_impossible_coverage_factor_is_refused(k: float) -> None:
    """U = 0 would make every difference count."""
    with pytest.raises(Malformed):
        weighing(B1, MG).expanded_ng(k)


def test_no_uncertainty_has_no_shares() -> None:
    """Of nothing, nobody carries a part."""
    assert Budget((Component("exact", 0),)).shares == (0.0,)
