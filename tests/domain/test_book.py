"""The book mass of a sample by its acts; figures from demo.md T7, 7.4 and 7.6."""

from datetime import UTC, date, datetime
from typing import Any

import pytest

from shipsvc.domain import acts
from shipsvc.domain.book import Book, KnownBalance
from shipsvc.domain.facts import Fact
from shipsvc.domain.mass import Balance
from shipsvc.domain.rulebook import Rules

MG = 1_000_000
GOOD = date(2027, 1, 31)
BALANCES = {
    "B1": KnownBalance(Balance(100_000, 150_000), GOOD),
    "B2": KnownBalance(Balance(10_000, 20_000), GOOD),
    "B6": KnownBalance(Balance(10_000, 25_000), GOOD),
    "B10": KnownBalance(Balance(1 * MG, 1.5 * MG), date(2026, 6, 30)),
}
RULES = Rules(BALANCES)


def fact(kind: str, at: str = "2025-04-01T00:00:00+00:00", **body: Any) -> Fact:
    """A fact about the sample."""
    when = datetime.fromisoformat(at).astimezone(UTC)
    return Fact(kind, kind, (), when, when, "TRP", body)


def book(*facts: Fact) -> Book:
    """The book after facts."""
    state = Book()
    for one in facts:
        state = acts.done("BRM0001", state, one, RULES).book
    return state


BASE = fact("registered", mass="1204.3 mg", balance="B1")


def test_the_first_mass_opens_the_book_and_a_later_weighing_does_not_move_it() -> None:
    """Design, promise 6: an observation is not a posting."""
    assert book(BASE).mass_ng == 1_204_300_000
    assert book(BASE, fact("weighed", mass="1100 mg", balance="B6")).mass_ng == 1_204_300_000
    assert book(fact("weighed", mass="1100 mg", balance="B6")).mass_ng == 1_100_000_000


def test_uses_and_losses_lower_it_and_only_a_decision_sets_it() -> None:
    """L-01: 1204.3 less 540.46 used and 8.1 sawn leaves 655.74; posted at 655.2 (demo.md M08, T17)."""
    used = [fact("used", mass=f"{m} mg", balance="B6") for m in ("180.12", "201.44", "158.90")]
    state = book(BASE, *used, fact("loss_noted", mass="8.1 mg"))
    assert state.mass_ng == 655_740_000
    # u of the return: B1 twice and three uses on B6 give 0.312 mg (demo.md 7.4, "L-01 return").
    back = acts.done("BRM0001", state, fact("weighed", mass="655.2 mg", balance="B1"), RULES).compared
    assert back is not None
    assert back.result.u_ng == pytest.approx(312_000, abs=500)
    assert (back.result.difference_ng, back.result.verdict) == (-540_000, "agrees")
    assert book(BASE, *used, fact("posted", mass="655.2 mg", balance="B1")).mass_ng == 655_200_000


def test_an_estimated_use_makes_the_return_unconfirmable() -> None:
    """L-02: about 100 ± 10 of 512.46; the return cannot be confirmed, u 5.78 mg (demo.md 7.4)."""
    state = book(
        fact("registered", mass="512.46 mg", balance="B2"),
        fact("used", mass="300.1 mg", balance="B1"),
        fact("used", mass="100 mg", method="estimated", plus_minus="10 mg"),
    )
    found = acts.done("BRM0001", state, fact("weighed", mass="105.33 mg", balance="B2"), RULES).compared
    assert found is not None
    assert found.result.u_ng == pytest.approx(5_780_000, abs=10_000)
    assert found.result.verdict == "cannot_be_confirmed"


def test_a_split_lowers_the_rest_and_opens_books_of_the_pieces() -> None:
    """M07, 2 April 2025: 1000.28 mg out of 5021.2 leaves 4020.92 (demo.md 7.6)."""
    masses = {"BRM0017": "250.12", "BRM0018": "250.31", "BRM0019": "248.79", "BRM0020": "251.06"}
    pieces = [{"number": n, "mass": f"{m} mg", "balance": "B2", "material": "powder"} for n, m in masses.items()]
    done = acts.done(
        "BRM0016", book(fact("registered", mass="5021.2 mg", balance="B1")), fact("divided", children=pieces), RULES
    )
    assert done.book.mass_ng == 4_020_920_000
    assert next((n, b.mass_ng, b.material) for n, b in done.children) == ("BRM0017", 250_120_000, "powder")
    assert not done.ends
    assert acts.done("BRM0001", book(BASE), fact("divided", children=pieces[:1], ends=True), RULES).ends


def test_marks_stand_beside_the_verdict_and_change_no_value() -> None:
    """K-6 rests on a lapsed calibration (A21); 30.91 mg on B6 is below its least mass of 50 mg (T5)."""
    stone = book(fact("registered", mass="118652 mg", balance="B10"))
    late = acts.done(
        "BRM0001", stone, fact("weighed", "2026-10-20T10:00:00+00:00", mass="118649 mg", balance="B10"), RULES
    )
    assert late.compared is not None
    assert (late.compared.marks, late.compared.result.verdict) == (("calibration_lapsed",), "agrees")
    chip = acts.done(
        "BRM0022", book(fact("registered", mass="30.877 mg")), fact("weighed", mass="30.91 mg", balance="B6"), RULES
    )
    assert chip.compared is not None
    assert chip.compared.marks == ("below_least_mass",)
    unknown = acts.done("BRM0001", book(BASE), fact("weighed", mass="1204 mg", balance="B99"), RULES).compared
    assert unknown is not None
    assert unknown.marks == ("balance_unknown",)
