"""Budgets of storage profiles that were passed: found when asked, and turned into cases for a curator to decide.

Nothing of it happens while a fact is told: time out rests on facts, readings, profiles and places, and any of them told
late can pass a budget of many samples at once. So it is asked for, a page of samples at a time.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import sqlalchemy as sa

from shipsvc.app import case_rules, charges, exposure
from shipsvc.app.case_rules import Alarm
from shipsvc.app.charges import Charged
from shipsvc.app.exposure import Births
from shipsvc.domain import codes
from shipsvc.domain.cases import CaseKind
from shipsvc.domain.exposure import TimeOut
from shipsvc.domain.profiles import BudgetState
from shipsvc.store import item_states
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER

RULE = "budget"


@dataclass(frozen=True)
class Budget:
    """A budget of a profile: for a whole life, or for one stretch."""

    profile: str
    which: Literal["lifetime", "single"]
    budget_s: int


@dataclass(frozen=True)
class Passed:
    """That a sample surely was out for longer than a budget allows, and when that came true.

    ``items`` are the samples that carry it: the one it befell, ``item``, and pieces made of that one since.
    """

    item: str
    budget: Budget
    at: datetime
    items: list[str] = field(default_factory=list)


def page(
    connection: sa.Connection, now: datetime, owner: str | None, after: str, limit: int
) -> tuple[list[Passed], list[str]]:
    """What was passed by samples that are still there, and which were looked at: up to ``limit`` behind ``after``."""
    numbers = item_states.samples_there(connection, owner, now, after, limit)
    return passed(connection, numbers, now), numbers


def passed(connection: sa.Connection, numbers: Sequence[str], now: datetime) -> list[Passed]:
    """The budgets that these samples have passed by now, each once for the sample that it befell."""
    out = exposure.time_out(connection, numbers, now, None)
    charged = charges.charged(connection, out, now, None)
    over = [(number, budget) for number in numbers for one in charged[number] for budget in _exceeded(one)]
    if not over:
        return []
    born = exposure.births(connection, {number for number, _ in over}, When(now, FOREVER))
    forebears = {parent for births in born.values() for _, parent in births}
    out |= exposure.time_out(connection, forebears - out.keys(), now, None)
    found: dict[tuple[str, Budget], Passed] = {}
    for number, budget in over:
        befell, at = _befell(number, budget, out, born)
        found.setdefault((befell, budget), Passed(befell, budget, at)).items.append(number)
    return list(found.values())


def open_case(connection: sa.Connection, now: datetime, found: Passed) -> list[str]:
    """Open the case for a budget that was passed, or add to the one that is there; its codes, one for each owner.

    To be called last in a transaction.
    """
    budget = found.budget
    length = f"{budget.budget_s / 3600:g} h"
    allowed = {"lifetime": "in its whole life", "single": "at one time"}[budget.which]
    alarm = Alarm(
        rule=RULE,
        key=f"{found.item} {budget.profile} {budget.which}",
        kind=CaseKind.EXPOSURE,
        items=[found.item, *found.items],
        what=f"Out of profile {budget.profile} for longer than the {length} that it may be {allowed}",
        because=f"{codes.display(found.item)} had been out for {length}, and was still",
        found_at=found.at,
        of_loan=False,
    )
    return case_rules.open_by_rule(connection, now, alarm)


def _exceeded(one: Charged) -> Iterable[Budget]:
    for which, spent in (("lifetime", one.lifetime), ("single", one.single)):
        if spent.state is BudgetState.EXCEEDED and one.profile is not None and spent.budget_s is not None:
            yield Budget(one.profile.code, "single" if which == "single" else "lifetime", spent.budget_s)


def _befell(number: str, budget: Budget, out: Mapping[str, TimeOut], born: Births) -> tuple[str, datetime]:
    """The sample that had passed the budget already when this one was made of it, or this one; and when."""
    at = _at(out[number], budget)
    seen: set[str] = set()
    while number not in seen:
        seen.add(number)
        for born_at, parent in born.get(number, ()):
            before = out[parent].passed_at(budget.profile, budget.budget_s, single=budget.which == "single")
            if before is not None and before <= born_at:
                number, at = parent, before
                break
    return number, at


def _at(out: TimeOut, budget: Budget) -> datetime:
    found = out.passed_at(budget.profile, budget.budget_s, single=budget.which == "single")
    if found is None:
        raise AssertionError("a budget that is exceeded was passed at some instant")
    return found
