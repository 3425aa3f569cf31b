"""Institutions, collections, storage places and balances: list, show, add, change by a new version."""

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Path, Response

from shipsvc.app import documents
from shipsvc.app.documents import BALANCE, COLLECTION, INSTITUTION, PLACE, Kind
from shipsvc.web import cursors
from shipsvc.web import document_schemas as schemas
from shipsvc.web.cursors import Asked, AskedDep, Page
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.etags import IfMatch, etag, versions
from shipsvc.web.openapi import CREATED, ETAG, LINK, problems
from shipsvc.web.replays import Made, RequestKey, RequestKeyDep, once
from shipsvc.web.schemas import DocumentCode, InstitutionCode, Moments, MomentsDep, Told
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["documents"])
Collection = Annotated[DocumentCode, Path(examples=["BRAITHMOSS"])]
Place = Annotated[DocumentCode, Path(examples=["TRP-GB1"])]
Balance = Annotated[DocumentCode, Path(examples=["B2"])]
Institution = Annotated[InstitutionCode, Path()]
LISTED: Any = {200: {"headers": LINK}}
SHOWN: Any = {200: {"headers": ETAG}} | problems(404)
ADDED: Any = {201: {"headers": CREATED}} | problems(404, 409)
CHANGED: Any = {200: {"headers": ETAG}} | problems(404, 412, 428)
Fields = dict[str, Any]


def _listed(
    service: Service, claims: Claims, kind: Kind, asked: Asked, moments: Moments, response: Response
) -> Page[Fields]:
    after = asked.after(kind.name, str)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        first = str(after[0]) if after else ""
        rows = documents.page(work.connection, work.actor, kind, when, after=first, limit=asked.limit + 1)
    provisional = documents.is_provisional(moments.known_on, now)
    page = cursors.cut([_fields(row, provisional) for row in rows], asked.limit, kind.name, lambda row: (row["code"],))
    cursors.link(response, asked, page)
    return page


def _shown(service: Service, claims: Claims, kind: Kind, code: str, moments: Moments, response: Response) -> Fields:
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        row = documents.read(work.connection, work.actor, kind, code, when)
    response.headers["ETag"] = etag(row["version"])
    return _fields(row, documents.is_provisional(moments.known_on, now))


def _added(
    service: Service, claims: Claims, kind: Kind, key: RequestKey, body: Any, shape: type[schemas.Version]
) -> Response:
    def _make(work: Work) -> Made:
        told, content = _told(body), schemas.content_of(body)
        row = documents.create(work.connection, work.actor, work.now(), kind, body.code, content, told)
        headers = {"Location": f"/v1/{kind.chain.name}s/{body.code}", "ETag": etag(row["version"])}
        return Made(201, shape(**_fields(row)), headers)

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))


def _changed(
    service: Service, claims: Claims, kind: Kind, code: str, if_match: str | None, body: Told, response: Response
) -> Fields:
    follows = versions(if_match)
    with unit_of_work(service, claims) as work:
        row = documents.change(
            work.connection,
            work.actor,
            work.now(),
            kind,
            code,
            follows,
            schemas.content_of(body),
            _told(body),
        )
    response.headers["ETag"] = etag(row["version"])
    return _fields(row)


def _told(body: Told) -> documents.Told:
    return documents.Told(body.valid_from, body.because)


def _fields(row: Mapping[str, Any], provisional: bool = False) -> Fields:
    return {**schemas.fields_of(row), "provisional": provisional}


@router.get("/institutions", operation_id="list_institutions", summary="Institutions", responses=LISTED)
def list_institutions(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.InstitutionPage:
    """Everybody who is signed in may read all institutions, in the order of their codes."""
    page = _listed(service, claims, INSTITUTION, asked, moments, response)
    return schemas.InstitutionPage(items=[schemas.InstitutionShown(**row) for row in page.rows], next=page.next)


@router.get("/institutions/{code}", operation_id="show_institution", summary="An institution", responses=SHOWN)
def show_institution(
    service: ServiceDep, claims: ClaimsDep, code: Institution, moments: MomentsDep, response: Response
) -> schemas.InstitutionShown:
    """As it was named at `as_of`, by what was recorded by `known_on`."""
    return schemas.InstitutionShown(**_shown(service, claims, INSTITUTION, code, moments, response))


@router.post(
    "/institutions",
    operation_id="add_institution",
    summary="Add an institution",
    status_code=201,
    response_model=schemas.InstitutionShown,
    responses=ADDED,
)
def add_institution(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.InstitutionNew
) -> Response:
    """For administrators, and for curators and registrars of the institution itself."""
    return _added(service, claims, INSTITUTION, key, body, schemas.InstitutionShown)


@router.put(
    "/institutions/{code}", operation_id="change_institution", summary="Change an institution", responses=CHANGED
)
def change_institution(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Institution,
    body: schemas.InstitutionChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.InstitutionShown:
    """A new version: renamed, moved, or better known. The old one stays and answers for its time."""
    return schemas.InstitutionShown(**_changed(service, claims, INSTITUTION, code, if_match, body, response))


@router.get("/collections", operation_id="list_collections", summary="Collections", responses=LISTED)
def list_collections(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.CollectionPage:
    """Collections of one's own institutions; all, for auditors and administrators."""
    page = _listed(service, claims, COLLECTION, asked, moments, response)
    return schemas.CollectionPage(items=[schemas.CollectionShown(**row) for row in page.rows], next=page.next)


@router.get("/collections/{code}", operation_id="show_collection", summary="A collection", responses=SHOWN)
def show_collection(
    service: ServiceDep, claims: ClaimsDep, code: Collection, moments: MomentsDep, response: Response
) -> schemas.CollectionShown:
    """Who owns it, what its numbers begin with, when a fact about it counts as told late."""
    return schemas.CollectionShown(**_shown(service, claims, COLLECTION, code, moments, response))


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
    return _added(service, claims, COLLECTION, key, body, schemas.CollectionShown)


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
    return schemas.CollectionShown(**_changed(service, claims, COLLECTION, code, if_match, body, response))


@router.get("/places", operation_id="list_places", summary="Places", responses=LISTED)
def list_places(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.PlacePage:
    """Places of one's own institutions, and of those that have an item of one's own collections."""
    page = _listed(service, claims, PLACE, asked, moments, response)
    return schemas.PlacePage(items=[schemas.PlaceShown(**row) for row in page.rows], next=page.next)


@router.get("/places/{code}", operation_id="show_place", summary="A place", responses=SHOWN)
def show_place(
    service: ServiceDep, claims: ClaimsDep, code: Place, moments: MomentsDep, response: Response
) -> schemas.PlaceShown:
    """What it is, and which storage profile it keeps."""
    return schemas.PlaceShown(**_shown(service, claims, PLACE, code, moments, response))


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
    return _added(service, claims, PLACE, key, body, schemas.PlaceShown)


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
    return schemas.PlaceShown(**_changed(service, claims, PLACE, code, if_match, body, response))


@router.get("/balances", operation_id="list_balances", summary="Balances", responses=LISTED)
def list_balances(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.BalancePage:
    """Balances of one's own institutions, and of those that have an item of one's own collections."""
    page = _listed(service, claims, BALANCE, asked, moments, response)
    return schemas.BalancePage(items=[schemas.BalanceShown(**row) for row in page.rows], next=page.next)


@router.get("/balances/{code}", operation_id="show_balance", summary="A balance", responses=SHOWN)
def show_balance(
    service: ServiceDep, claims: ClaimsDep, code: Balance, moments: MomentsDep, response: Response
) -> schemas.BalanceShown:
    """Readability and repeatability by the check that was in force."""
    return schemas.BalanceShown(**_shown(service, claims, BALANCE, code, moments, response))


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
    return _added(service, claims, BALANCE, key, body, schemas.BalanceShown)


@router.put("/balances/{code}", operation_id="change_balance", summary="Change a balance", responses=CHANGED)
def change_balance(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Balance,
    body: schemas.BalanceChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.BalanceShown:
    """A new version, mostly after a check. Earlier weighings keep what was known of the balance then."""
    return schemas.BalanceShown(**_changed(service, claims, BALANCE, code, if_match, body, response))
