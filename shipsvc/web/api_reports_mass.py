"""Where the mass went: material balances, drift, the reconciliation of a loan, and the family of a sample."""

from fractions import Fraction
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from shipsvc.app import drift as drift_sums
from shipsvc.app import families, mass_balance, report_pages, reports_mass, reserves
from shipsvc.app.families import Family, Relative, Step
from shipsvc.domain import codes, errors
from shipsvc.domain.mass import Mass
from shipsvc.web import balance_schemas as schemas
from shipsvc.web.api_items import PRINTABLE, Typed
from shipsvc.web.api_loans import Code
from shipsvc.web.api_reports import PageDep, Report, answer, responses_of
from shipsvc.web.body_texts import MassText
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading
from shipsvc.web.items_shown import mass_mg
from shipsvc.web.openapi import problems
from shipsvc.web.schemas import DocumentCode, Instant, Moments, MomentsDep

router = APIRouter(prefix="/v1", tags=["reports"])
BALANCE = Report("material-balance", mass_balance.material_balance, 1, schemas.BalanceLine, schemas.BalanceReport)
RESERVE = Report("reserve", reserves.reserve, 1, schemas.ReserveRow, schemas.ReserveReport)
DRIFT = Report("drift", drift_sums.drifts, 1, schemas.DriftRow, schemas.DriftReport)
RECONCILIATION = Report(
    "reconciliation", reports_mass.reconciliation, 1, schemas.ReconciledLine, schemas.ReconciliationReport
)


@router.get(
    "/reports/material-balance",
    operation_id="report_material_balance",
    summary="Where the mass of a period went",
    response_model=schemas.BalanceReport,
    responses=responses_of(BALANCE, schemas.BALANCE_LINE) | problems(404),
)
def material_balance(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    from_: Annotated[
        Instant | None, Query(alias="from", description="What happened later counts; left out: from the beginning")
    ] = None,
    to: Annotated[Instant | None, Query(description="Until then; `as_of`, if left out")] = None,
    collection: Annotated[DocumentCode | None, Query(description="Only what is of it", examples=["BRAITHMOSS"])] = None,
    family: Annotated[
        str | None,
        Query(
            max_length=200,
            pattern=PRINTABLE,
            description="Only this sample and all that was made of it alone, such as BRM-0001-L",
        ),
    ] = None,
) -> Any:
    """Opening, what came in and went where, closing; and what weighing again said, with its uncertainty. For the people
    of the owner; of all that is yours unless you name a collection or a family."""
    if to is not None:
        moments = Moments(to, moments.known_on)
    if from_ is not None and moments.as_of is not None and from_ > moments.as_of:
        raise errors.Malformed(why="a period begins before it ends", pointer="/from")
    filters = {"since": from_, "collection": collection, "family": family}
    return answer(service, claims, BALANCE, page, moments, response, **filters)


@router.get(
    "/reports/reserve",
    operation_id="report_reserve",
    summary="How much of the reserve may go",
    response_model=schemas.ReserveReport,
    responses=responses_of(RESERVE, schemas.RESERVE) | problems(404),
)
def reserve(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    collection: Annotated[DocumentCode, Query(description="Of which collection", examples=["BRAITHMOSS"])],
    take: Annotated[MassText | None, Query(description="Could so much be taken?", examples=["16 g"])] = None,
) -> Any:
    """What the samples marked as reserve hold, and what has to stay of it: a share of all that was taken in. For the
    people of the owner."""
    filters = {"collection": collection, "take": Mass.parse(take) if take else None}
    return answer(service, claims, RESERVE, page, moments, response, **filters)


@router.get(
    "/reports/drift",
    operation_id="report_drift",
    summary="Samples that lose mass step by step",
    response_model=schemas.DriftReport,
    responses=responses_of(DRIFT, schemas.DRIFT),
)
def drift(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    by: Annotated[
        drift_sums.By,
        Query(description="What differences are added up by; `person` is who weighed", examples=["sample"]),
    ] = "sample",
) -> Any:
    """Of all samples whose books were set to weighings: the differences together, with the uncertainty of the whole, in
    which what two of them share counts once. A sum that alarms opens an internal case. For the people of the owner."""
    return answer(service, claims, DRIFT, page, moments, response, by=by)


@router.get(
    "/loans/{code}/reconciliation",
    operation_id="loan_reconciliation",
    summary="Its lines: sent, used, lost, returned",
    response_model=schemas.ReconciliationReport,
    responses=responses_of(RECONCILIATION, schemas.RECONCILED) | problems(404),
)
def reconciliation(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    code: Code,
) -> Any:
    """With the difference on receipt and on return, and what each means. For both sides of the loan."""
    return answer(service, claims, RECONCILIATION, page, moments, response, code=code)


@router.get(
    "/items/{number}/family",
    operation_id="show_family",
    summary="What it was made of, and what was made of it",
    responses=problems(404),
)
def show_family(service: ServiceDep, claims: ClaimsDep, number: Typed, moments: MomentsDep) -> schemas.FamilyShown:
    """Up and down, with shares as exact fractions; of a mixture, its other parents too. Whoever does not own it sees of
    its family what they have to do with."""
    with reading(service, claims) as work:
        when = report_pages.asked(moments.as_of, moments.known_on, work.now())
        found = families.of(work.connection, work.actor, when, number)
    return family(found, {"as_of": when.as_of, "known_on": when.known_on, "provisional": when.provisional})


def family(found: Family, moment: dict[str, Any]) -> schemas.FamilyShown:
    """A family as it is answered, here and on pages."""
    origins = [
        schemas.FamilyOrigin(
            number=codes.display(one.item), share=_share(one.share), via=[codes.display(n) for n in one.via]
        )
        for one in found.origins
    ]
    return schemas.FamilyShown(
        **moment,
        number=codes.display(found.number),
        members=[_member(one) for one in found.members],
        steps=[_step(one) for one in found.steps],
        origins=origins,
    )


def _member(one: Relative) -> schemas.FamilyMember:
    return schemas.FamilyMember(
        number=codes.display(one.row["number"]),
        what=one.row["what"],
        ended=one.ended,
        mass_mg=_mg(one.mass_ng),
        used_weighed_mg=_mg(one.used_weighed_ng),
        used_estimated_mg=_mg(one.used_estimated_ng),
    )


def _step(one: Step) -> schemas.FamilyStep:
    return schemas.FamilyStep(
        child=codes.display(one.made.child),
        parent=codes.display(one.made.parent),
        event_id=one.made.event_id,
        born_at=one.born_at,
        mass_mg=_mg(one.made.mass_ng),
        share=None if one.share is None else _share(one.share),
    )


def _mg(ng: int | None) -> str | None:
    return None if ng is None else mass_mg(ng)


def _share(share: Fraction) -> schemas.Share:
    return schemas.Share(numerator=share.numerator, denominator=share.denominator, percent=f"{float(100 * share):.2f}")
