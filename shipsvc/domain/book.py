"""The book mass of one sample: what it was first weighed at, less what was told used, divided off or lost since.

A weighing is held against the book and never moves it (design, promise 6); only ``posted`` and ``rebased`` set it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from shipsvc.domain import basis, weighing
from shipsvc.domain.air import ROCK
from shipsvc.domain.basis import UNKNOWN, Basis
from shipsvc.domain.facts import Fact
from shipsvc.domain.mass import Estimate, Mass
from shipsvc.domain.rulebook import KnownBalance as KnownBalance  # callers of the book ask for it here
from shipsvc.domain.rulebook import Rules
from shipsvc.domain.verdicts import Comparison, compare, e_n

#: How a book without a mass is known: of a piece whose mass its parent's book still holds, and of one in resin, which
#: has no mass account (trade case 42).
UNWEIGHED = "unweighed"
EMBEDDED = "embedded"


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
    basis: Basis = UNKNOWN


@dataclass(frozen=True, slots=True)
class Compared:
    """A weighing held against the book: expected and observed in ng, the comparison, and marks beside the verdict.

    ``buoyancy_ng`` is what the difference was corrected by, 0 unless the air was read on both sides (rulings 19);
    ``e_n`` stands where both sides state an expanded uncertainty; ``dryness`` is how dry it was.
    """

    event_id: str
    expected_ng: int
    observed_ng: int
    result: Comparison
    marks: tuple[str, ...]
    buoyancy_ng: int = 0
    e_n: float | None = None
    dryness: str = ""
    #: That it is the sheet of a split, which does not close: what came off and was left, against what there was.
    is_sheet: bool = False


@dataclass(frozen=True, slots=True)
class Stated:
    """A mass as a fact states it, in ng, with its variance in ng^2, how it is known, and what stands behind it."""

    ng: int
    variance: float
    how: str
    basis: Basis = UNKNOWN

    @property
    def estimated_variance(self) -> float:
        """The variance, where the mass is an estimate."""
        return self.variance if self.how == "estimated" else 0.0


def stated(words: Mapping[str, Any], rules: Rules) -> Stated | None:
    """The mass in the body of a fact: ``mass`` with ``balance``, or with ``method`` "estimated" and ``plus_minus``.

    Where it states an expanded uncertainty U and its factor k, U / k is its u: whoever weighed knows more of that
    weighing than the papers of the balance do (GUM 7.2.1). What is far from those is marked beside the verdict.
    """
    text = words.get("mass")
    if not isinstance(text, str):
        return None
    if words.get("method") == "estimated":
        width = words.get("plus_minus")
        estimate = Estimate.parse(f"{text} +- {width}" if width else text)
        return Stated(estimate.mass.ng, estimate.u_ng**2, "estimated")
    ng = Mass.parse(text).ng
    known, said = rules.balances.get(str(words.get("balance"))), weighing.stated_u_ng(words)
    behind = _basis(ng, words, known if said is None else None)
    if said is not None:
        expanded_ng, u_ng = said
        of_tare = float(words.get(weighing.TARE_VARIANCE) or 0)
        behind = replace(behind, expanded_variance=expanded_ng**2 + (expanded_ng / u_ng) ** 2 * of_tare)
        return Stated(ng, u_ng**2 + of_tare, "weighed" if known else "declared", behind)
    if known is None:
        return Stated(ng, 0.0, "declared", behind)
    return Stated(ng, weighing.variance(known.balance, ng, words), "weighed", behind)


def _basis(ng: int, words: Mapping[str, Any], known: KnownBalance | None) -> Basis:
    shared = {known.calibration: known.balance.relative * ng} if known and known.balance.relative else {}
    buoyancy_ng, slope = basis.buoyancy(ng, words)
    return Basis(shared=shared, buoyancy_ng=buoyancy_ng, density_slope=slope, dryness=basis.dryness(words))


def based(book: Book, fact: Fact, rules: Rules) -> Book:
    """The book once a sample is registered or accessioned with what is known of it."""
    book = _described(book, fact)
    mass = stated(fact.body, rules)
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
    known = [part.basis for part in parts]
    return replace(
        book,
        mass_ng=sum(part.ng for part in parts),
        variance=sum(part.variance for part in parts) + basis.added_variance(known),
        estimated_variance=sum(part.estimated_variance for part in parts),
        how="computed",
        basis=basis.together(known),
    )


def closed(book: Book) -> Book:
    """The book once nothing is left of the sample."""
    return replace(book, mass_ng=0, variance=0.0, estimated_variance=0.0, basis=UNKNOWN)


def is_worked_loss(ng: int, worked_ng: int, fact: Fact, material: str, rules: Rules) -> bool:
    """Whether so much may get lost in working so much; more than that, or a gain, is unexplained."""
    return 0 <= ng <= rules.allowances.working_ng(fact.text("process") or "", material, worked_ng)


def lowered(book: Book, mass: Stated | None) -> Book:
    """The book once a stated mass has left it."""
    if mass is None or book.mass_ng is None:
        return book
    return replace(
        book,
        mass_ng=book.mass_ng - mass.ng,
        variance=_uncancelled(book, mass),
        estimated_variance=book.estimated_variance + mass.estimated_variance,
        basis=book.basis.less(mass.basis),
    )


def _uncancelled(book: Book, mass: Stated) -> float:
    """The variance of the difference of the two in ng^2: what both have of one calibration cancels (GUM 5.2.2)."""
    return max(0.0, book.variance + mass.variance - 2 * book.basis.shared_variance(mass.basis))


def posted(book: Book, fact: Fact, rules: Rules) -> Book:
    """The book once a person has set it to a weighing, as ``posted`` or, from an estimate, as ``rebased``."""
    mass = stated(fact.body, rules)
    return _set(book, mass, fact.kind) if mass and book.how != EMBEDDED else book


def _set(book: Book, mass: Stated, how: str) -> Book:
    book = replace(book, mass_ng=mass.ng, variance=mass.variance, estimated_variance=mass.estimated_variance)
    return replace(book, how=how, basis=mass.basis)


def weighed(book: Book, fact: Fact, rules: Rules) -> tuple[Book, Compared | None]:
    """The book once a weighing is told, and the comparison. A first weighing is the book; a later one moves nothing.

    What stood in dry gas since the weighing before is dry now, unless the fact says otherwise.
    """
    mass = stated(fact.body, rules)
    if mass is None or book.how == EMBEDDED:
        return book, None
    mass = replace(mass, basis=replace(mass.basis, dryness=basis.dryness(fact.body, book.basis.dried_h)))
    if book.mass_ng is None:
        return _set(book, mass, mass.how), None
    found = _compared(book, book.mass_ng, mass, fact, rules)
    return replace(book, basis=replace(book.basis, dried_h=0)) if book.basis.dried_h else book, found


def dried(book: Book, fact: Fact) -> Book:
    """The book once the sample stood in dry gas for so many hours."""
    hours = fact.body.get("hours")
    return replace(book, basis=replace(book.basis, dried_h=hours if isinstance(hours, int) else 0))


def _compared(book: Book, expected_ng: int, mass: Stated, fact: Fact, rules: Rules) -> Compared:
    one, other = mass.basis, book.basis
    variance, buoyancy_ng = _uncancelled(book, mass), 0
    marks = _marks(book, mass, fact, rules)
    if one.buoyancy_ng is not None and other.buoyancy_ng is not None:
        buoyancy_ng = round(one.buoyancy_ng - other.buoyancy_ng)
        variance += ((one.density_slope - other.density_slope) * ROCK.u_kg_m3) ** 2
        marks += ("buoyancy_corrected",)
    result = compare(
        expected_ng,
        mass.ng + buoyancy_ng,
        variance**0.5,
        allowance_ng=rules.allowances.handling_ng(book.material, expected_ng),
        moisture_ng=rules.allowances.moisture_ng(book.moisture_class, expected_ng),
        estimated=2 * (book.estimated_variance + mass.estimated_variance) > variance,
    )
    score = None
    if one.expanded_variance is not None and other.expanded_variance is not None:
        score = e_n(mass.ng + buoyancy_ng, expected_ng, one.expanded_variance**0.5, other.expanded_variance**0.5)
    return Compared(fact.id, expected_ng, mass.ng, result, marks, buoyancy_ng, score, one.dryness)


#: A stated u that is so many times what the balance is known to do, or so many times less, is marked.
STATED_FACTOR = 3.0


def _marks(book: Book, mass: Stated, fact: Fact, rules: Rules) -> tuple[str, ...]:
    marks = []
    known = rules.balances.get(fact.text("balance") or "")
    if known is None:
        marks.append("balance_unknown")
    else:
        if mass.ng < known.balance.least_mass_ng:
            marks.append("below_least_mass")
        if fact.happened_at.date() > known.good_until:
            marks.append("calibration_lapsed")
        if mass.basis.expanded_variance is not None and _is_odd(mass, known, fact):
            marks.append("stated_u_odd")
    if mass.basis.dryness and book.basis.dryness and mass.basis.dryness != book.basis.dryness:
        marks.append("dryness_differs")
    return tuple(marks)


def _is_odd(mass: Stated, known: KnownBalance, fact: Fact) -> bool:
    usual = weighing.variance(known.balance, mass.ng, fact.body) ** 0.5
    return not usual / STATED_FACTOR <= mass.variance**0.5 <= usual * STATED_FACTOR
