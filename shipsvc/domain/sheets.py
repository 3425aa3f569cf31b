"""The sheet of a split: what goes off, what is lost in work and what is left, held against the book before it is told.

A sheet that does not balance is accepted like every fact (design, promise 1); whoever fills it in is told before.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from shipsvc.domain.book import Book, Stated
from shipsvc.domain.mass import Mass
from shipsvc.domain.rulebook import Rules
from shipsvc.domain.verdicts import Comparison, Verdict, compare

#: Verdicts with which a sheet balances. What cannot be confirmed does not: nothing shows that all of it is there.
BALANCED = frozenset({Verdict.AGREES, Verdict.WATCH, Verdict.LOSS_WITHIN_ALLOWANCE})


USUALLY = Rules()


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a split is to say: each piece's mass (None: not weighed), the loss in work, and what is left under the old
    number (None: not weighed, or nothing where the sample ``ends``); ``process`` is what was done."""

    pieces: Sequence[Stated | None]
    loss: Stated | None = None
    rest: Stated | None = None
    ends: bool = False
    process: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether everything on it was weighed, so that it can be summed."""
        return all(self.pieces) and (self.ends or self.rest is not None)

    @property
    def stated(self) -> list[Stated]:
        """All masses on it."""
        return [mass for mass in (*self.pieces, self.loss, self.rest) if mass is not None]


@dataclass(frozen=True, slots=True)
class Sum:
    """A sheet summed, in ng: the book before, what is on the sheet, what may get lost in such work, and how the two
    compare (None: something on the sheet, or the book itself, has no mass)."""

    book_ng: int | None
    pieces_ng: int
    loss_ng: int
    rest_ng: int
    allowance_ng: int
    comparison: Comparison | None

    @property
    def total_ng(self) -> int:
        """All that is on the sheet."""
        return self.pieces_ng + self.loss_ng + self.rest_ng

    @property
    def balances(self) -> bool:
        """Whether nothing is missing, and nothing too much, beyond what weighing and work explain."""
        return self.comparison is not None and self.comparison.verdict in BALANCED


def missing(found: Comparison) -> str:
    """By how much a sheet does not close, in words."""
    figures = Mass(found.difference_ng).digits("mg"), Mass(round(found.u_ng)).digits("mg")
    return f"what is on the sheet differs from the book by {figures[0]} mg, u {figures[1]} mg"


def summed(before: Book, sheet: Sheet, rules: Rules = USUALLY) -> Sum:
    """Hold a sheet against the book of the sample as it was before the split."""
    book_ng = before.mass_ng
    allowance_ng = round(rules.allowances.split_ng(sheet.process, before.material, book_ng or 0))
    return Sum(
        book_ng=book_ng,
        pieces_ng=sum(piece.ng for piece in sheet.pieces if piece),
        loss_ng=sheet.loss.ng if sheet.loss else 0,
        rest_ng=sheet.rest.ng if sheet.rest else 0,
        allowance_ng=allowance_ng,
        comparison=_compared(before, book_ng, sheet, rules) if book_ng is not None and sheet.is_whole else None,
    )


def _compared(before: Book, book_ng: int, sheet: Sheet, rules: Rules) -> Comparison:
    variance = before.variance + sum(mass.variance for mass in sheet.stated)
    estimated = before.estimated_variance + sum(mass.estimated_variance for mass in sheet.stated)
    return compare(
        book_ng,
        sum(mass.ng for mass in sheet.stated),
        variance**0.5,
        allowance_ng=rules.allowances.split_ng(sheet.process, before.material, book_ng),
        moisture_ng=rules.allowances.moisture_ng(before.moisture_class, book_ng),
        estimated=2 * estimated > variance,
    )
