"""The uncertainty budget of a mass: where its u comes from, component by component, and what two masses share.

The law of propagation of the GUM (5.1.2, and 5.2.2 for what is shared): each component is a quantity with a standard
uncertainty and a sensitivity. Components of one *source* are one quantity: between two weighings on one balance its
calibration cancels, over ten weighings against one standard it adds up.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from shipsvc.domain import air
from shipsvc.domain.air import ROCK, Density
from shipsvc.domain.errors import Malformed
from shipsvc.domain.mass import Balance


@dataclass(frozen=True, slots=True)
class Component:
    """One quantity behind a mass: its standard uncertainty in ``unit``, and how many ng the mass moves by one unit.

    ``source`` names what it comes from, such as "calibration of B1"; "" is of its own and shared with nothing.

    Raises:
        Malformed: the uncertainty is negative, or a figure is not finite.
    """

    name: str
    u: float
    unit: str = "ng"
    sensitivity: float = 1.0
    source: str = ""

    def __post_init__(self) -> None:
        if not (0 <= self.u < math.inf and math.isfinite(self.sensitivity)):
            raise Malformed(why=f"{self.name} must have a finite uncertainty from 0 on and a finite sensitivity")

    @property
    def contribution_ng(self) -> float:
        """What it brings to the uncertainty of the mass, in ng."""
        return abs(self.sensitivity) * self.u


@dataclass(frozen=True, slots=True)
class Budget:
    """The components of one mass, no two of the same source."""

    components: tuple[Component, ...]

    @property
    def u_ng(self) -> float:
        """Combined standard uncertainty in ng: the root of the sum of squares of the contributions."""
        return math.hypot(*(one.contribution_ng for one in self.components))

    @property
    def shares(self) -> tuple[float, ...]:
        """Of each component, in order, which share of u^2 it carries; they add up to 1, or are 0 where u is."""
        variance = self.u_ng**2
        return tuple(one.contribution_ng**2 / variance if variance else 0.0 for one in self.components)

    def expanded_ng(self, k: float = 2.0) -> float:
        """Expanded uncertainty U = k u in ng; k = 2 covers about 95 % of a normal distribution.

        Raises:
            Malformed: k is not a number above 0.
        """
        if not 0 < k < math.inf:
            raise Malformed(why="the coverage factor k must be a number above 0")
        return k * self.u_ng


def rectangular(half_width: float) -> float:
    """Standard uncertainty of what lies within a half-width, every value as likely: a / sqrt 3 (GUM 4.3.7)."""
    return half_width / math.sqrt(3)


def triangular(half_width: float) -> float:
    """Standard uncertainty of what lies within a half-width, most likely in the middle: a / sqrt 6 (GUM 4.3.9)."""
    return half_width / math.sqrt(6)


def combined(terms: Iterable[tuple[float, Budget]]) -> Budget:
    """The budget of a sum of masses, each with its factor: (1, sent), (-1, received) for a difference.

    Components of one source are added up with their signs first, as one quantity that moves all of them together.

    Raises:
        Malformed: two terms state different uncertainties for one source.
    """
    alone: list[Component] = []
    shared: dict[str, Component] = {}
    for factor, budget in terms:
        for one in budget.components:
            turned = replace(one, sensitivity=factor * one.sensitivity)
            if not one.source:
                alone.append(turned)
            elif one.source not in shared:
                shared[one.source] = turned
            else:
                shared[one.source] = _together(shared[one.source], turned)
    return Budget((*alone, *shared.values()))


def _together(one: Component, other: Component) -> Component:
    if (one.u, one.unit) != (other.u, other.unit):
        raise Malformed(
            why=f"{one.source} is stated with two uncertainties, {one.u} {one.unit} and {other.u} {other.unit}"
        )
    return replace(one, sensitivity=one.sensitivity + other.sensitivity)


def difference(observed: Budget, expected: Budget) -> Budget:
    """The budget of observed less expected."""
    return combined([(1.0, observed), (-1.0, expected)])


@dataclass(frozen=True, slots=True)
class Buoyancy:
    """The air that a weighing was made in and the density of what was weighed, where a reading is corrected for it.

    ``place`` names the air ("TRP on 2025-02-18"), ``sample`` what was weighed: two weighings of one sample share its
    density however far apart they are.
    """

    air: Density
    sample_density: Density = ROCK
    place: str = ""
    sample: str = ""

    def components(self, reading_ng: float) -> tuple[Component, ...]:
        """What the correction of a reading rests on."""
        by_air = air.slope_by_air(reading_ng, self.air, self.sample_density)
        by_density = air.slope_by_density(reading_ng, self.air, self.sample_density)
        place = f"air of {self.place}" if self.place else ""
        sample = f"density of {self.sample}" if self.sample else ""
        return (
            Component("buoyancy: air", self.air.u_kg_m3, "kg/m3", by_air, place),
            Component("buoyancy: sample", self.sample_density.u_kg_m3, "kg/m3", by_density, sample),
        )


def weighing(
    balance: Balance,
    net_ng: float,
    *,
    code: str = "",
    repeats: int = 1,
    scatter_ng: float | None = None,
    linearity_ng: float | None = None,
    error: float = 0.0,
    tare_u_ng: float | None = None,
    tare: str = "",
    buoyancy: Buoyancy | None = None,
) -> Budget:
    """The budget of one net weighing on a balance: gross less tare, each rounded to d and scattering by s.

    ``code`` names the balance, whose calibration all its weighings share; ``tare`` the weighing of the empty container,
    which all weighings share that had it subtracted; ``repeats`` is how many readings of the gross were averaged, and
    ``scatter_ng`` the standard deviation of one of them where that is not the balance's;
    ``linearity_ng`` the half-width that the certificate states, where that is not the balance's; ``error`` the part of
    ``balance.relative`` that is an error of indication which nobody corrected; ``tare_u_ng`` the uncertainty of a tare
    that was looked up. With one reading, no such tare and no correction for buoyancy the total is
    ``balance.uncertainty_ng(net_ng)``.

    Raises:
        Malformed: ``repeats`` is below 1, or a figure is negative or not a number.
    """
    if repeats < 1:
        raise Malformed(why="a weighing has at least one reading")
    rounding = balance.readability_ng / math.sqrt(12)
    scatter = balance.repeatability_ng if scatter_ng is None else scatter_ng
    tare_u_ng = math.hypot(rounding, balance.repeatability_ng) if tare_u_ng is None else tare_u_ng
    linearity_ng = balance.linearity_ng if linearity_ng is None else linearity_ng
    certified = math.sqrt(max(0.0, balance.relative**2 - error**2)) if error else balance.relative
    found = [
        Component("readability", rounding),
        Component("repeatability", scatter / math.sqrt(repeats)),
        Component("tare", tare_u_ng, source=f"tare {tare}" if tare else ""),
        Component("calibration", certified, "1", net_ng, f"calibration of {code}" if code else ""),
        Component("linearity", rectangular(linearity_ng)),
    ]
    if error:
        found.append(Component("error of indication", error, "1", net_ng, f"error of {code}" if code else ""))
    return Budget((*found, *(buoyancy.components(net_ng) if buoyancy else ())))
