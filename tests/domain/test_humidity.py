"""Vapour pressure and frost point against published tables, and against a formula of other authors."""

import math

import pytest

from shipsvc.domain import errors
from shipsvc.domain.humidity import (
    frost_point_c,
    frost_point_of_pressure_c,
    pressure_over_ice_pa,
    pressure_over_water_pa,
    water_ppm,
)

# "Water Vapor Pressure Over Ice", mm Hg, table A-1 of the manual 900-901D1 of a portable hygrometer (1998), which says
# of what frost point a vapour pressure is.
OVER_ICE_MM_HG = {-60: 0.00808, -50: 0.02955, -40: 0.0966, -30: 0.2859, -25: 0.476, -20: 0.776, -10: 1.950, 0: 4.579}
# "Dew point, ppm, absolute humidity conversion", a published table of an instrument maker: P / 1013 hPa.
FROST_POINT_PPM = {-60: 10.68, -50: 38.89, -40: 126.8, -30: 375.3, -20: 1019, -10: 2566}


@pytest.mark.parametrize(("frost_point", "mm_hg"), OVER_ICE_MM_HG.items())
def test_pressure_over_ice_as_in_the_table(frost_point: float, mm_hg: float) -> None:
    """The table's pressure is met within 0.5 % (its last digit), and the pressure gives its frost point back."""
    pascal = mm_hg * 133.322
    assert pressure_over_ice_pa(frost_point) == pytest.approx(pascal, rel=5e-3)
    assert frost_point_of_pressure_c(pascal) == pytest.approx(frost_point, abs=0.06)


@pytest.mark.parametrize(("frost_point", "ppm"), FROST_POINT_PPM.items())
def test_parts_per_million_as_in_the_table(frost_point: float, ppm: float) -> None:
    """The share of water at a frost point, within 0.5 % of the published table."""
    assert water_ppm(frost_point, 101_300) == pytest.approx(ppm, rel=5e-3)


@pytest.mark.parametrize("celsius", range(-95, 1, 5))
def test_another_formula_over_ice(celsius: float) -> None:
    """Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539, equation 7, agrees within 0.5 % down to -95 °C."""
    t = celsius + 273.15
    other = math.exp(9.550426 - 5723.265 / t + 3.53068 * math.log(t) - 0.00728332 * t)
    assert pressure_over_ice_pa(celsius) == pytest.approx(other, rel=5e-3)


def test_the_boiling_point() -> None:
    """Over water at 100 °C the pressure is one atmosphere, by definition of old; 101.4 kPa on ITS-90 within 0.1 %."""
    assert pressure_over_water_pa(100) == pytest.approx(101_400, rel=1e-3)


def test_frost_point_from_temperature_and_humidity() -> None:
    """0.55 % at 20 °C is a frost point of -40 °C: 12.84 Pa over ice (0.0966 mm Hg in the table) of 2339 Pa over water
    (20 °C, 17.54 mm Hg, CRC Handbook, from memory)."""
    assert frost_point_c(20, 100 * 0.0966 / 17.54) == pytest.approx(-40, abs=0.05)


def test_saturated_air_above_zero_is_at_its_dew_point() -> None:
    """100 % is saturation: the dew point is the temperature itself; below 0 °C frost comes before dew."""
    assert frost_point_c(25, 100) == pytest.approx(25, abs=1e-6)
    assert frost_point_c(-10, 100) > -10


def test_what_has_no_frost_point() -> None:
    """No humidity, no temperature, or one outside the formulas, is said so."""
    for temperature, humidity in ((20, 0), (20, -1), (20, math.nan), (120, 50), (math.nan, 50), (20, 1e-9)):
        with pytest.raises(errors.Malformed):
            frost_point_c(temperature, humidity)
