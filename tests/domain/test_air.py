"""What the air carries, against the worked examples of OIML and JCGM and the library ``uncertainties``."""

import math
from itertools import product

import numpy as np
import pytest
from uncertainties import ufloat

from shipsvc.domain.air import (
    ROCK,
    Density,
    assumed_air,
    conventional_ng,
    corrected_ng,
    measured_air,
    shift_ng,
    slope_by_air,
    slope_by_density,
)
from shipsvc.domain.errors import Malformed
from shipsvc.domain.mass import air_density

MG = 1_000_000


def test_the_shift_between_two_sites_of_the_demo() -> None:
    """Demo 7.4: altitude alone, 40 m to 1600 m, shifts the 86.214 mg of 0012 by +0.006 mg; rock of 2200 kg/m3."""
    shift = shift_ng(86.214 * MG, assumed_air(40), assumed_air(1600))

    assert shift / MG == pytest.approx(0.006, abs=0.0005)
    assert shift_ng(86.214 * MG, assumed_air(40), assumed_air(40)) == pytest.approx(0, abs=1e-6)


def test_corrected_readings_agree_wherever_they_were_taken() -> None:
    """What one site reads plus the shift is what the other reads, and both correct to one mass."""
    low, high = measured_air(20, 101_000, 0.4), measured_air(22, 83_500, 0.2)
    reading = 1204.3 * MG

    there = reading + shift_ng(reading, low, high)

    assert corrected_ng(there, high) == pytest.approx(corrected_ng(reading, low), rel=1e-12)
    assert there > reading


def test_air_that_nobody_read_is_that_of_a_room() -> None:
    """At sea level 1.199 kg/m3 (CIPM-2007 at 20 °C and 50 %), not the 1.225 of ISO 2533 for the open; within 5 %."""
    air = assumed_air(0)

    assert air.kg_m3 == pytest.approx(1.199314, abs=1e-6)
    assert air.u_kg_m3 == pytest.approx(0.05 * 1.199314 / math.sqrt(3), rel=1e-6)


@pytest.mark.parametrize(
    ("celsius", "pressure_pa", "humidity"), [(17, 97_500, 0.3), (23, 104_000, 0.7), (20, 98_000, 0.9)]
)
def test_real_rooms_lie_within_what_is_assumed(celsius: float, pressure_pa: float, humidity: float) -> None:
    """The 5 % cover weather of 975 to 1040 hPa and rooms of 17 to 23 °C at sea level, by CIPM-2007."""
    air = assumed_air(0)

    assert abs(air_density(celsius, pressure_pa, humidity) - air.kg_m3) <= air.half_width_kg_m3


@pytest.mark.parametrize(("density", "factor"), [(997, 1.0010549), (2500, 1.0003302), (8000, 1.0)])
def test_a_conventional_mass_is_what_weights_balance_in_conventional_air(density: float, factor: float) -> None:
    """OIML D 28: in air of 1.2 kg/m3 against 8000 kg/m3 the reading is the conventional mass (factors by hand)."""
    sample = Density(density)

    assert conventional_ng(factor * 1e9, sample) == pytest.approx(1e9, rel=6e-8)
    assert conventional_ng(corrected_ng(1e9, Density(1.2), sample), sample) == pytest.approx(1e9, rel=1e-12)


def test_the_mass_calibration_of_jcgm_101() -> None:
    """JCGM 101:2008, 9.3: u 0.0754 mg with the densities carried, 0.0539 without (figures from memory, no source text).

    m_R 100 000.000(0.050) mg, dm 1.234(0.020) mg, air 1.10 to 1.30, weights 7000 to 9000 and 7950 to 8050 kg/m3; what
    two conventional masses that balance differ by in other air comes out of ``shift_ng`` for the one and for the other.
    """
    nodes, weights = np.polynomial.legendre.leggauss(8)
    mean = square = 0.0
    for (x, wx), (y, wy), (z, wz) in product(zip(nodes, weights, strict=True), repeat=3):
        air, of_w, of_r = Density(1.2 + 0.1 * x), Density(8000 + 1000 * y), Density(8000 + 50 * z)
        # The conventional mass of W less that of R, where both read alike in this air: each as it would read in 1.2.
        difference = shift_ng(100_001.234, air, Density(1.2), of_w) - shift_ng(100_001.234, air, Density(1.2), of_r)
        mean += difference * wx * wy * wz / 8
        square += difference**2 * wx * wy * wz / 8

    by_weighing = math.hypot(0.050, 0.020)

    assert by_weighing == pytest.approx(0.0539, abs=5e-5)
    assert math.hypot(by_weighing, math.sqrt(square - mean**2)) == pytest.approx(0.0754, abs=1.5e-4)


def test_the_slopes_are_those_of_the_library_uncertainties() -> None:
    """u of a corrected gram by air and by density, as the package ``uncertainties`` propagates the formula."""
    rho_air, rho = ufloat(1.2, 0.02), ufloat(2200, 200)
    mass = 1e9 * (1 - rho_air / 8000) / (1 - rho_air / rho)
    parts = mass.error_components()

    assert abs(slope_by_air(1e9, Density(1.2), ROCK)) * 0.02 == pytest.approx(parts[rho_air], rel=1e-6)
    assert abs(slope_by_density(1e9, Density(1.2), ROCK)) * 200 == pytest.approx(parts[rho], rel=1e-6)


@pytest.mark.parametrize("figures", [(0, 0), (-1, 0), (2200, 2200), (2200, -1), (math.nan, 0)])
def test_an_impossible_density_is_refused(figures: tuple[float, float]) -> None:
    """Nothing that reaches down to no density at all."""
    with pytest.raises(Malformed):
        Density(*figures)
