"""Units and their conversions, against the published tables of UCUM and of NIST."""

import pytest

from shipsvc.domain import errors
from shipsvc.domain.quantities import QUANTITIES, conversion, from_canonical, to_canonical, units

# UCUM's own table (ucum-essence.xml of ucum-org/ucum): Cel from K by 273.15; [degF] 5 K/9 (its function degF);
# [degR] 5 K/9; [g] 9.80665 m/s2; atm 101325 Pa; bar 1e5 Pa; m[Hg] 133.3220 kPa; [ppm] 1e-6; [ppb] 1e-9; % 1e-2.
# NIST SP 811 (2008), appendix B.8, values from memory: 1 psi = 6.894757 E+03 Pa; 1 atm = 1.01325 E+05 Pa.
PUBLISHED = [
    ("temperature", 273.15, "K", 0.0),
    ("temperature", 258.15, "K", -15.0),
    ("temperature", 212, "[degF]", 100.0),
    ("temperature", -40, "[degF]", -40.0),
    ("temperature", 671.67, "[degR]", 100.0),
    ("frost_point", 233.15, "K", -40.0),
    ("relative_humidity", 0.15, "1", 15.0),
    ("oxygen", 20.9, "%", 209_000.0),
    ("oxygen", 500, "[ppb]", 0.5),
    ("oxygen", 1e-4, "1", 100.0),
    ("pressure", 101_325, "Pa", 1013.25),
    ("pressure", 1, "atm", 1013.25),
    ("pressure", 1, "bar", 1000.0),
    ("pressure", 101.325, "kPa", 1013.25),
    ("pressure", 1013.25, "hPa", 1013.25),
    ("pressure", 760, "mm[Hg]", 1013.2472),
    ("shock", 3, "[g]", 29.41995),
    ("shock", 981, "cm/s2", 9.81),
    ("light", 2, "klx", 2000.0),
]


@pytest.mark.parametrize(("quantity", "value", "unit", "expected"), PUBLISHED)
def test_published_conversions(quantity: str, value: float, unit: str, expected: float) -> None:
    """Each published pair comes out to the last digit, and goes back to where it came from."""
    assert to_canonical(quantity, value, unit) == expected
    assert from_canonical(quantity, expected, unit) == pytest.approx(value, abs=1e-9)


def test_pounds_per_square_inch() -> None:
    """NIST SP 811, B.8: 1 psi is 6.894757 kPa (from memory)."""
    assert to_canonical("pressure", 1, "[psi]") == pytest.approx(68.94757, abs=5e-6)


def test_a_limit_met_exactly_stays_met() -> None:
    """What equals a limit in another unit is not beyond it: 258.15 K against -15 °C, 5 °F against the same."""
    assert to_canonical("temperature", 5, "[degF]") == -15.0
    assert [to_canonical("temperature", 273.15 + c, "K") for c in range(-80, 81)] == list(range(-80, 81))


def test_the_list_is_closed() -> None:
    """Seven quantities with their canonical UCUM units; anything else is refused, with what there is."""
    assert dict(QUANTITIES) == {
        "temperature": "Cel",
        "relative_humidity": "%",
        "frost_point": "Cel",
        "oxygen": "[ppm]",
        "pressure": "mbar",
        "shock": "m/s2",
        "light": "lx",
    }
    assert all(units(name)[0] == unit and conversion(name, unit).to(0.1) == 0.1 for name, unit in QUANTITIES.items())
    with pytest.raises(errors.Malformed, match="temperature, relative_humidity"):
        units("radiation")
    with pytest.raises(errors.Malformed, match=r"\[degF\]"):
        conversion("temperature", "degC")
