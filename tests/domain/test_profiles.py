"""Storage profiles: values that cannot be wrong, versions in time, and what is left of a budget."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain.errors import Malformed
from shipsvc.domain.profiles import (
    BudgetState,
    Contact,
    Limit,
    Profile,
    Version,
    in_force,
    pieces,
    spent,
    worst,
)

START = datetime(2025, 1, 1, tzinfo=UTC)
HOUR_S = 3600
WARM = Limit("temperature", "Cel", 15, 25)
DRY = Limit("frost_point", "Cel", None, -40)


def at(hour: int) -> datetime:
    """An instant, in hours from the beginning."""
    return START + timedelta(hours=hour)


@pytest.mark.parametrize(
    "words",
    [
        {"quantity": "smell", "unit": "Cel", "upper": 1.0},
        {"quantity": "temperature", "unit": "K", "upper": 1.0},
        {"quantity": "temperature", "unit": "Cel"},
        {"quantity": "temperature", "unit": "Cel", "lower": float("nan")},
        {"quantity": "temperature", "unit": "Cel", "upper": float("inf")},
        {"quantity": "temperature", "unit": "Cel", "lower": 25.0, "upper": 15.0},
    ],
)
def test_a_limit_that_means_nothing_is_refused(words: dict[str, Any]) -> None:
    """No quantity of ours, another unit than it is kept in, no figure, no number, or the wrong way round."""
    with pytest.raises(Malformed):
        Limit(**words)


@pytest.mark.parametrize(
    "words",
    [
        {"code": "not a code"},
        {"as_strict_as": frozenset({"n"})},
        {"limits": (WARM, Limit("temperature", "Cel", None, 30))},
        {"decisive": "frost_point"},
        {"least_readings": 0},
        {"spike_allowance_s": -1},
        {"max_gap_s": 0},
        {"lifetime_budget_s": -1},
        {"lifetime_budget_s": HOUR_S, "single_budget_s": HOUR_S + 1},
        {"contacts": (Contact("PTFE", date(2025, 1, 1)), Contact("ptfe", date(2026, 1, 1)))},
    ],
)
def test_a_profile_that_contradicts_itself_is_refused(words: dict[str, Any]) -> None:
    """Each of the rules that a version keeps, broken alone."""
    Profile("N", (WARM,))
    with pytest.raises(Malformed):
        Profile(**{"code": "N", "limits": (WARM,), **words})


def test_a_contact_material_counts_from_its_day() -> None:
    """Trade 2.4: approved contact material is dated; where none is named, anything may touch the sample."""
    ptfe = Profile("N", contacts=(Contact("PTFE", date(2025, 6, 1)),))

    assert ptfe.approves(" ptfe ", date(2025, 6, 1))
    assert not ptfe.approves("PTFE", date(2025, 5, 31))
    assert not ptfe.approves("aluminium", date(2026, 1, 1))
    assert Profile("N").approves("aluminium", date(2026, 1, 1))


def test_time_is_cut_where_another_version_begins() -> None:
    """Design section 5: past time is judged by the profile then in force; a version told last holds from its day on."""
    mild, strict = Profile("N", (WARM,)), Profile("N", (WARM, DRY))
    told = [Version(at(10), mild), Version(at(30), strict)]

    assert pieces(told, at(0), at(40)) == [(at(0), at(10), None), (at(10), at(30), mild), (at(30), at(40), strict)]
    # Told later for an earlier day: whatever was said before it.
    mended = [*told, Version(at(20), strict)]
    assert pieces(mended, at(0), at(40))[1:] == [(at(10), at(20), mild), (at(20), at(40), strict)]
    assert in_force([], at(0)) is None


@given(st.lists(st.integers(0, 30), max_size=6), st.integers(0, 15), st.integers(16, 30))
def test_pieces_agree_with_asking_each_hour(begins: list[int], start: int, end: int) -> None:
    """Pieces lie end to end, and each hour is in one that holds what holds at that hour."""
    told = [Version(at(hour), Profile("N", least_readings=n + 1)) for n, hour in enumerate(begins)]
    cut = pieces(told, at(start), at(end))

    assert [since for since, _, _ in cut] == [at(start), *(until for _, until, _ in cut[:-1])]
    assert cut[-1][1] == at(end)
    for hour in range(start, end):
        assert [held for since, until, held in cut if since <= at(hour) < until] == [in_force(told, at(hour))]


def test_what_can_be_told_of_a_budget() -> None:
    """demo.md 7.3: 0011 spent 37 h 10 min to 39 h 55 min of 24 h: exceeded by at least 13 h 10 min."""
    minutes = 60
    found = spent(24 * HOUR_S, (37 * 60 + 10) * minutes, (39 * 60 + 55) * minutes)

    assert (found.state, found.warned_percent, found.perhaps_percent) == (BudgetState.EXCEEDED, 100, 100)
    assert (37 * 60 + 10) * minutes - 24 * HOUR_S == (13 * 60 + 10) * minutes


@pytest.mark.parametrize(
    ("least", "most", "state", "warned", "perhaps"),
    [
        (0, 0, "within", None, None),
        (49, 49, "within", None, None),
        (50, 75, "within", 50, 75),
        (90, 100, "within", 90, 100),
        (90, 101, "cannot_be_told", 90, 100),
        (100, 100, "within", 100, 100),
        (101, 101, "exceeded", 100, 100),
    ],
)
def test_states_and_warnings(least: int, most: int, state: str, warned: int | None, perhaps: int | None) -> None:
    """Trade 2.5: warn at 50, 75, 90 and 100 %. At the budget itself nothing is exceeded yet."""
    found = spent(100, least, most)

    assert (found.state, found.warned_percent, found.perhaps_percent) == (state, warned, perhaps)


def test_without_a_budget_or_a_profile() -> None:
    """S has no budget, it only records; of a profile that nobody described nothing can be told."""
    assert spent(None, 1e9, 1e9).state == BudgetState.NO_BUDGET
    assert spent(None, 0, 0, known=False).state == BudgetState.CANNOT_BE_TOLD


def test_the_worst_state_comes_first() -> None:
    """A curator looks at what is exceeded, then at what cannot be told."""
    states = list(BudgetState)

    assert worst(states) == BudgetState.EXCEEDED
    assert worst([BudgetState.WITHIN, BudgetState.CANNOT_BE_TOLD]) == BudgetState.CANNOT_BE_TOLD
    assert worst([BudgetState.NO_BUDGET, BudgetState.WITHIN]) == BudgetState.WITHIN
    assert worst([]) == BudgetState.NO_BUDGET
