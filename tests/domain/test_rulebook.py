"""Which version of a balance or an allowance a mass is judged by; the usual allowances are those of trade.md 2.3."""

from datetime import UTC, date, datetime

import pytest

from shipsvc.domain.mass import Balance
from shipsvc.domain.rulebook import (
    USUAL,
    Allowances,
    KnownBalance,
    Rulebook,
    Version,
    read_allowances,
    write_allowances,
)


def day(text: str) -> datetime:
    """Midnight of a day, UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def known(s_ng: float) -> KnownBalance:
    """A balance with such a repeatability."""
    return KnownBalance(Balance(100_000, s_ng), date(2027, 1, 31))


#: Told in this order: since spring; a mend of the time before that, which says nothing of spring by itself.
TOLD = [
    Version(day("2026-03-01"), day("2026-03-02"), known(1.0)),
    Version(day("2026-01-01"), day("2026-06-01"), known(2.0)),
    Version(day("2026-03-01"), day("2026-06-02"), known(3.0)),
]


def test_of_the_versions_that_begin_by_then_the_one_told_last_holds() -> None:
    """As for every document (store.documents); before its first day a balance is as on that day."""
    book = Rulebook({"B1": TOLD})
    found = [
        book.at(day(at)).balances["B1"].balance.repeatability_ng for at in ("2025-01-01", "2026-02-01", "2026-04-01")
    ]
    assert found == [2.0, 2.0, 3.0]
    then = book.known_on(day("2026-05-01"))
    assert then.at(day("2026-02-01")).balances["B1"].balance.repeatability_ng == 1.0
    assert book.known_on(day("2026-01-01")).at(day("2026-04-01")).balances == {}


@pytest.mark.parametrize(
    ("material", "expected_mg", "lost_mg"),
    [("chip", 10, 0.05), ("chip", 1000, 1.0), ("powder", 10, 0.2), ("powder", 250, 2.5), ("sealed", 1000, 0.0)],
)
def test_the_usual_handling_is_the_larger_of_a_mass_and_a_share(
    material: str, expected_mg: int, lost_mg: float
) -> None:
    """Chips 0.05 mg or 0.1 %, powders 0.2 mg or 1 %, sealed none (trade.md 2.3; 2.50 mg of 250 in demo.md 7.4)."""
    assert USUAL.handling_ng(material, expected_mg * 10**6) == pytest.approx(lost_mg * 1e6)


def test_work_is_allowed_by_its_process_and_else_by_the_material() -> None:
    """Crushing 1 % of a chip, dry chipping 0.5 %, sieving up to 5 % (trade.md 2.3), a word of one's own by material."""
    worked = [USUAL.working_ng(process, "chip", 10**9) for process in ("Crushing", "", "tickling", "sieving")]
    assert worked == [1e7, 5e6, 5e6, 5e7]
    assert [USUAL.moisture_ng(name, 10**9) for name in ("CI", "CM", "other")] == [5e7, 2e7, 2e6]


def test_what_is_not_named_is_as_usual_and_what_is_kept_reads_back() -> None:
    """A version holds all that was allowed when it was written."""
    said = Allowances({"chip": (0, 5_000)}, {"drilling": 7_000}, {}).over(USUAL)
    assert said.handling_ng("chip", 10**9) == 5e6
    assert said.handling_ng("powder", 10**9) == 1e7
    assert said.working_ng("drilling", "chip", 10**9) == 7e6
    assert read_allowances(write_allowances(said)) == said
