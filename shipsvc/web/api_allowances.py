"""What may happen to the masses of a collection unblamed: list, show, say for the first time, say anew."""

from typing import Annotated

from fastapi import APIRouter, Path, Response

from shipsvc.app import documents, rulebooks
from shipsvc.web import allowance_schemas as schemas
from shipsvc.web.cursors import AskedDep
from shipsvc.web.deps import ClaimsDep, ServiceDep
from shipsvc.web.document_answers import ADDED, CHANGED, LISTED, SHOWN, Face, added, changed, listed, shown
from shipsvc.web.etags import IfMatch
from shipsvc.web.replays import RequestKeyDep
from shipsvc.web.schemas import DocumentCode, MomentsDep

router = APIRouter(prefix="/v1", tags=["documents"])
Collection = Annotated[DocumentCode, Path(examples=["BRAITHMOSS"])]
ALLOWANCE = Face(
    documents.ALLOWANCE, schemas.AllowanceContent.columns, lambda row, _at: schemas.shown(row), keeper=rulebooks
)


@router.get("/allowances", operation_id="list_allowances", summary="What collections allow", responses=LISTED)
def list_allowances(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.AllowancePage:
    """Of one's own institutions; all, for auditors and administrators. A collection that said nothing is not in it."""
    page = listed(service, claims, ALLOWANCE, asked, moments, response)
    return schemas.AllowancePage(items=[schemas.AllowanceShown(**row) for row in page.rows], next=page.next)


@router.get("/allowances/{code}", operation_id="show_allowance", summary="What a collection allows", responses=SHOWN)
def show_allowance(
    service: ServiceDep, claims: ClaimsDep, code: Collection, moments: MomentsDep, response: Response
) -> schemas.AllowanceShown:
    """What handling may lose, work may lose and air may add, as it was in force. 404 where it is as usual."""
    return schemas.AllowanceShown(**shown(service, claims, ALLOWANCE, code, moments, response))


@router.post(
    "/allowances",
    operation_id="add_allowance",
    summary="Say what a collection allows",
    status_code=201,
    response_model=schemas.AllowanceShown,
    responses=ADDED,
)
def add_allowance(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.AllowanceNew) -> Response:
    """For administrators, and for curators and registrars of the owner. What was weighed since `valid_from` is judged
    anew; as known before, it stays as it was."""
    return added(service, claims, ALLOWANCE, key, body, schemas.AllowanceShown)


@router.put(
    "/allowances/{code}", operation_id="change_allowance", summary="Change what a collection allows", responses=CHANGED
)
def change_allowance(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Collection,
    body: schemas.AllowanceChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.AllowanceShown:
    """A new version, the whole of it. What was weighed since `valid_from` is judged anew."""
    return schemas.AllowanceShown(**changed(service, claims, ALLOWANCE, code, if_match, body, response))
