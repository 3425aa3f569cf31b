"""Which pieces are still clean, and whether two are the same stuff."""

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from shipsvc.app import cleanest, comparing, report_pages
from shipsvc.app.comparing import Common, Side
from shipsvc.domain import codes, errors
from shipsvc.web import condition_schemas as schemas
from shipsvc.web.api_conditions import Threshold
from shipsvc.web.api_items import PRINTABLE, Typed
from shipsvc.web.api_reports import PageDep, Report, answer, responses_of
from shipsvc.web.conditions_shown import whole_s
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading
from shipsvc.web.openapi import problems
from shipsvc.web.schemas import MomentsDep

router = APIRouter(prefix="/v1")
CLEANEST = Report("cleanest", cleanest.cleanest, 6, schemas.CleanRow, schemas.CleanReport)


@router.get(
    "/reports/cleanest",
    operation_id="report_cleanest",
    tags=["reports"],
    summary="Which pieces are still clean",
    response_model=schemas.CleanReport,
    responses=responses_of(CLEANEST, schemas.CLEAN) | problems(404),
)
def report_cleanest(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    family: Annotated[
        str,
        Query(
            max_length=200,
            pattern=PRINTABLE,
            description="This sample and what was made of it",
            examples=["BRM-0010-J"],
        ),
    ],
    quantity: Annotated[
        schemas.QuantityName | None, Query(description="Rank by a threshold of this first", examples=["temperature"])
    ] = None,
    above: Threshold = None,
    below: Threshold = None,
) -> Any:
    """What there is of a sample and of all that was made of it: uncontaminated before contaminated; then least time
    beyond a threshold, if you name one; then least time out, at most before at least."""
    if (quantity is None) != (above is None and below is None):
        raise errors.Malformed(why="a threshold is a quantity and a value above or below", pointer="/quantity")
    filters = {"family": family, "quantity": quantity, "above": above, "below": below}
    return answer(service, claims, CLEANEST, page, moments, response, **filters)


@router.get(
    "/items/{number}/compared",
    operation_id="compare_items",
    tags=["items"],
    summary="Two samples side by side",
    responses=problems(404),
)
def compare_items(
    service: ServiceDep,
    claims: ClaimsDep,
    number: Typed,
    moments: MomentsDep,
    other: Annotated[
        str, Query(alias="with", max_length=200, pattern=PRINTABLE, description="The other", examples=["BRM-0011-H"])
    ],
) -> schemas.ComparedShown:
    """Did two laboratories have the same stuff: what both come from and in which shares, since when they part, and what
    each went through, altogether and since then."""
    with reading(service, claims) as work:
        when = report_pages.asked(moments.as_of, moments.known_on, work.now())
        found = comparing.compare(work.connection, work.actor, when, number, other)
    return schemas.ComparedShown(
        as_of=when.as_of,
        known_on=when.known_on,
        provisional=when.provisional,
        parted_at=found.parted_at,
        sides=[_side(side) for side in found.sides],
        common=[_common(common) for common in found.common],
    )


def _side(side: Side) -> schemas.ComparedSide:
    return schemas.ComparedSide(
        number=codes.display(side.number),
        at_least_s=side.out.at_least // timedelta(seconds=1),
        at_most_s=-(-side.out.at_most // timedelta(seconds=1)),
        before_accession_s=-(-side.out.before_accession // timedelta(seconds=1)),
        since_parting_at_least_s=whole_s(side.least_since),
        since_parting_at_most_s=whole_s(side.most_since),
    )


def _common(common: Common) -> schemas.CommonShown:
    one, other = (None if share is None else str(share) for share in common.shares)
    return schemas.CommonShown(number=codes.display(common.number), share_of_one=one, share_of_other=other)
