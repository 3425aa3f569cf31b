"""Mass in whole nanograms: as typed, as kept, as written out; what a balance is worth; what the air carries.

A mass is an integer of nanograms, so that sums and splits are exact (1 kg is 10^12 ng; 64 bits hold 9 million kg). An
uncertainty is a float of nanograms: it is itself known to two digits at best. Every uncertainty here is a standard
uncertainty (k = 1).
"""

import math
import re
from dataclasses import dataclass

from shipsvc.domain.errors import Malformed, NotAMass

#: Powers of ten that lead from a unit to ng. A capital M would be mega, so case counts. Micro is written in three ways.
POWER_OF_UNIT = {"kg": 12, "g": 9, "mg": 6, "ug": 3, "µg": 3, "μg": 3, "ng": 0}
#: What a signed 64-bit column holds.
MASS_NG_MAX = 2**63 - 1

#: Digits with at most one point, and digits on both sides of it: a lone leading point is too easily lost from a label.
#: No comma, because "1,204 mg" is one thing in Berlin and another in Boston.
_NUMBER = r"[+\-−]?[0-9]{1,30}(?:\.[0-9]{1,30})?"
_READING = re.compile(rf"\s*({_NUMBER})\s*([a-zµμ]{{1,2}})\s*")
_ESTIMATE = re.compile(
    rf"\s*(?:(?:about|ca\.|~|≈)\s*)?({_NUMBER})\s*([a-zµμ]{{1,2}})?(?:\s*(?:±|\+-|\+/-)\s*({_NUMBER})\s*([a-zµμ]{{1,2}}))?\s*"
)
#: Anybody may send a text: a bound keeps both the matching and the message short.
_TEXT_CHARACTERS_MAX = 100
_SHOWN_CHARACTERS = 60


@dataclass(frozen=True, order=True, slots=True)
class Mass:
    """A mass, or a difference of two masses, in whole nanograms; negative where something is less than it was.

    A negative *reading* is kept too: a balance shows one after a wrong tare, and what a person saw is not refused.

    Raises:
        TypeError: ``ng`` is not an ``int``. A float or a Decimal would let a part of a nanogram in by the back door.
    """

    ng: int

    def __post_init__(self) -> None:
        if type(self.ng) is not int:
            raise TypeError(f"Mass takes a whole number of ng as int, not {type(self.ng).__name__}; see Mass.parse")

    @classmethod
    def parse(cls, text: str) -> "Mass":
        """The mass that a text such as "512.0 mg" states. For the digits as typed, use ``Reading.parse``.

        Raises:
            NotAMass: no unit, another unit, an exponent, a comma, no number, or not a whole number of ng.
        """
        return Reading.parse(text).mass

    def digits(self, unit: str) -> str:
        """The exact decimal figure in kg, g, mg, ug or ng, without trailing zeros and without the unit: "512.46".

        Raises:
            NotAMass: the unit is not one of those.
        """
        if unit not in POWER_OF_UNIT:
            raise NotAMass(typed=f"A figure in {_shown(unit)}")
        power = POWER_OF_UNIT[unit]
        whole, rest = divmod(abs(self.ng), 10**power)
        fraction = f"{rest:0{power}d}".rstrip("0") if rest else ""
        return f"{'-' if self.ng < 0 else ''}{whole}{'.' if fraction else ''}{fraction}"

    def format(self, unit: str) -> str:
        """The exact figure with its unit, such as "512.46 mg"; ``Mass.parse`` reads it back to the same mass.

        Raises:
            NotAMass: the unit is not kg, g, mg, ug or ng.
        """
        return f"{self.digits(unit)} {unit}"

    def __add__(self, other: "Mass") -> "Mass":
        return Mass(self.ng + other.ng) if isinstance(other, Mass) else NotImplemented

    def __sub__(self, other: "Mass") -> "Mass":
        return Mass(self.ng - other.ng) if isinstance(other, Mass) else NotImplemented

    def __neg__(self) -> "Mass":
        return Mass(-self.ng)

    def __abs__(self) -> "Mass":
        return Mass(abs(self.ng))


@dataclass(frozen=True, slots=True)
class Reading:
    """What a person typed or a balance printed, kept word for word beside the mass: "512.0" says more than "512"."""

    text: str
    digits: str
    unit: str
    mass: Mass

    @classmethod
    def parse(cls, text: str) -> "Reading":
        """Read a plain number with its unit (kg, g, mg, ug or µg, ng), such as "512.0 mg" or "-0.02 mg".

        Raises:
            NotAMass: no unit, another unit, an exponent, a comma, no number, or not a whole number of ng.
        """
        found = _matched(_READING, text)
        return cls(text=text, digits=found[1], unit=found[2], mass=Mass(_whole_ng(found[1], found[2], text)))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mass that was judged and not weighed: "about 100 mg" or "100 +- 10 mg".

    The half-width bounds a rectangular distribution, so the standard uncertainty is half-width / sqrt 3 (GUM 4.3.7).
    Without one it is taken as 20 % of the mass (house rule, no source).
    """

    mass: Mass
    half_width: Mass

    @classmethod
    def parse(cls, text: str) -> "Estimate":
        """Read "100 mg", "about 100 mg", "100 +- 10 mg" or "100 mg ± 10 mg"; ``±``, ``+-`` and ``+/-`` are one sign.

        Raises:
            NotAMass: not of this form, a negative figure, or not a whole number of ng.
        """
        digits, unit, width_digits, width_unit = _matched(_ESTIMATE, text).groups()
        mass = Mass(_whole_ng(digits, unit or width_unit, text))
        half_width = Mass(_whole_ng(width_digits, width_unit, text)) if width_digits else default_half_width(mass)
        if mass.ng < 0 or half_width.ng < 0:
            raise NotAMass(typed=_shown(text))
        return cls(mass, half_width)

    @property
    def u_ng(self) -> float:
        """Standard uncertainty in ng."""
        return self.half_width.ng / math.sqrt(3)


def default_half_width(mass: Mass) -> Mass:
    """Half-width of an estimate that came without one: 20 % of it, rounded to a whole ng."""
    return Mass((abs(mass.ng) + 2) // 5)


@dataclass(frozen=True, slots=True)
class Balance:
    """What a balance can tell apart, in ng: readability d and repeatability s, the standard deviation of 10 weighings.

    ``relative`` is the standard uncertainty of the calibration as a share of the load (0.00001 is 10 µg a gram), and
    ``linearity_ng`` the half-width within which its readings may bend between the loads that were checked.

    Raises:
        Malformed: a figure is negative, infinite or not a number.
    """

    readability_ng: float
    repeatability_ng: float
    relative: float = 0.0
    linearity_ng: float = 0.0

    def __post_init__(self) -> None:
        for name in ("readability_ng", "repeatability_ng", "relative", "linearity_ng"):
            _require(0 <= getattr(self, name) < math.inf, f"{name} of a balance must be a number from 0 on")

    @property
    def net_uncertainty_ng(self) -> float:
        """Standard uncertainty of a net weighing in ng, gross less tare on this balance: sqrt 2 * sqrt(s^2 + d^2 / 12).

        Without what a certificate states: see ``uncertainty_ng``. No floor, unlike the least mass.
        """
        return math.sqrt(2) * math.hypot(self.repeatability_ng, self.readability_ng / math.sqrt(12))

    def uncertainty_ng(self, mass_ng: float) -> float:
        """Standard uncertainty in ng of a net weighing of ``mass_ng``, with the relative term and linearity / sqrt 3
        added in quadrature."""
        return math.hypot(self.net_uncertainty_ng, self.relative * mass_ng, self.linearity_ng / math.sqrt(3))

    @property
    def least_mass_ng(self) -> float:
        """Smallest net mass in ng that the balance weighs to 0.1 %: the larger of 2000 s and 820 d.

        USP <41>: 2 s is at most 0.10 % of the smallest net mass, and s is not taken below 0.41 d.
        """
        return max(2000 * self.repeatability_ng, 820 * self.readability_ng)


def air_density(
    temperature_c: float, pressure_pa: float, relative_humidity: float, co2_fraction: float = 0.0004
) -> float:
    """Density of moist air in kg/m3 by CIPM-2007 (Picard et al., Metrologia 45 (2008) 149).

    ``relative_humidity`` is a fraction, 0 to 1, and ``co2_fraction`` the mole fraction of carbon dioxide. Made for
    15-27 °C and 600-1100 hPa; beyond, it is only a guide.

    Raises:
        Malformed: humidity is not from 0 to 1, CO2 not from 0 to 0.1, pressure not above 0, temperature not above
            -273.15 °C, or not numbers.
    """
    _require(-273.15 < temperature_c < math.inf, "temperature must be above -273.15 °C")
    _require(0 < pressure_pa < math.inf, "pressure must be above 0 Pa")
    _require(0 <= relative_humidity <= 1, "relative humidity must be a fraction from 0 to 1, such as 0.45")
    _require(0 <= co2_fraction <= 0.1, "carbon dioxide must be a mole fraction from 0 to 0.1, such as 0.0004")
    temperature_k = temperature_c + 273.15
    water = relative_humidity * _water_mole_fraction_at_saturation(temperature_c, pressure_pa)
    dry_molar_mass = (28.96546 + 12.011 * (co2_fraction - 0.0004)) * 1e-3  # kg/mol
    water_molar_mass, gas_constant = 18.01528e-3, 8.314472  # kg/mol, J/(mol K)
    ideal = pressure_pa * dry_molar_mass / (gas_constant * temperature_k)
    compressibility = _compressibility(temperature_c, pressure_pa, water)
    return ideal / compressibility * (1 - water * (1 - water_molar_mass / dry_molar_mass))


def _water_mole_fraction_at_saturation(temperature_c: float, pressure_pa: float) -> float:
    """CIPM-2007, equations A1.1 and A1.2: enhancement factor times saturation pressure over pressure."""
    kelvin = temperature_c + 273.15
    exponent = 1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2
    return enhancement * math.exp(exponent) / pressure_pa


def _compressibility(temperature_c: float, pressure_pa: float, water: float) -> float:
    """CIPM-2007, equation A1.4: the factor Z of moist air."""
    pressure_per_k = pressure_pa / (temperature_c + 273.15)
    first = 1.58123e-6 - 2.9331e-8 * temperature_c + 1.1043e-10 * temperature_c**2
    second = (5.707e-6 - 2.051e-8 * temperature_c) * water
    third = (1.9898e-4 - 2.376e-6 * temperature_c) * water**2
    return 1 - pressure_per_k * (first + second + third) + pressure_per_k**2 * (1.83e-11 - 0.765e-8 * water**2)


def standard_pressure_pa(altitude_m: float) -> float:
    """Air pressure in Pa at an altitude below 11 km, where no barometer was read (ISO 2533 standard atmosphere).

    Raises:
        Malformed: the altitude is not between -1000 and 11 000 m.
    """
    _require(-1000 <= altitude_m <= 11_000, "altitude must be between -1000 and 11 000 m")
    # The exponent is g M / (R L) of the standard: 9.80665 m/s2, 0.0289644 kg/mol, 8.31432 J/(mol K), 6.5 K/km.
    return float(101_325 * (1 - 0.0065 * altitude_m / 288.15) ** 5.255876)


def buoyancy_factor(air_density: float, sample_density: float, reference_density: float = 8000.0) -> float:
    """What a balance reading is multiplied by to give the mass: (1 - air / reference) / (1 - air / sample).

    All three in kg/m3. 8000 is the conventional density of the weights that a balance is adjusted with (OIML D 28).

    Raises:
        Malformed: air below 0, sample or reference not denser than the air, or not numbers.
    """
    _require(0 <= air_density < math.inf, "air density must be a number from 0 on, in kg/m3")
    for density in (sample_density, reference_density):
        _require(air_density < density < math.inf, "what is weighed must be denser than the air, in kg/m3")
    return (1 - air_density / reference_density) / (1 - air_density / sample_density)


def _whole_ng(digits: str, unit: str | None, text: str) -> int:
    """Exact, on integers: Decimal arithmetic would round to the 28 digits of its context."""
    whole, _, fraction = digits.replace("−", "-").partition(".")
    if unit not in POWER_OF_UNIT:
        raise NotAMass(typed=_shown(text))
    scaled, parts = int(whole + fraction) * int(10 ** POWER_OF_UNIT[unit]), int(10 ** len(fraction))
    if scaled % parts or abs(scaled) > MASS_NG_MAX * parts:
        raise NotAMass(typed=_shown(text))
    return scaled // parts


def _matched(pattern: re.Pattern[str], text: object) -> re.Match[str]:
    found = pattern.fullmatch(text) if isinstance(text, str) and len(text) <= _TEXT_CHARACTERS_MAX else None
    if found is None:
        raise NotAMass(typed=_shown(text))
    return found


def _shown(text: object) -> str:
    """What was typed, in quotation marks and short enough for a message."""
    typed = str(text)
    return f'"{typed[:_SHOWN_CHARACTERS]}{"..." if len(typed) > _SHOWN_CHARACTERS else ""}"'


def _require(holds: bool, why: str) -> None:
    """Refuse a figure; a comparison with NaN is false, so NaN is refused as well."""
    if not holds:
        raise Malformed(why=why)
