"""The book mass of one sample: what it was first weighed at, less what was told used, divided off or lost since.

A weighing is held against the book and never moves it (design, promise 6); only ``posted`` and ``rebased`` set it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from shipsvc.domain import weighing
from shipsvc.domain.facts import Fact
from shipsvc.domain.mass import Balance, Estimate, Mass
from shipsvc.domain.verdicts import Comparison, compare

#: What handling may lose: the larger of a mass in ng and a share of the expected mass. Common practice, no source.
HANDLING: Mapping[str, tuple[int, float]] = {"sealed": (0, 0.0), "chip": (50_000, 0.001), "powder": (200_000, 0.01)}
#: What air may add, as a share of the expected mass, by class of material. Common practice, no source.
MOISTURE: Mapping[str, float] = {"CI": 0.05, "CM": 0.02, "other": 0.002}
#: What work may lose where nobody said how much it lost, as a share of the mass worked: dry chipping, crushing and
#: mixing. Common practice, no source.
WORKING: Mapping[str, float] = {"sealed": 0.0, "chip": 0.005, "powder": 0.01}
#: How a book without a mass is known: of a piece whose mass its parent's book still holds, and of one in resin, which
#: has no mass account (trade case 42).
UNWEIGHED = "unweighed"
EMBEDDED = "embedded"


@dataclass(frozen=True, slots=True)
class KnownBalance:
    """A balance with the day its calibration lapses; its figures are in ng."""

    balance: Balance
    good_until: date


@dataclass(frozen=True, slots=True)
class Book:
    """Book mass in ng (None: never stated), its variance in ng^2, and the part of that which estimates carry.

    ``how`` is weighed, estimated, declared, computed, posted or rebased, or without a mass unweighed or embedded;
    ``material`` and ``moisture_class`` choose the allowances; ``reserve`` says that it is kept for later.
    """

    mass_ng: int | None = None
    variance: float = 0.0
    estimated_variance: float = 0.0
    how: str = ""
    material: str = "chip"
    moisture_class: str = "other"
    reserve: bool = False


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
    return Stated(mass.ng, weighing.variance(known.balance, mass.ng, words), "weighed")


def based(book: Book, fact: Fact, balances: Balances) -> Book:
    """The book once a sample is registered or accessioned with what is known of it."""
    book = _described(book, fact)
    mass = stated(fact.body, balances)
    return _set(book, mass, mass.how) if mass and book.mass_ng is None and book.how != EMBEDDED else book


def _described(book: Book, fact: Fact) -> Book:
    return replace(
        book,
        material=fact.text("material") or book.material,
        moisture_class=fact.text("moisture_class") or book.moisture_class,
        reserve=book.reserve or fact.body.get("reserve") is True,
    )


def born(parent: Book, material: str, mass: Stated | None) -> Book:
    """The book of a piece of a sample; without a mass of its own, its parent's book still holds it."""
    piece = Book(material=material, moisture_class=parent.moisture_class)
    if mass is None:
        return replace(piece, how=UNWEIGHED if parent.mass_ng is not None else "")
    return _set(piece, mass, mass.how)


def mixed(book: Book, fact: Fact, mass: Stated | None, parts: Sequence[Stated]) -> Book:
    """The book of a mixture: as it was weighed; else as it was registered; else what its parts come to."""
    book = _described(book, fact)
    if mass is not None:
        return _set(book, mass, mass.how)
    if book.mass_ng is not None:
        return book
    return replace(
        book,
        mass_ng=sum(part.ng for part in parts),
        variance=sum(part.variance for part in parts),
        estimated_variance=sum(part.estimated_variance for part in parts),
        how="computed",
    )


def closed(book: Book) -> Book:
    """The book once nothing is left of the sample."""
    return replace(book, mass_ng=0, variance=0.0, estimated_variance=0.0)


def is_worked_loss(ng: int, worked_ng: int, material: str) -> bool:
    """Whether so much may get lost in working so much; more than that, or a gain, is unexplained."""
    return 0 <= ng <= WORKING.get(material, WORKING["chip"]) * worked_ng


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
    """The book once a person has set it to a weighing, as ``posted`` or, from an estimate, as ``rebased``."""
    mass = stated(fact.body, balances)
    return _set(book, mass, fact.kind) if mass and book.how != EMBEDDED else book


def _set(book: Book, mass: Stated, how: str) -> Book:
    return replace(book, mass_ng=mass.ng, variance=mass.variance, estimated_variance=mass.estimated_variance, how=how)


def weighed(book: Book, fact: Fact, balances: Balances) -> tuple[Book, Compared | None]:
    """The book once a weighing is told, and the comparison. A first weighing is the book; a later one moves nothing."""
    mass = stated(fact.body, balances)
    if mass is None or book.how == EMBEDDED:
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
