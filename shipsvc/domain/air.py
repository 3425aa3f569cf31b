"""What the air carries of a thing on a balance: the air of a place, the correction of a reading, the shift by a move.

A balance is adjusted with weights of 8000 kg/m3; rock is lighter than that, so the air carries more of it and it reads
light. The corrections here are shown or asked for; none is ever added to a mass, or to an uncertainty, unseen.
"""

from dataclasses import dataclass

from shipsvc.domain.errors import Malformed
from shipsvc.domain.mass import air_density, buoyancy_factor, standard_pressure_pa

#: Conventional values of OIML D 28: what a "mass" on a certificate refers to.
CONVENTIONAL_AIR_KG_M3 = 1.2
WEIGHTS_KG_M3 = 8000.0
#: The air of a room where nobody read it: conditioned, with what weather and heating may change of its density.
#: Half-width 5 %: pressure of the weather 3.5 %, 17 to 23 °C 1 %, humidity 0.5 %. Common practice, no source.
ROOM_TEMPERATURE_C = 20.0
ROOM_HUMIDITY = 0.5
ASSUMED_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Density:
    """A density in kg/m3 with the half-width within which it surely lies; every value there is as likely."""

    kg_m3: float
    half_width_kg_m3: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.half_width_kg_m3 < self.kg_m3:
            raise Malformed(why="a density must be above 0 kg/m3, and its half-width from 0 to below it")

    @property
    def u_kg_m3(self) -> float:
        """Standard uncertainty in kg/m3: half-width / sqrt 3 (GUM 4.3.7)."""
        return float(self.half_width_kg_m3 / 3**0.5)


#: Rock where nobody measured it: hydrated carbonaceous material has 1800 to 2600 kg/m3. From memory, no source text.
ROCK = Density(2200.0, 400.0)


def measured_air(temperature_c: float, pressure_pa: float, relative_humidity: float) -> Density:
    """The air of a place where it was read, by CIPM-2007; its half-width is left to the instruments.

    Raises:
        Malformed: see ``mass.air_density``.
    """
    return Density(air_density(temperature_c, pressure_pa, relative_humidity))


def assumed_air(altitude_m: float) -> Density:
    """The air of a room at an altitude where it was not read: pressure by ISO 2533, 20 °C and 50 %, within 5 %.

    Not the density of ISO 2533 itself, which is that of the open: a balance stands in a heated room.

    Raises:
        Malformed: the altitude is not between -1000 and 11 000 m.
    """
    kg_m3 = air_density(ROOM_TEMPERATURE_C, standard_pressure_pa(altitude_m), ROOM_HUMIDITY)
    return Density(kg_m3, ASSUMED_SHARE * kg_m3)


def corrected_ng(reading_ng: float, air: Density, sample: Density = ROCK) -> float:
    """The mass in ng of what a balance adjusted with weights of 8000 kg/m3 reads so in that air.

    Raises:
        Malformed: the sample is no denser than the air.
    """
    return reading_ng * buoyancy_factor(air.kg_m3, sample.kg_m3, WEIGHTS_KG_M3)


def conventional_ng(mass_ng: float, sample: Density = ROCK) -> float:
    """The conventional mass in ng: that of a weight of 8000 kg/m3 which balances it in air of 1.2 kg/m3 (OIML D 28).

    Raises:
        Malformed: the sample is no denser than such air.
    """
    return mass_ng / buoyancy_factor(CONVENTIONAL_AIR_KG_M3, sample.kg_m3, WEIGHTS_KG_M3)


def shift_ng(reading_ng: float, here: Density, there: Density, sample: Density = ROCK) -> float:
    """By how much in ng more the same thing reads in the air *there* than the reading it gave in the air *here*.

    Raises:
        Malformed: the sample is no denser than the air.
    """
    mass_ng = corrected_ng(reading_ng, here, sample)
    return mass_ng / buoyancy_factor(there.kg_m3, sample.kg_m3, WEIGHTS_KG_M3) - reading_ng


def slope_by_air(reading_ng: float, air: Density, sample: Density = ROCK) -> float:
    """How the corrected mass changes with the density of the air, in ng per kg/m3: m (1/rho - 1/8000), nearly."""
    step = 1e-4
    denser, thinner = Density(air.kg_m3 + step), Density(air.kg_m3 - step)
    return (corrected_ng(reading_ng, denser, sample) - corrected_ng(reading_ng, thinner, sample)) / (2 * step)


def slope_by_density(reading_ng: float, air: Density, sample: Density = ROCK) -> float:
    """How the corrected mass changes with the density of the sample, in ng per kg/m3, below 0."""
    step = 1.0
    heavier, lighter = Density(sample.kg_m3 + step), Density(sample.kg_m3 - step)
    return (corrected_ng(reading_ng, air, heavier) - corrected_ng(reading_ng, air, lighter)) / (2 * step)
