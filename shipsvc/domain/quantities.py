"""What is measured around a sample: the closed list of quantities, each with its unit and what else it may come in.

Units are UCUM codes (https://ucum.org, case sensitive). Every limit and every reading is compared in the canonical unit
of its quantity; what a logger wrote is kept as written and converted when it is read.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from shipsvc.domain.errors import Malformed

#: Digits after the point that a converted value keeps: 258.15 K is -15 °C, not 4e-14 beside it; limits are strict.
DIGITS: Final = 9
#: Pascals in a pound-force per square inch: [lb_av] 453.59237 g times [g] 9.80665 m/s2 over [in_i] 2.54 cm squared.
_PSI_PA: Final = 0.45359237 * 9.80665 / 0.0254**2


@dataclass(frozen=True, slots=True)
class Line:
    """A conversion into the canonical unit: (value - zero) * times / over, rounded to DIGITS.

    Three numbers rather than two, so that exact conversions stay exact: (212 - 32) * 5 / 9 is 100.
    """

    zero: float = 0.0
    times: float = 1.0
    over: float = 1.0

    def to(self, value: float) -> float:
        """The value in the canonical unit."""
        return round((value - self.zero) * self.times / self.over, DIGITS)

    def back(self, value: float) -> float:
        """A value in the canonical unit in this one."""
        return round(value * self.over / self.times + self.zero, DIGITS)


_SAME: Final = Line()
_CELSIUS: Final[Mapping[str, Line]] = {
    "Cel": _SAME,
    "K": Line(zero=273.15),
    "[degF]": Line(zero=32, times=5, over=9),
    "[degR]": Line(zero=491.67, times=5, over=9),
}
#: UCUM's code of each unit that a quantity may be given in; the first one is canonical.
_UNITS: Final[Mapping[str, Mapping[str, Line]]] = {
    "temperature": _CELSIUS,
    "relative_humidity": {"%": _SAME, "1": Line(times=100)},
    "frost_point": _CELSIUS,
    "oxygen": {"[ppm]": _SAME, "[ppb]": Line(over=1000), "%": Line(times=10_000), "1": Line(times=1_000_000)},
    "pressure": {
        "mbar": _SAME,
        "hPa": _SAME,
        "Pa": Line(over=100),
        "kPa": Line(times=10),
        "bar": Line(times=1000),
        "atm": Line(times=1013.25),
        "mm[Hg]": Line(times=1.33322),
        "[psi]": Line(times=_PSI_PA, over=100),
    },
    "shock": {"m/s2": _SAME, "[g]": Line(times=9.80665), "cm/s2": Line(over=100)},
    "light": {"lx": _SAME, "klx": Line(times=1000), "lm/m2": _SAME},
}
#: The canonical unit of each quantity: oxygen by volume, pressure absolute or over that of the room, as a profile says.
QUANTITIES: Final[Mapping[str, str]] = {name: next(iter(units)) for name, units in _UNITS.items()}


def units(quantity: str) -> tuple[str, ...]:
    """UCUM codes that the quantity may be given in, the canonical one first. Malformed for an unknown quantity."""
    if quantity not in _UNITS:
        raise Malformed(why=f"{quantity[:60]!r} is not a quantity. Known are {', '.join(_UNITS)}.")
    return tuple(_UNITS[quantity])


def conversion(quantity: str, unit: str) -> Line:
    """How values in ``unit`` become values in the canonical unit. Malformed for an unknown quantity or unit of it."""
    known = units(quantity)
    if unit not in known:
        raise Malformed(why=f"{quantity} is not measured in {unit[:60]!r}. Known are {', '.join(known)} (UCUM codes).")
    return _UNITS[quantity][unit]


def to_canonical(quantity: str, value: float, unit: str) -> float:
    """A value in the canonical unit of the quantity. Malformed as ``conversion``."""
    return conversion(quantity, unit).to(value)


def from_canonical(quantity: str, value: float, unit: str) -> float:
    """A value given in the canonical unit, in another one. Malformed as ``conversion``."""
    return conversion(quantity, unit).back(value)
