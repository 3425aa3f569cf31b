"""Decisions on the book of a sample: set to a weighing, re-based from an estimate, written off; and what a weighing is
worth."""

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Path, Response

from shipsvc.app import budgets, posting
from shipsvc.app.budgets import WeighingBudget
from shipsvc.app.decisions import Decision
from shipsvc.app.posting import Posted
from shipsvc.domain import codes
from shipsvc.domain.air import ROCK
from shipsvc.domain.uncertainty import Budget
from shipsvc.web.api_items import POSTED, Typed
from shipsvc.web.budget_schemas import BudgetLine, BudgetShown, BuoyancyShown
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading
from shipsvc.web.items_shown import mass_mg
from shipsvc.web.mass_schemas import (
    MassPosting,
    PostedShown,
    RebasedShown,
    Rebasing,
    WeighingId,
    WriteOff,
    WrittenOffShown,
)
from shipsvc.web.openapi import problems
from shipsvc.web.replays import Made, RequestKeyDep

router = APIRouter(prefix="/v1", tags=["items"])


@router.post(
    "/items/{number}/post-mass",
    operation_id="post_mass",
    summary="Set its book to a weighing",
    status_code=201,
    response_model=PostedShown,
    responses=POSTED,
)
def post_mass(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: MassPosting) -> Response:
    """For curators of its owner. A weighing by itself moves no book; this does, and what is missing goes to
    unexplained. Refused where something left the sample after that weighing."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.posted_at)
        found = posting.post_mass(work.connection, work.actor, work.now, number, body.weighing, decision)
        return Made(201, _posted(found, decision.id, body.weighing))

    return decided(service, claims, key, body, make)


def _posted(found: Posted, event_id: str, weighing: str) -> PostedShown:
    before = found.before_ng
    return PostedShown(
        event_id=event_id,
        number=codes.display(found.number),
        weighing=weighing,
        before_mg=None if before is None else mass_mg(before),
        mass_mg=mass_mg(found.mass_ng),
        unexplained_mg=None if before is None else mass_mg(before - found.mass_ng),
        posted_at=found.at,
        recorded_at=found.recorded_at,
    )


@router.post(
    "/items/{number}/rebase",
    operation_id="rebase",
    summary="Put a weighing in the place of an estimate",
    status_code=201,
    response_model=RebasedShown,
    responses=POSTED,
)
def rebase(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: Rebasing) -> Response:
    """For curators of its owner, where the book rests on an estimate: the difference is neither loss nor gain, and the
    accession is worth what was weighed."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.rebased_at)
        found = posting.rebase(work.connection, work.actor, work.now, number, body.weighing, decision)
        before = found.before_ng or 0
        shown = RebasedShown(
            event_id=decision.id,
            number=codes.display(found.number),
            weighing=body.weighing,
            before_mg=mass_mg(before),
            mass_mg=mass_mg(found.mass_ng),
            rebasis_mg=mass_mg(found.mass_ng - before),
            rebased_at=found.at,
            recorded_at=found.recorded_at,
        )
        return Made(201, shown)

    return decided(service, claims, key, body, make)


@router.post(
    "/items/{number}/write-off",
    operation_id="write_off",
    summary="Close its account: lost, or given up",
    status_code=201,
    response_model=WrittenOffShown,
    responses=POSTED,
)
def write_off(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: WriteOff) -> Response:
    """For curators of its owner. Once another person tells `confirmed` of the event, what its book holds is written
    off, it has ended, and nobody owes it any longer."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.decided_at)
        found = posting.write_off(work.connection, work.actor, work.now, number, decision, lost=body.lost)
        shown = WrittenOffShown(
            event_id=decision.id,
            number=codes.display(found.number),
            lost=body.lost,
            written_off_mg=None if found.before_ng is None else mass_mg(found.before_ng),
            decided_at=found.at,
            recorded_at=found.recorded_at,
            unconfirmed=True,
        )
        return Made(201, shown)

    return decided(service, claims, key, body, make)


@router.get(
    "/items/{number}/weighings/{event_id}/budget",
    operation_id="show_budget",
    summary="Where the uncertainty of a weighing comes from",
    responses=problems(404, 409),
)
def show_budget(
    service: ServiceDep,
    claims: ClaimsDep,
    number: Typed,
    event_id: Annotated[WeighingId, Path(description="Id of the fact that told of the weighing")],
) -> BudgetShown:
    """Component by component, as every comparison uses it; and what the air carries of it there, which is shown and
    never added unseen."""
    with reading(service, claims) as work:
        found = budgets.of_weighing(work.connection, work.actor, number, event_id)
    compared = found.comparison
    return BudgetShown(
        number=codes.display(found.number),
        event_id=found.event_id,
        happened_at=found.happened_at,
        mass_mg=mass_mg(found.mass_ng),
        balance=found.balance,
        components=_components(found.budget),
        u_mg=mass_mg(found.budget.u_ng),
        expanded_mg=mass_mg(found.budget.expanded_ng()),
        difference_mg=mass_mg(_difference_ng(compared)) if compared else None,
        difference_u_mg=mass_mg(compared["u_ng"]) if compared else None,
        buoyancy=_buoyancy(found),
        shift_mg=None if found.shift_ng is None else mass_mg(found.shift_ng),
    )


def _difference_ng(compared: Mapping[str, Any]) -> int:
    return int(compared["observed_ng"] - compared["expected_ng"] + compared["buoyancy_ng"])


def _components(budget: Budget) -> list[BudgetLine]:
    return [
        BudgetLine(
            name=one.name,
            u=one.u,
            unit=one.unit,
            sensitivity=one.sensitivity,
            contribution_mg=mass_mg(one.contribution_ng),
            share_percent=f"{100 * share:.1f}",
            source=one.source,
        )
        for one, share in zip(budget.components, budget.shares, strict=True)
    ]


def _buoyancy(found: WeighingBudget) -> BuoyancyShown | None:
    if found.there is None or found.correction is None or found.correction_ng is None:
        return None
    return BuoyancyShown(
        institution=found.there.institution,
        altitude_m=found.there.altitude_m,
        air_kg_m3=found.there.air.kg_m3,
        sample_kg_m3=ROCK.kg_m3,
        correction_mg=mass_mg(found.correction_ng),
        components=_components(found.correction),
        u_mg=mass_mg(found.correction.u_ng),
    )
