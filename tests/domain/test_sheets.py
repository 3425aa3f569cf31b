"""The sheet of a split: sums, uncertainties, and whether it balances.

Sources: demo.md (the split of 2025-06-20, with its masses); GUM 5.1.2, equation 10, for the uncertainty of a sum of
independent terms; the 0.5 % and 1 % that work may lose are common practice, no source.
"""

import math
from typing import Any

import pytest

from shipsvc.domain.book import Book, Stated
from shipsvc.domain.mass import Mass
from shipsvc.domain.sheets import Sheet, summed
from shipsvc.domain.verdicts import Verdict


def weighed(text: str, u_mg: float = 0.0) -> Stated:
    """A mass that was weighed, with its standard uncertainty."""
    return Stated(Mass.parse(text).ng, (u_mg * 1e6) ** 2, "weighed")


def book(text: str, u_mg: float = 0.0, **said: Any) -> Book:
    """A book that holds a mass."""
    return Book(Mass.parse(text).ng, (u_mg * 1e6) ** 2, how="weighed", **said)


def test_the_split_on_loan() -> None:
    """demo.md: 86.209 mg into 40.102, 30.877 and 15.180 mg, 0.050 mg lost, nothing left: to the microgram."""
    pieces = [weighed(text, 0.006) for text in ("40.102 mg", "30.877 mg", "15.180 mg")]
    found = summed(book("86.209 mg", 0.006), Sheet(pieces, Stated(50_000, 0.0, "declared"), ends=True))
    assert (found.total_ng, found.pieces_ng, found.loss_ng) == (86_209_000, 86_159_000, 50_000)
    assert found.comparison is not None
    assert found.comparison.difference_ng == 0
    assert found.balances


def test_the_uncertainty_of_the_difference() -> None:
    """GUM equation 10: the root of the sum of squares of the book, both pieces and the rest."""
    sheet = Sheet([weighed("300 mg", 0.2), weighed("200 mg", 0.3)], rest=weighed("704 mg", 0.6))
    found = summed(book("1204.3 mg", 1.2), sheet)
    assert found.comparison is not None
    assert found.comparison.u_ng == pytest.approx(1e6 * math.sqrt(1.2**2 + 0.2**2 + 0.3**2 + 0.6**2))


@pytest.mark.parametrize(
    ("material", "rest", "verdict", "balances"),
    [
        ("chip", "495 mg", Verdict.LOSS_WITHIN_ALLOWANCE, True),  # 5 of 1000: just what dry chipping may lose
        ("chip", "494.9 mg", Verdict.UNEXPLAINED_LOSS, False),
        ("powder", "490 mg", Verdict.LOSS_WITHIN_ALLOWANCE, True),
        ("powder", "489.9 mg", Verdict.UNEXPLAINED_LOSS, False),
        ("sealed", "499.9 mg", Verdict.UNEXPLAINED_LOSS, False),
        ("chip", "503 mg", Verdict.UNEXPLAINED_GAIN, False),
        ("chip", "5000 mg", Verdict.UNEXPLAINED_GAIN, False),
    ],
)
def test_what_work_may_lose(material: str, rest: str, verdict: Verdict, balances: bool) -> None:
    """By what was worked; the limit itself belongs to the milder side, and a gain never balances."""
    found = summed(book("1000 mg", 0.001, material=material), Sheet([weighed("500 mg")], rest=weighed(rest)))
    assert found.comparison is not None
    assert (found.comparison.verdict, found.balances) == (verdict, balances)


@pytest.mark.parametrize(
    ("before", "sheet"),
    [
        (Book(), Sheet([weighed("5 mg")], ends=True)),
        (book("10 mg"), Sheet([weighed("5 mg")])),
        (book("10 mg"), Sheet([weighed("5 mg"), None], rest=weighed("1 mg"))),
    ],
)
def test_what_cannot_be_summed_does_not_balance(before: Book, sheet: Sheet) -> None:
    """No book, a rest or a piece that nobody weighed: the sums that there are, and no verdict."""
    found = summed(before, sheet)
    assert found.comparison is None
    assert not found.balances
    assert found.pieces_ng == 5_000_000


def test_an_estimate_never_balances() -> None:
    """trade.md 2.3: cannot be confirmed, never a green tick."""
    estimated = Book(10_000_000, 1e12, 1e12, how="estimated")
    found = summed(estimated, Sheet([weighed("5 mg")], rest=weighed("5 mg")))
    assert found.comparison is not None
    assert (found.comparison.verdict, found.balances) == (Verdict.CANNOT_BE_CONFIRMED, False)
