"""Budgets of storage profiles that were passed, looked for on demand: each becomes a case for the owner to decide."""

from typing import Any, Final, Literal

from fastapi import APIRouter
from pydantic import Field

from shipsvc.app import budget_watch
from shipsvc.app.budget_watch import Passed
from shipsvc.domain import codes
from shipsvc.web.body_texts import ItemNumber
from shipsvc.web.case_schemas import EXAMPLE_CASE
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading, unit_of_work
from shipsvc.web.document_schemas import example
from shipsvc.web.item_schemas import NumberShown
from shipsvc.web.openapi import problems
from shipsvc.web.schemas import Instant, InstitutionCode, Strict

router = APIRouter(prefix="/v1", tags=["cases"])
#: Samples looked at for one request: the time out of each takes a few milliseconds.
LOOKED_AT: Final = 200
_PASSED: Final[dict[str, Any]] = {
    "cases": [EXAMPLE_CASE],
    "number": "BRM-0011-H",
    "profile": "C",
    "which": "lifetime",
    "budget_s": 86_400,
    "passed_at": "2025-03-30T01:10:00Z",
    "samples": ["BRM-0011-H"],
}


class BudgetCheck(Strict):
    """Whose samples are to be looked at, and from which on."""

    model_config = example({"owner": "TRP"})
    owner: InstitutionCode = Field(description="The institution that owns the samples", examples=["TRP"])
    after: ItemNumber | None = Field(
        None, description="`next` of the answer before, to go on behind it", examples=["BRM-0010-J"]
    )


class BudgetPassed(Strict):
    """A budget that a sample surely passed, and the case for it."""

    model_config = example(_PASSED)
    cases: list[str] = Field(description="Codes of the cases, opened now or before", examples=[[EXAMPLE_CASE]])
    number: NumberShown = Field(description="The sample that it befell", examples=["BRM-0011-H"])
    profile: str = Field(description="The storage profile whose budget it is", examples=["C"])
    which: Literal["lifetime", "single"] = Field(
        description="For a whole life, or for one stretch", examples=["lifetime"]
    )
    budget_s: int = Field(description="How long it may be out, in s", examples=[86_400])
    passed_at: Instant = Field(description="When it had surely been out for that long")
    samples: list[str] = Field(
        description="What carries it: that sample, and what was made of it since", examples=[["BRM-0011-H"]]
    )


class BudgetsChecked(Strict):
    """What was found."""

    model_config = example({"looked_at": 22, "passed": [_PASSED], "next": None})
    looked_at: int = Field(description="How many samples were looked at", examples=[22])
    passed: list[BudgetPassed] = Field(description="Budgets that were passed", examples=[[_PASSED]])
    next: str | None = Field(
        description="Send it as `after` to look at the rest; null once all were looked at", examples=["BRM-0010-J"]
    )


@router.post(
    "/budget-checks",
    operation_id="check_budgets",
    summary="Open cases for budgets that were passed",
    responses=problems(404),
)
def check_budgets(service: ServiceDep, claims: ClaimsDep, body: BudgetCheck) -> BudgetsChecked:
    """For curators of the owner. Of each sample that is still there, by all that is known now; pieces that inherited it
    join the case of the one that it befell. Asked again, it opens nothing twice. `shipsvc work` does it for all."""
    with reading(service, claims) as work:
        work.actor.must_be(body.owner, "curator")
        after = str(body.after or "")
        found, numbers = budget_watch.page(work.connection, work.now(), body.owner, after, LOOKED_AT)
    shown = []
    for one in found:
        with unit_of_work(service, claims) as work:
            shown.append(_shown(one, budget_watch.open_case(work.connection, work.now(), one)))
    following = codes.display(numbers[-1]) if len(numbers) == LOOKED_AT else None
    return BudgetsChecked(looked_at=len(numbers), passed=shown, next=following)


def _shown(found: Passed, cases: list[str]) -> BudgetPassed:
    return BudgetPassed(
        cases=cases,
        number=codes.display(found.item),
        profile=found.budget.profile,
        which=found.budget.which,
        budget_s=found.budget.budget_s,
        passed_at=found.at,
        samples=[codes.display(number) for number in found.items],
    )
