"""What stands behind a mass beside its variance: what it shares with other masses, what its air did, what was stated.

Masses add up, and so does this: of a book from which something was used, each part is that of the two together.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from shipsvc.domain import air
from shipsvc.domain.air import ROCK

#: How dry a thing was when it was weighed; what is not told is "".
DRY = "dry"
AS_FOUND = "as_found"


@dataclass(frozen=True, slots=True)
class Basis:
    """Behind a mass or a sum of masses.

    ``expanded_variance``: the stated expanded uncertainties in ng, squared and summed; None unless all were stated.
    ``shared``: by source, such as "calibration of B1", how many ng one standard uncertainty of that moves it by.
    ``buoyancy_ng``: by how much more it is than it reads, in the air that was read at each weighing; None unless it was
    read at all of them. ``density_slope``: how that changes with the density of the sample, in ng per kg/m3.
    ``dryness``: dry or as found, of the mass that set it; ``dried_h``: hours in dry gas since the last weighing.
    """

    expanded_variance: float | None = None
    shared: Mapping[str, float] = field(default_factory=dict)
    buoyancy_ng: float | None = None
    density_slope: float = 0.0
    dryness: str = ""
    dried_h: int = 0

    def less(self, other: "Basis") -> "Basis":
        """Behind what is left when the other mass has gone; how dry it is stays as it was."""
        return replace(
            self,
            expanded_variance=_both(self.expanded_variance, other.expanded_variance, 1),
            shared=_merged(self.shared, other.shared, -1),
            buoyancy_ng=_both(self.buoyancy_ng, other.buoyancy_ng, -1),
            density_slope=self.density_slope - other.density_slope,
        )

    def shared_variance(self, other: "Basis") -> float:
        """The covariance of the two masses in ng^2: what both have of one source."""
        return sum(u * other.shared[source] for source, u in self.shared.items() if source in other.shared)


UNKNOWN = Basis()


def together(parts: Iterable[Basis]) -> Basis:
    """Behind the sum of masses."""
    found: Basis | None = None
    for part in parts:
        found = part if found is None else _sum(found, part)
    return replace(found, dryness="", dried_h=0) if found else UNKNOWN


def added_variance(parts: Iterable[Basis]) -> float:
    """What the variance of a sum of masses has in ng^2 beside theirs: of one calibration all are off together."""
    known = list(parts)
    alone = sum(u * u for part in known for u in part.shared.values())
    return sum(u * u for u in together(known).shared.values()) - alone


def _sum(one: Basis, other: Basis) -> Basis:
    return Basis(
        _both(one.expanded_variance, other.expanded_variance, 1),
        _merged(one.shared, other.shared, 1),
        _both(one.buoyancy_ng, other.buoyancy_ng, 1),
        one.density_slope + other.density_slope,
    )


def _both(one: float | None, other: float | None, sign: int) -> float | None:
    return None if one is None or other is None else one + sign * other


def _merged(one: Mapping[str, float], other: Mapping[str, float], sign: int) -> dict[str, float]:
    return {source: one.get(source, 0.0) + sign * other.get(source, 0.0) for source in sorted({*one, *other})}


def buoyancy(ng: int, words: Mapping[str, Any]) -> tuple[float | None, float]:
    """By how many ng more a mass is than it reads in the air told with it, taken for rock, and how that changes with
    the density of the rock in ng per kg/m3; (None, 0) where the air was not read."""
    read = words.get("air")
    if not isinstance(read, Mapping):
        return None, 0.0
    there = air.measured_air(
        float(read["temperature_c"]), 100.0 * float(read["pressure_hpa"]), float(read["humidity_percent"]) / 100
    )
    return air.corrected_ng(ng, there, ROCK) - ng, air.slope_by_density(ng, there, ROCK)


def dryness(words: Mapping[str, Any], dried_h: int = 0) -> str:
    """How dry it was when it was weighed, as told; else dry where it stood in dry gas since the weighing before."""
    told = words.get("dryness")
    if told in ("equilibrated", "re_dried"):
        return DRY
    return AS_FOUND if told == "as_found" else DRY if dried_h else ""
