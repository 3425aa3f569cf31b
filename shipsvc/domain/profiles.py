"""Storage profiles: which surroundings a sample is kept in, and how long it may be out of them.

A profile is a document with versions. Time is judged by the version that was in force then; what was known of it on a
day is a matter of which versions had been recorded by that day.
"""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from itertools import pairwise

from shipsvc.domain import quantities
from shipsvc.domain.errors import Malformed

#: A stretch beyond a limit with fewer readings than this is only perhaps one (rulings 22).
LEAST_READINGS = 2
#: Shares of a budget, in percent, at which somebody is to be told (trade 2.5).
WARN_AT_PERCENT = (50, 75, 90, 100)
_CODE = re.compile(r"[A-Z][A-Z0-9]{0,15}(-[A-Z0-9]{1,16}){0,3}")


@dataclass(frozen=True, slots=True)
class Limit:
    """Between which values a quantity has to stay, in its unit of ``quantities``; strictly beyond is outside.

    Raises:
        Malformed: an unknown quantity, a unit that is not the one it is kept in, no limit at all, one that is no
            number, or a lower one above the upper one.
    """

    quantity: str
    unit: str
    lower: float | None = None
    upper: float | None = None

    def __post_init__(self) -> None:
        kept_in = quantities.units(self.quantity)[0]
        _require(self.unit == kept_in, f"limits of {self.quantity} are kept in {kept_in}, not in {self.unit}")
        given = [limit for limit in (self.lower, self.upper) if limit is not None]
        _require(bool(given), f"say a lower or an upper limit of {self.quantity}, or leave it out")
        _require(all(map(math.isfinite, given)), f"a limit of {self.quantity} must be a number")
        _require(given == sorted(given), f"the lower limit of {self.quantity} must not be above the upper one")


@dataclass(frozen=True, slots=True)
class Contact:
    """A material that may touch the sample, and the first day on which it was approved."""

    material: str
    since: date


@dataclass(frozen=True, slots=True)
class Profile:
    """One version of a storage profile.

    ``decisive`` is the quantity whose coverage by readings shows that a sample was in (None: none does). Budgets are
    seconds out over a whole life and in one stretch (None: only recorded). ``max_gap_s`` is how far apart two readings
    may be and still cover the time between (None: three intervals, at least 30 min). A stretch beyond a limit of at
    most ``spike_allowance_s`` is not charged. A place that keeps this profile also keeps those it is ``as_strict_as``.

    Raises:
        Malformed: two limits of one quantity, a decisive quantity without a limit, a number out of range, a material
            approved twice.
    """

    code: str
    limits: tuple[Limit, ...] = ()
    decisive: str | None = None
    lifetime_budget_s: int | None = None
    single_budget_s: int | None = None
    least_readings: int = LEAST_READINGS
    max_gap_s: int | None = None
    spike_allowance_s: int = 0
    as_strict_as: frozenset[str] = frozenset()
    contacts: tuple[Contact, ...] = ()

    def __post_init__(self) -> None:
        limited = [limit.quantity for limit in self.limits]
        _require(all(_CODE.fullmatch(code) for code in (self.code, *self.as_strict_as)), "that is no code of a profile")
        _require(len(set(limited)) == len(limited), "give the limits of one quantity once")
        _require(self.decisive is None or self.decisive in limited, "the decisive quantity must have a limit")
        _require(self.least_readings >= 1, "an excursion takes at least one reading")
        _require(self.spike_allowance_s >= 0, "an allowance cannot be less than nothing")
        _require(self.max_gap_s is None or self.max_gap_s > 0, "a largest gap must be longer than nothing")
        budgets = [budget for budget in (self.single_budget_s, self.lifetime_budget_s) if budget is not None]
        _require(all(budget >= 0 for budget in budgets), "a budget cannot be less than nothing")
        _require(budgets == sorted(budgets), "what may be out at once cannot be more than in a whole life")
        materials = [contact.material.casefold() for contact in self.contacts]
        _require(len(set(materials)) == len(materials), "name each contact material once")

    def limit_of(self, quantity: str) -> Limit | None:
        """The limits of one quantity; None where it may be anything."""
        return next((limit for limit in self.limits if limit.quantity == quantity), None)

    def approves(self, material: str, on: date) -> bool:
        """Whether a material may touch the sample on a day; all may where the profile names none."""
        said = material.strip().casefold()
        return not self.contacts or any(c.material.casefold() == said and c.since <= on for c in self.contacts)


@dataclass(frozen=True, slots=True)
class Version:
    """A profile as told: it holds from ``valid_from`` on, whatever was said before it."""

    valid_from: datetime
    profile: Profile


#: The versions of each profile by code, in the order in which they were told.
Profiles = Mapping[str, Sequence[Version]]
Piece = tuple[datetime, datetime, Profile | None]


def in_force(versions: Sequence[Version], at: datetime) -> Profile | None:
    """The version that holds at an instant: the last one told that begins by then. None where nobody had said."""
    return next((version.profile for version in reversed(versions) if version.valid_from <= at), None)


def pieces(versions: Sequence[Version], start: datetime, end: datetime) -> list[Piece]:
    """[start, end) cut where another version begins to hold: (from, to, the profile then or None)."""
    edges = sorted({start, end, *(v.valid_from for v in versions if start < v.valid_from < end)})
    cut: list[Piece] = []
    for since, until in pairwise(edges):
        held = in_force(versions, since)
        if cut and cut[-1][2] == held:
            since = cut.pop()[0]
        cut.append((since, until, held))
    return cut


# ------------------------------------------------------------------------------------------------------------- budgets
class BudgetState(StrEnum):
    """What can be said of a budget (design section 5)."""

    WITHIN = "within"
    EXCEEDED = "exceeded"
    CANNOT_BE_TOLD = "cannot_be_told"
    NO_BUDGET = "no_budget"


@dataclass(frozen=True, slots=True)
class Spent:
    """A budget and how much of it is gone, in seconds: at least, and at most.

    ``warned_percent`` and ``perhaps_percent`` are the highest of the warning shares that the one and the other reach.
    """

    state: BudgetState
    budget_s: int | None = None
    warned_percent: int | None = None
    perhaps_percent: int | None = None


def spent(budget_s: int | None, at_least_s: float, at_most_s: float, *, known: bool = True) -> Spent:
    """How a budget stands. Exceeded only once surely more was out; within only while nothing could be more.

    ``known`` is whether anybody described the profile: without its limits nothing can be told.
    """
    if not known:
        return Spent(BudgetState.CANNOT_BE_TOLD)
    if budget_s is None:
        return Spent(BudgetState.NO_BUDGET)
    state = BudgetState.CANNOT_BE_TOLD
    if at_least_s > budget_s:
        state = BudgetState.EXCEEDED
    elif at_most_s <= budget_s:
        state = BudgetState.WITHIN
    return Spent(state, budget_s, _reached(budget_s, at_least_s), _reached(budget_s, at_most_s))


def worst(states: Iterable[BudgetState]) -> BudgetState:
    """The one that a person has to look at first."""
    order = (BudgetState.EXCEEDED, BudgetState.CANNOT_BE_TOLD, BudgetState.WITHIN)
    found = set(states)
    return next((state for state in order if state in found), BudgetState.NO_BUDGET)


def _reached(budget_s: int, out_s: float) -> int | None:
    return max((share for share in WARN_AT_PERCENT if out_s > 0 and out_s * 100 >= budget_s * share), default=None)


def _require(holds: bool, why: str) -> None:
    if not holds:
        raise Malformed(why=why)
