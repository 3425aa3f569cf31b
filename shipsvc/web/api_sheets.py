"""The sheet of a split, summed before it is told: would it close?"""

from fastapi import APIRouter

from shipsvc.app import beforehand
from shipsvc.domain import codes
from shipsvc.web.api_items import Typed
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading
from shipsvc.web.items_shown import mass_mg
from shipsvc.web.openapi import problems
from shipsvc.web.sheet_schemas import SheetChecked, SplitSheet

router = APIRouter(prefix="/v1", tags=["items"])


@router.post(
    "/items/{number}/split-sheet/check",
    operation_id="check_split_sheet",
    summary="Would the sheet of a split close?",
    responses=problems(404, 409),
)
def check_split_sheet(service: ServiceDep, claims: ClaimsDep, number: Typed, body: SplitSheet) -> SheetChecked:
    """Sums what goes off, what work lost and what is left against the book, as the fact `divided` would, and writes
    nothing. A sheet that does not close is accepted all the same, and flagged `does_not_close`."""
    with reading(service, claims) as work:
        now = work.now()
        at = body.split_at or now
        found = beforehand.sample(work.connection, work.actor, number)
        before = beforehand.book_at(work.connection, work.actor, found, at, now)
        summed = beforehand.sheet(
            work.connection,
            found,
            at,
            before,
            [piece.model_dump(exclude_unset=True) for piece in body.children],
            body.loss.model_dump(exclude_unset=True) if body.loss else None,
            body.rest.model_dump(exclude_unset=True) if body.rest else None,
            ends=body.ends,
            process=body.process or "",
        )
    compared = summed.comparison
    return SheetChecked(
        number=codes.display(found.number),
        book_mg=None if summed.book_ng is None else mass_mg(summed.book_ng),
        pieces_mg=mass_mg(summed.pieces_ng),
        loss_mg=mass_mg(summed.loss_ng),
        rest_mg=mass_mg(summed.rest_ng),
        allowance_mg=mass_mg(summed.allowance_ng),
        difference_mg=mass_mg(compared.difference_ng) if compared else None,
        u_mg=mass_mg(compared.u_ng) if compared else None,
        verdict=compared.verdict.value if compared else None,
        closes=summed.balances if compared else None,
    )
