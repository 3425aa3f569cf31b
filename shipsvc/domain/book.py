"""The book mass of one sample: what it was first weighed at, less what was told used, divided off or lost since.

A weighing is held against the book and never moves it (design, promise 6); only ``posted`` sets it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from shipsvc.domain.facts import Fact
from shipsvc.domain.mass import Balance, Estimate, Mass
from shipsvc.domain.verdicts import Comparison, compare

#: What handling may lose: the larger of a mass in ng and a share of the expected mass. Common practice, no source.
HANDLING: Mapping[str, tuple[int, float]] = {"sealed": (0, 0.0), "chip": (50_000, 0.001), "powder": (200_000, 0.01)}
#: What air may add, as a share of the expected mass, by class of material. Common practice, no source.
MOISTURE: Mapping[str, float] = {"CI": 0.05, "CM": 0.02, "other": 0.002}


@dataclass(frozen=True, slots=True)
class KnownBalance:
    """A balance with the day its calibration lapses; its figures are in ng."""

    balance: Balance
    good_until: date


@dataclass(frozen=True, slots=True)
class Book:
    """Book mass in ng (None: never stated), its variance in ng^2, and the part of that which estimates carry.

    ``how`` is weighed, estimated, declared or posted; ``material`` and ``moisture_class`` choose the allowances.
    """

    mass_ng: int | None = None
    variance: float = 0.0
    estimated_variance: float = 0.0
    how: str = ""
    material: str = "chip"
    moisture_class: str = "other"


@dataclass(frozen=True, slots=True)
class Compared:
    """A weighing held against the book: expected and observed in ng, the comparison, and marks beside the verdict."""

    event_id: str
    expected_ng: int
    observed_ng: int
    result: Comparison
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stated:
    """A mass as a fact states it, in ng, with its variance in ng^2 and how it is known."""

    ng: int
    variance: float
    how: str

    @property
    def estimated_variance(self) -> float:
        """The variance, where the mass is an estimate."""
        return self.variance if self.how == "estimated" else 0.0


Balances = Mapping[str, KnownBalance]


def stated(words: Mapping[str, Any], balances: Balances) -> Stated | None:
    """The mass in the body of a fact: ``mass`` with ``balance``, or with ``method`` "estimated" and ``plus_minus``."""
    text = words.get("mass")
    if not isinstance(text, str):
        return None
    if words.get("method") == "estimated":
        width = words.get("plus_minus")
        estimate = Estimate.parse(f"{text} +- {width}" if width else text)
        return Stated(estimate.mass.ng, estimate.u_ng**2, "estimated")
    mass = Mass.parse(text)
    known = balances.get(str(words.get("balance")))
    if known is None:
        return Stated(mass.ng, 0.0, "declared")
    return Stated(mass.ng, known.balance.uncertainty_ng(mass.ng) ** 2, "weighed")


def based(book: Book, fact: Fact, balances: Balances) -> Book:
    """The book once a sample is registered or accessioned with what is known of it."""
    book = replace(
        book,
        material=fact.text("material") or book.material,
        moisture_class=fact.text("moisture_class") or book.moisture_class,
    )
    mass = stated(fact.body, balances)
    return _set(book, mass, mass.how) if mass and book.mass_ng is None else book


def lowered(book: Book, mass: Stated | None) -> Book:
    """The book once a stated mass has left it."""
    if mass is None or book.mass_ng is None:
        return book
    return replace(
        book,
        mass_ng=book.mass_ng - mass.ng,
        variance=book.variance + mass.variance,
        estimated_variance=book.estimated_variance + mass.estimated_variance,
    )


def posted(book: Book, fact: Fact, balances: Balances) -> Book:
    """The book once a person has set it to a weighing."""
    mass = stated(fact.body, balances)
    return _set(book, mass, "posted") if mass else book


def _set(book: Book, mass: Stated, how: str) -> Book:
    return replace(book, mass_ng=mass.ng, variance=mass.variance, estimated_variance=mass.estimated_variance, how=how)


def weighed(book: Book, fact: Fact, balances: Balances) -> tuple[Book, Compared | None]:
    """The book once a weighing is told, and the comparison. A first weighing is the book; a later one moves nothing."""
    mass = stated(fact.body, balances)
    if mass is None:
        return book, None
    if book.mass_ng is None:
        return _set(book, mass, mass.how), None
    return book, _compared(book, book.mass_ng, mass, fact, balances)


def _compared(book: Book, expected_ng: int, mass: Stated, fact: Fact, balances: Balances) -> Compared:
    variance = book.variance + mass.variance
    least_ng, share = HANDLING.get(book.material, HANDLING["chip"])
    result = compare(
        expected_ng,
        mass.ng,
        variance**0.5,
        allowance_ng=max(least_ng, share * abs(expected_ng)),
        moisture_ng=MOISTURE.get(book.moisture_class, MOISTURE["other"]) * abs(expected_ng),
        estimated=2 * (book.estimated_variance + mass.estimated_variance) > variance,
    )
    return Compared(fact.id, expected_ng, mass.ng, result, _marks(mass, fact, balances))


def _marks(mass: Stated, fact: Fact, balances: Balances) -> tuple[str, ...]:
    known = balances.get(fact.text("balance") or "")
    if known is None:
        return ("balance_unknown",)
    marks = []
    if mass.ng < known.balance.least_mass_ng:
        marks.append("below_least_mass")
    if fact.happened_at.date() > known.good_until:
        marks.append("calibration_lapsed")
    return tuple(marks)
