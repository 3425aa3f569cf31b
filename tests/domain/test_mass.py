"""Masses as typed and as kept, balances, air density and buoyancy, against published figures."""

import math
from decimal import Decimal

import pytest
from uncertainties import ufloat

from shipsvc.domain.errors import Malformed, NotAMass
from shipsvc.domain.mass import (
    MASS_NG_MAX,
    Balance,
    Estimate,
    Mass,
    Reading,
    air_density,
    buoyancy_factor,
    standard_pressure_pa,
)

PA_PER_MMHG = 133.322  # conventional millimetre of mercury, 101325 / 760 to six digits
MG = 1_000_000


@pytest.mark.parametrize(
    ("text", "ng"),
    [  # SI prefixes (SI brochure, table 7)
        ("512.0 mg", 512_000_000),
        ("0.5124 g", 512_400_000),
        ("1 kg", 10**12),
        ("221408 mg", 221_408_000_000),
        ("0.1 ug", 100),
        ("0.1 µg", 100),  # U+00B5 micro sign
        ("0.1 μg", 100),  # U+03BC Greek mu
        ("7 ng", 7),
        ("0.000001 mg", 1),
        ("0.0000010000 mg", 1),
        ("-0.02 mg", -20_000),
        ("−0.02 mg", -20_000),  # U+2212 minus sign
        ("+1 mg", MG),
        ("0 mg", 0),
        ("-0.0 mg", 0),
        ("  512.0\u00a0mg ", 512_000_000),
        ("512.0mg", 512_000_000),
        ("007 mg", 7 * MG),
        ("9223372036854775807 ng", MASS_NG_MAX),
    ],
)
def test_a_mass_is_read_exactly(text: str, ng: int) -> None:
    """Number and unit give the exact count of nanograms."""
    assert Mass.parse(text).ng == ng


@pytest.mark.parametrize(
    "text",
    [
        "512.0", "mg", "", "   ", "512.0 lb", "512.0 Mg", "512.0 MG", "512.0 m", "512.0 mgg", "512 g mg",
        "5e2 mg", "5E2 mg", "nan mg", "NaN mg", "inf mg", "1,204 mg", "1,204.3 mg", "512,0 mg", "1 204 mg", "1_204 mg",
        ".5 mg", "5. mg", "1.2.3 mg", "--1 mg", "0x10 mg", "٥ mg", "1/2 mg", "about 100 mg", "100 +- 10 mg",
        "0.0000001 mg", "0.5 ng", "9223372036854775808 ng", "9" * 200 + " mg", "1" + " " * 5000 + "mg", "5 mg\n5 mg",
    ],
)  # fmt: skip
def test_what_is_not_a_mass_is_refused(text: str) -> None:
    """No guess is made at a unit, a separator, an exponent or a part of a nanogram."""
    with pytest.raises(NotAMass) as refused:
        Mass.parse(text)

    assert "Write a plain number and its unit" in str(refused.value)
    assert len(str(refused.value)) < 200


@pytest.mark.parametrize("typed", [512.0, 512, None, Decimal("512.0"), b"512.0 mg"])
def test_only_text_is_parsed(typed: object) -> None:
    """A bare number has no unit, so it is refused like a text without one."""
    with pytest.raises(NotAMass):
        Mass.parse(typed)  # type: ignore[arg-type]  # the wrong type is what is tried


@pytest.mark.parametrize("ng", [1.0, Decimal(1), "1", None, True, math.nan])
def test_a_mass_is_built_from_an_int_only(ng: object) -> None:
    """A float of nanograms cannot slip in, however whole it looks."""
    with pytest.raises(TypeError):
        Mass(ng)  # type: ignore[arg-type]  # the wrong type is what is tried


@pytest.mark.parametrize(
    ("ng", "unit", "text"),
    [
        (512_000_000, "mg", "512 mg"),
        (512_460_000, "mg", "512.46 mg"),
        (1, "kg", "0.000000000001 kg"),
        (-20_000, "mg", "-0.02 mg"),
        (0, "g", "0 g"),
        (100, "µg", "0.1 µg"),
        (10_000_000_000, "g", "10 g"),
        (9_007_199_254_740_993, "kg", "9007.199254740993 kg"),  # 2^53 + 1: a double would lose the last digit
    ],
)
def test_a_mass_is_written_exactly(ng: int, unit: str, text: str) -> None:
    """The figure has all digits that count and none that do not."""
    assert Mass(ng).format(unit) == text


@pytest.mark.parametrize("unit", ["", "lb", "MG", "t"])
def test_an_unknown_unit_is_refused_in_writing(unit: str) -> None:
    """A figure is not written out in a unit that could not be read back."""
    with pytest.raises(NotAMass):
        Mass(1).format(unit)


def test_masses_add_subtract_and_compare() -> None:
    """The first split of demo table T7, M03: parts and worked loss make up the whole again (in mg)."""
    whole = Mass.parse("221408 mg")
    parts = [Mass.parse(f"{digits} mg") for digits in ("131972", "58310", "30214", "871.6")]
    loss = whole - sum(parts, Mass(0))

    assert loss == Mass.parse("40.4 mg")
    assert -loss < Mass(0) < loss < whole
    assert abs(-loss) == loss
    assert len({loss, Mass(40_400_000)}) == 1


def test_a_mass_does_not_mix_with_bare_numbers() -> None:
    """Grams and nanograms cannot be added by oversight."""
    with pytest.raises(TypeError):
        Mass(1) + 1  # type: ignore[operator]  # the wrong type is what is tried
    with pytest.raises(TypeError):
        Mass(1) < 1  # type: ignore[operator]  # noqa: B015 - the comparison itself must fail


def test_a_reading_keeps_what_was_typed() -> None:
    """Trailing zeros tell the readability, so the text, the digits and the unit stay as they came."""
    reading = Reading.parse(" 512.0 mg")

    assert (reading.text, reading.digits, reading.unit) == (" 512.0 mg", "512.0", "mg")
    assert reading.mass == Reading.parse("512 mg").mass
    assert reading != Reading.parse("512 mg")


@pytest.mark.parametrize(
    ("text", "mass_mg", "u_mg"),
    [  # GUM 4.3.7: a rectangular distribution of half-width b has u = b / sqrt 3; demo L-02 has u 5.77 of 100 +- 10
        ("100 +- 10 mg", 100, 5.7735),
        ("100 +/- 10 mg", 100, 5.7735),
        ("100 ± 10 mg", 100, 5.7735),
        ("about 100 mg ± 0.01 g", 100, 5.7735),
        ("~100+-10mg", 100, 5.7735),
        ("about 100 mg", 100, 11.5470),
        ("ca. 100 mg", 100, 11.5470),
        ("100 mg", 100, 11.5470),
        ("100 +- 0 mg", 100, 0),
        ("0 mg", 0, 0),
    ],
)
def test_an_estimate_carries_an_uncertainty(text: str, mass_mg: int, u_mg: float) -> None:
    """A judged mass has the uncertainty of its bounds, and of 20 % bounds where none were given (house rule)."""
    estimate = Estimate.parse(text)

    assert estimate.mass == Mass(mass_mg * MG)
    assert estimate.u_ng / MG == pytest.approx(u_mg, abs=5e-5)


@pytest.mark.parametrize("text", ["100", "100 +- 10", "100 mg +- 10", "-5 mg", "100 +- -10 mg", "lots", "100 +- 10 %"])
def test_what_is_not_an_estimate_is_refused(text: str) -> None:
    """A unit is required, and neither the mass nor its bound is negative."""
    with pytest.raises(NotAMass):
        Estimate.parse(text)


@pytest.mark.parametrize(
    ("name", "d_mg", "s_mg", "u_mg", "least_mg"),
    [  # demo table T5, worked by hand from sqrt 2 * sqrt(s^2 + d^2 / 12) and max(2000 s, 820 d)
        ("B1", "0.1", "0.15", 0.2160, 300),
        ("B2", "0.01", "0.02", 0.0286, 40),
        ("B3", "0.001", "0.003", 0.0043, 6),
        ("B4", "1", "1.5", 2.1602, 3000),
        ("B5", "0.001", "0.004", 0.0057, 8),
        ("B6", "0.01", "0.025", 0.0356, 50),
        ("B7", "0.1", "0.2", 0.2858, 400),
        ("B8", "0.01", "0.03", 0.0426, 60),
        ("B9", "1", "2", 2.8577, 4000),
    ],
)
def test_the_balances_of_the_demo(name: str, d_mg: str, s_mg: str, u_mg: float, least_mg: int) -> None:
    """Every balance of the demo has the uncertainty and the least mass of its table."""
    balance = Balance(Mass.parse(f"{d_mg} mg").ng, Mass.parse(f"{s_mg} mg").ng)

    assert balance.net_uncertainty_ng / MG == pytest.approx(u_mg, abs=5.1e-5)
    assert balance.least_mass_ng == least_mg * MG


def test_the_net_uncertainty_is_that_of_a_difference() -> None:
    """Gross less tare, as the package ``uncertainties`` propagates it."""
    d_ng, s_ng = 100_000, 150_000
    gross, tare = (ufloat(5e8, s_ng) + ufloat(0, d_ng / math.sqrt(12)) for _ in range(2))

    assert Balance(d_ng, s_ng).net_uncertainty_ng == pytest.approx((gross - tare).std_dev, rel=1e-12)


@pytest.mark.parametrize(
    ("d_ng", "s_ng", "least_ng"),
    [
        (0, 150_000, 300 * MG),  # USP <41>: s = 0.00015 g gives 300.00 mg
        (100_000, 10_000, 82 * MG),  # USP <41>: s not below 0.41 d, so 820 d = 82 mg at d = 0.1 mg
        (100_000, 41_000, 82 * MG),
        (100_000, 41_001, 82_002_000),
    ],
)
def test_the_least_mass_of_usp_41(d_ng: int, s_ng: int, least_ng: int) -> None:
    """The published minimum weights, with and without the floor."""
    assert Balance(d_ng, s_ng).least_mass_ng == least_ng


def test_the_uncertainty_has_no_floor() -> None:
    """A quiet balance keeps its small s in u; only the least mass is floored."""
    assert Balance(100_000, 0).net_uncertainty_ng == pytest.approx(math.sqrt(2 / 12) * 100_000)


def test_the_relative_term_grows_with_the_load() -> None:
    """Adding 1e-5 of 1 g (10 µg) in quadrature to u = sqrt 2 * 30 µg: 43.59 µg (by hand: sqrt 1900)."""
    balance = Balance(0, 30_000, relative=1e-5)

    assert balance.net_uncertainty_ng == pytest.approx(math.sqrt(1800) * 1000)
    assert balance.uncertainty_ng(10**9) == pytest.approx(math.sqrt(1900) * 1000)
    assert balance.uncertainty_ng(-(10**9)) == balance.uncertainty_ng(10**9)
    assert balance.uncertainty_ng(0) == balance.net_uncertainty_ng


@pytest.mark.parametrize("figures", [(-1, 1, 0), (1, -1, 0), (1, 1, -1), (math.nan, 1, 0), (1, math.inf, 0)])
def test_a_balance_has_figures_from_zero_on(figures: tuple[float, float, float]) -> None:
    """Negative and missing figures would give a small or no uncertainty."""
    with pytest.raises(Malformed):
        Balance(*figures)


@pytest.mark.parametrize(
    ("celsius", "pressure_mmhg", "humidity", "density", "tolerance"),
    [
        (10.0, 730.0, 0.40, 1.19569, 1e-5),  # Mass Metrology (Springer 2011), appendix p. 205
        (40.0, 760.0, 0.40, 1.11497, 1e-4),  # same; far outside 15-27 °C, so to 1e-4 only
        # NIST SOP 2, examples 1 and 3, which use the older formula of Jones (1978): the two differ by some 5e-5.
        (22.3, 748.1, 0.37, 1.17194, 1e-4),
        (23.4, 612.3, 0.23, 0.95632, 1e-4),
        (20.0, 101_325 / PA_PER_MMHG, 0.50, 1.199314, 1e-6),  # our own recomputation of CIPM-2007
    ],
)
def test_the_air_density_of_cipm_2007(
    celsius: float, pressure_mmhg: float, humidity: float, density: float, tolerance: float
) -> None:
    """Published densities of moist air in kg/m3."""
    assert air_density(celsius, pressure_mmhg * PA_PER_MMHG, humidity) == pytest.approx(density, abs=tolerance)


def test_carbon_dioxide_makes_air_heavier() -> None:
    """CIPM-2007: M_a grows by 12.011 g/mol a mole fraction of CO2, so 1000 ppm instead of 400 is 2.488e-4 more."""
    usual, stuffy = air_density(20, 101_325, 0), air_density(20, 101_325, 0, 0.001)

    assert stuffy / usual - 1 == pytest.approx(12.011 * 0.0006 / 28.96546, rel=1e-9)
    with pytest.raises(Malformed):
        air_density(20, 101_325, 0.5, 400)


@pytest.mark.parametrize(
    ("celsius", "pressure_pa", "humidity"),
    [
        (20, 101_325, 45),
        (20, 101_325, -0.1),
        (20, 101_325, math.nan),
        (20, 0, 0.5),
        (20, -1, 0.5),
        (20, math.nan, 0.5),
        (20, math.inf, 0.5),
        (-273.15, 101_325, 0.5),
        (math.nan, 101_325, 0.5),
    ],
)
def test_impossible_air_is_refused(celsius: float, pressure_pa: float, humidity: float) -> None:
    """Percent for a fraction, no pressure, no temperature: each is refused and not computed."""
    with pytest.raises(Malformed):
        air_density(celsius, pressure_pa, humidity)


@pytest.mark.parametrize(
    ("density", "factor"),
    [(997, 1.0010549), (2500, 1.0003302), (3300, 1.0002137), (7900, 1.0000019), (8000, 1.0)],
)
def test_buoyancy_factors_in_conventional_air(density: float, factor: float) -> None:
    """Factors at 1.2 kg/m3 against 8000 kg/m3, the conventional values of OIML D 28 (recomputed by hand)."""
    assert buoyancy_factor(1.2, density) == pytest.approx(factor, abs=5.1e-8)


def test_a_kilogram_of_rock_reads_light() -> None:
    """Rock of 2200 kg/m3 reads 0.40 mg a gram low at sea level and 0.07 mg less so at 1600 m (handbook figures)."""
    low, high = (air_density(20, standard_pressure_pa(altitude_m), 0.5) for altitude_m in (0, 1600))

    assert (buoyancy_factor(low, 2200) - 1) * 1000 == pytest.approx(0.40, abs=0.005)
    assert (buoyancy_factor(low, 2200) - buoyancy_factor(high, 2200)) * 1000 == pytest.approx(0.07, abs=0.005)


@pytest.mark.parametrize(
    "densities", [(1.2, 1.2, 8000), (1.2, 0, 8000), (1.2, 2200, 1), (-1, 2200, 8000), (math.nan, 2200, 8000)]
)
def test_what_floats_cannot_be_corrected(densities: tuple[float, float, float]) -> None:
    """No factor is given for a sample that is no denser than the air, nor for negative or missing figures."""
    with pytest.raises(Malformed):
        buoyancy_factor(*densities)


@pytest.mark.parametrize(("altitude_m", "pressure_pa"), [(0, 101_325), (1000, 89_875), (11_000, 22_632)])
def test_the_standard_atmosphere(altitude_m: float, pressure_pa: float) -> None:
    """Pressures of the ISO 2533 table, as printed to five digits in a public toolbox manual (atmosisa)."""
    assert standard_pressure_pa(altitude_m) == pytest.approx(pressure_pa, abs=0.6)


@pytest.mark.parametrize("altitude_m", [-1001, 11_001, math.nan])
def test_the_standard_atmosphere_ends(altitude_m: float) -> None:
    """Above 11 km another formula holds, and nobody weighs there."""
    with pytest.raises(Malformed):
        standard_pressure_pa(altitude_m)
