"""Collections, storage places, profiles and balances: list, show, add, change by a new version."""

from typing import Annotated

from fastapi import APIRouter, Path, Response

from shipsvc.app import documents, rulebooks
from shipsvc.web import document_schemas as schemas
from shipsvc.web import profile_schemas
from shipsvc.web.cursors import AskedDep
from shipsvc.web.deps import ClaimsDep, ServiceDep
from shipsvc.web.document_answers import ADDED, CHANGED, LISTED, SHOWN, Face, added, changed, listed, shown
from shipsvc.web.etags import IfMatch
from shipsvc.web.replays import RequestKeyDep
from shipsvc.web.schemas import DocumentCode, MomentsDep

router = APIRouter(prefix="/v1", tags=["documents"])
Collection = Annotated[DocumentCode, Path(examples=["BRAITHMOSS"])]
Place = Annotated[DocumentCode, Path(examples=["TRP-GB1"])]
Profile = Annotated[DocumentCode, Path(examples=["N"])]
Balance = Annotated[DocumentCode, Path(examples=["B2"])]
COLLECTION, PLACE, PROFILE = Face(documents.COLLECTION), Face(documents.PLACE), Face(documents.PROFILE)
BALANCE = Face(documents.BALANCE, keeper=rulebooks)


@router.get("/collections", operation_id="list_collections", summary="Collections", responses=LISTED)
def list_collections(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.CollectionPage:
    """Collections of one's own institutions; all, for auditors and administrators."""
    page = listed(service, claims, COLLECTION, asked, moments, response)
    return schemas.CollectionPage(items=[schemas.CollectionShown(**row) for row in page.rows], next=page.next)


@router.get("/collections/{code}", operation_id="show_collection", summary="A collection", responses=SHOWN)
def show_collection(
    service: ServiceDep, claims: ClaimsDep, code: Collection, moments: MomentsDep, response: Response
) -> schemas.CollectionShown:
    """Who owns it, what its numbers begin with, when a fact about it counts as told late."""
    return schemas.CollectionShown(**shown(service, claims, COLLECTION, code, moments, response))


@router.post(
    "/collections",
    operation_id="add_collection",
    summary="Add a collection",
    status_code=201,
    response_model=schemas.CollectionShown,
    responses=ADDED,
)
def add_collection(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.CollectionNew) -> Response:
    """For administrators, and for curators and registrars of the owner.

    A prefix that is or was in use is refused, since numbers are never reused.
    """
    return added(service, claims, COLLECTION, key, body, schemas.CollectionShown)


@router.put("/collections/{code}", operation_id="change_collection", summary="Change a collection", responses=CHANGED)
def change_collection(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Collection,
    body: schemas.CollectionChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.CollectionShown:
    """A new version. Owner and prefix stay for good."""
    return schemas.CollectionShown(**changed(service, claims, COLLECTION, code, if_match, body, response))


@router.get("/places", operation_id="list_places", summary="Places", responses=LISTED)
def list_places(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.PlacePage:
    """Places of one's own institutions, and of those that have an item of one's own collections."""
    page = listed(service, claims, PLACE, asked, moments, response)
    return schemas.PlacePage(items=[schemas.PlaceShown(**row) for row in page.rows], next=page.next)


@router.get("/places/{code}", operation_id="show_place", summary="A place", responses=SHOWN)
def show_place(
    service: ServiceDep, claims: ClaimsDep, code: Place, moments: MomentsDep, response: Response
) -> schemas.PlaceShown:
    """What it is, and which storage profile it keeps."""
    return schemas.PlaceShown(**shown(service, claims, PLACE, code, moments, response))


@router.post(
    "/places",
    operation_id="add_place",
    summary="Add a place",
    status_code=201,
    response_model=schemas.PlaceShown,
    responses=ADDED,
)
def add_place(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.PlaceNew) -> Response:
    """For administrators, and for curators and registrars of the institution."""
    return added(service, claims, PLACE, key, body, schemas.PlaceShown)


@router.put("/places/{code}", operation_id="change_place", summary="Change a place", responses=CHANGED)
def change_place(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Place,
    body: schemas.PlaceChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.PlaceShown:
    """A new version, such as another profile from a moment on. What was stored before is judged by the old one."""
    return schemas.PlaceShown(**changed(service, claims, PLACE, code, if_match, body, response))


@router.get("/profiles", operation_id="list_profiles", summary="Storage profiles", responses=LISTED)
def list_profiles(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> profile_schemas.ProfilePage:
    """All of them, for everybody: whoever keeps a sample must know what it is to be kept in."""
    page = listed(service, claims, PROFILE, asked, moments, response)
    return profile_schemas.ProfilePage(items=[profile_schemas.ProfileShown(**row) for row in page.rows], next=page.next)


@router.get("/profiles/{code}", operation_id="show_profile", summary="A storage profile", responses=SHOWN)
def show_profile(
    service: ServiceDep, claims: ClaimsDep, code: Profile, moments: MomentsDep, response: Response
) -> profile_schemas.ProfileShown:
    """Its limits, budgets and contact materials, as they were in force."""
    return profile_schemas.ProfileShown(**shown(service, claims, PROFILE, code, moments, response))


@router.post(
    "/profiles",
    operation_id="add_profile",
    summary="Add a storage profile",
    status_code=201,
    response_model=profile_schemas.ProfileShown,
    responses=ADDED,
)
def add_profile(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: profile_schemas.ProfileNew
) -> Response:
    """For administrators, and for curators and registrars of the institution. Places of any institution may name it."""
    return added(service, claims, PROFILE, key, body, profile_schemas.ProfileShown)


@router.put("/profiles/{code}", operation_id="change_profile", summary="Change a storage profile", responses=CHANGED)
def change_profile(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Profile,
    body: profile_schemas.ProfileChange,
    response: Response,
    if_match: IfMatch = None,
) -> profile_schemas.ProfileShown:
    """A new version. What happened before it begins is judged by the one that was in force then."""
    return profile_schemas.ProfileShown(**changed(service, claims, PROFILE, code, if_match, body, response))


@router.get("/balances", operation_id="list_balances", summary="Balances", responses=LISTED)
def list_balances(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.BalancePage:
    """Balances of one's own institutions, and of those that have an item of one's own collections."""
    page = listed(service, claims, BALANCE, asked, moments, response)
    return schemas.BalancePage(items=[schemas.BalanceShown(**row) for row in page.rows], next=page.next)


@router.get("/balances/{code}", operation_id="show_balance", summary="A balance", responses=SHOWN)
def show_balance(
    service: ServiceDep, claims: ClaimsDep, code: Balance, moments: MomentsDep, response: Response
) -> schemas.BalanceShown:
    """Readability and repeatability by the check that was in force."""
    return schemas.BalanceShown(**shown(service, claims, BALANCE, code, moments, response))


@router.post(
    "/balances",
    operation_id="add_balance",
    summary="Add a balance",
    status_code=201,
    response_model=schemas.BalanceShown,
    responses=ADDED,
)
def add_balance(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.BalanceNew) -> Response:
    """For administrators, and for curators and registrars of the institution."""
    return added(service, claims, BALANCE, key, body, schemas.BalanceShown)


@router.put("/balances/{code}", operation_id="change_balance", summary="Change a balance", responses=CHANGED)
def change_balance(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Balance,
    body: schemas.BalanceChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.BalanceShown:
    """A new version, mostly after a check. What was weighed on it since `valid_from` is judged anew; as known before,
    it stays as it was. The first version holds for what was weighed before it, too."""
    return schemas.BalanceShown(**changed(service, claims, BALANCE, code, if_match, body, response))
