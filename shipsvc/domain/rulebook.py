"""What masses are judged by, as of a day: balances by their checks, and what handling may lose and air may add.

Both are documents of dated versions. A weighing is judged by the version in force when it happened; a version told
later, of a time before, judges anew what happened since then (D30).
"""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Generic, TypeVar

from shipsvc.domain.mass import Balance

Held = TypeVar("Held")
#: Parts per million in a whole.
WHOLE_PPM = 1_000_000


@dataclass(frozen=True, slots=True)
class KnownBalance:
    """A balance with the day its calibration lapses; its figures are in ng. All weighings by one ``calibration`` are
    off together, by as much as that is."""

    balance: Balance
    good_until: date
    calibration: str = ""


@dataclass(frozen=True, slots=True)
class Allowances:
    """What may happen to a mass without anybody being to blame.

    ``handling``: by material, the larger of a mass in ng and a share of the expected mass. ``working_ppm``: what work
    may lose where nobody said how much it lost, a share of the mass worked, by process, and by material where the
    process is not named. ``moisture_ppm``: what air may add, by class of material.
    """

    handling: Mapping[str, tuple[int, int]]
    working_ppm: Mapping[str, int]
    moisture_ppm: Mapping[str, int]

    def handling_ng(self, material: str, expected_ng: int) -> float:
        """How many ng handling may lose of an expected mass."""
        least_ng, share_ppm = self.handling.get(material) or USUAL.handling["chip"]
        return max(least_ng, share_ppm * abs(expected_ng) / WHOLE_PPM)

    def moisture_ng(self, moisture_class: str, expected_ng: int) -> float:
        """How many ng air may add to an expected mass."""
        return self._of(self.moisture_ppm, moisture_class, "other") * abs(expected_ng) / WHOLE_PPM

    def working_ng(self, process: str, material: str, worked_ng: int) -> float:
        """How many ng a process may lose of a mass worked; of a process not named here, by the material."""
        share_ppm = self.working_ppm.get(process.strip().lower()) if process else None
        if share_ppm is None:
            share_ppm = self._of(self.working_ppm, material, "chip")
        return share_ppm * abs(worked_ng) / WHOLE_PPM

    def split_ng(self, process: str, material: str, worked_ng: int) -> float:
        """How many ng may be missing from the sheet of a split: what handling always may lose, or such work."""
        least_ng, _ = self.handling.get(material) or USUAL.handling["chip"]
        return max(least_ng, self.working_ng(process, material, worked_ng))

    @staticmethod
    def _of(shares: Mapping[str, int], name: str, otherwise: str) -> int:
        return shares.get(name, shares[otherwise])

    def over(self, others: "Allowances") -> "Allowances":
        """These, and of the others what is not named in these."""
        return Allowances(
            {**others.handling, **self.handling},
            {**others.working_ppm, **self.working_ppm},
            {**others.moisture_ppm, **self.moisture_ppm},
        )


def read_allowances(text: str) -> Allowances:
    """The allowances that a version keeps as ``write_allowances`` writes them."""
    said = json.loads(text)
    handling = {name: (one["least_ng"], one["share_ppm"]) for name, one in said["handling"].items()}
    return Allowances(handling, said["working_ppm"], said["moisture_ppm"])


def write_allowances(allowances: Allowances) -> str:
    """The JSON that a version keeps."""
    handling = {name: {"least_ng": ng, "share_ppm": ppm} for name, (ng, ppm) in allowances.handling.items()}
    shares = {"working_ppm": dict(allowances.working_ppm), "moisture_ppm": dict(allowances.moisture_ppm)}
    return json.dumps({"handling": handling, **shares}, sort_keys=True, separators=(",", ":"))


#: Where a collection has said nothing. Common practice, no source: chips and powders moved between vials, dry chipping,
#: crushing and mixing, sieving (2 to 5 %); kerf of a saw is computed and told; water that air adds to dry material.
USUAL = Allowances(
    handling={"sealed": (0, 0), "chip": (50_000, 1_000), "powder": (200_000, 10_000)},
    working_ppm={"sealed": 0, "chip": 5_000, "powder": 10_000, "chipping": 5_000, "crushing": 10_000}
    | {"sieving": 50_000},
    moisture_ppm={"CI": 50_000, "CM": 20_000, "other": 2_000},
)


@dataclass(frozen=True, slots=True)
class Version(Generic[Held]):
    """One version of a document: since when it holds, when it was told, what it holds."""

    valid_from: datetime
    recorded_at: datetime
    holds: Held


def in_force(versions: Sequence[Version[Held]], at: datetime) -> Held | None:
    """What holds at an instant: of the versions that begin by then the one told last; None before all of them."""
    held = [version for version in versions if version.valid_from <= at]
    return held[-1].holds if held else None


@dataclass(frozen=True, slots=True)
class Rules:
    """What a mass is judged by at one instant."""

    balances: Mapping[str, KnownBalance] = field(default_factory=dict)
    allowances: Allowances = USUAL


@dataclass(frozen=True, slots=True)
class Rulebook:
    """All versions, each document's in the order of telling: of balances by code, of allowances by collection."""

    balances: Mapping[str, Sequence[Version[KnownBalance]]] = field(default_factory=dict)
    allowances: Mapping[str, Sequence[Version[Allowances]]] = field(default_factory=dict)

    def at(self, instant: datetime, collection: str = "") -> Rules:
        """What is in force then for things of a collection.

        A balance is mostly written down after its first weighings, so before its first version that one holds.
        """
        found = {code: in_force(told, instant) or _first(told) for code, told in self.balances.items() if told}
        allowed = in_force(self.allowances.get(collection, ()), instant)
        return Rules(found, allowed or USUAL)

    def known_on(self, instant: datetime) -> "Rulebook":
        """What of this was told by an instant."""
        return replace(
            self,
            balances={code: _told_by(told, instant) for code, told in self.balances.items()},
            allowances={code: _told_by(told, instant) for code, told in self.allowances.items()},
        )


def _first(versions: Sequence[Version[Held]]) -> Held:
    begun = min(version.valid_from for version in versions)
    return [version.holds for version in versions if version.valid_from == begun][-1]


def _told_by(versions: Iterable[Version[Held]], instant: datetime) -> list[Version[Held]]:
    return [version for version in versions if version.recorded_at <= instant]
