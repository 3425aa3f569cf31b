"""Water in a gas: saturation vapour pressure, and the frost point from temperature and relative humidity.

Formulas: D. Sonntag, "Advancements in the field of hygrometry", Meteorologische Zeitschrift 3 (1994) 51-66 (the same as
Sonntag 1990, on ITS-90), over water from -100 to 100 °C and over ice from -100 to 0.01 °C. Relative humidity is over
water at all temperatures, as the WMO has it (WMO-No. 8, annex 4.A) and as sensors are calibrated. The gas is taken as
ideal: the enhancement of some 0.5 % at room pressure moves a frost point by less than 0.05 °C.
"""

import math
from typing import Final

from shipsvc.domain.errors import Malformed

ZERO_C_K: Final = 273.15
TRIPLE_POINT_C: Final = 0.01
COLDEST_C: Final = -100.0
HOTTEST_C: Final = 100.0
#: ln(e in Pa) = a / T + b + c T + d T^2 + f ln T, with T in kelvin.
_WATER: Final = (-6096.9385, 21.2409642, -2.711193e-2, 1.673952e-5, 2.433502)
_ICE: Final = (-6024.5282, 29.32707, 1.0613868e-2, -1.3198825e-5, -0.49382577)


def pressure_over_water_pa(temperature_c: float) -> float:
    """Saturation vapour pressure over liquid water in Pa. Malformed outside -100 to 100 °C."""
    _require(COLDEST_C <= temperature_c <= HOTTEST_C, f"{temperature_c} °C is outside -100 to 100 °C")
    return math.exp(_log_pressure(_WATER, temperature_c))


def pressure_over_ice_pa(temperature_c: float) -> float:
    """Saturation vapour pressure over ice in Pa. Malformed outside -100 to 0.01 °C."""
    _require(COLDEST_C <= temperature_c <= TRIPLE_POINT_C, f"{temperature_c} °C is outside -100 to 0.01 °C")
    return math.exp(_log_pressure(_ICE, temperature_c))


def frost_point_c(temperature_c: float, relative_humidity: float) -> float:
    """The temperature in °C at which frost forms from a gas at ``temperature_c`` and ``relative_humidity`` in %.

    Above the triple point dew forms instead, and the dew point is given. Malformed where the temperature is outside
    -100 to 100 °C, the humidity not above 0 %, or the answer below -100 °C.
    """
    _require(relative_humidity > 0, "a relative humidity of 0 % has no frost point")
    return frost_point_of_pressure_c(pressure_over_water_pa(temperature_c) * relative_humidity / 100)


def frost_point_of_pressure_c(vapour_pressure_pa: float) -> float:
    """The frost point (above the triple point: the dew point) in °C of a vapour pressure in Pa. Malformed as above."""
    dew = vapour_pressure_pa > pressure_over_ice_pa(TRIPLE_POINT_C)
    formula, low, high = (_WATER, 0.0, HOTTEST_C) if dew else (_ICE, COLDEST_C, TRIPLE_POINT_C)
    _require(vapour_pressure_pa > 0, "a vapour pressure is above 0 Pa")
    wanted = math.log(vapour_pressure_pa)
    _require(_log_pressure(formula, low) <= wanted <= _log_pressure(formula, high), "outside what the formulas cover")
    for _ in range(60):  # halving the widest bracket down to the last bit; the pressure only ever rises
        middle = (low + high) / 2
        low, high = (middle, high) if _log_pressure(formula, middle) < wanted else (low, middle)
    return (low + high) / 2


def water_ppm(frost_point: float, pressure_pa: float = 101_325.0) -> float:
    """Water in parts per million by volume of a gas at ``pressure_pa`` with this frost point in °C."""
    return 1e6 * pressure_over_ice_pa(frost_point) / pressure_pa


def _log_pressure(formula: tuple[float, float, float, float, float], temperature_c: float) -> float:
    a, b, c, d, f = formula
    kelvin = temperature_c + ZERO_C_K
    return a / kelvin + b + c * kelvin + d * kelvin**2 + f * math.log(kelvin)


def _require(holds: bool, why: str) -> None:
    if not holds:
        raise Malformed(why=why)
