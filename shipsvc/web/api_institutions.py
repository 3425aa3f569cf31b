"""Institutions: list and search, show, add, change by a new version, tell who took over from whom."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import documents, successions
from shipsvc.app.documents import INSTITUTION
from shipsvc.app.successions import Standing
from shipsvc.store.engine import Row
from shipsvc.web import cursors
from shipsvc.web import institution_schemas as schemas
from shipsvc.web.cursors import AskedDep
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.document_answers import ADDED, CHANGED, LISTED, SHOWN, fields, told_of
from shipsvc.web.document_schemas import content_of
from shipsvc.web.etags import IfMatch, etag, versions
from shipsvc.web.openapi import REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKeyDep, once
from shipsvc.web.schemas import InstitutionCode, MomentsDep, Words

router = APIRouter(prefix="/v1", tags=["documents"])
Institution = Annotated[InstitutionCode, Path()]
Sought = Annotated[
    Words | None,
    Query(description="Part of a code or name that it or its predecessor or successor has or had", examples=["LSC"]),
]
TOLD: Any = {201: {"headers": REPLAYED_HEADER}} | problems(404, 409)


@router.get("/institutions", operation_id="list_institutions", summary="Institutions", responses=LISTED)
def list_institutions(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    moments: MomentsDep,
    response: Response,
    q: Sought = None,
) -> schemas.InstitutionPage:
    """Everybody who is signed in may read all institutions, in the order of their codes. With `q`, those that have or
    had such a code or name, and those before and after them; `found_by` says which.
    """
    after = asked.after("institution", str)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        first = str(after[0]) if after else ""
        found = successions.page(work.connection, work.actor, when, q, after=first, limit=asked.limit + 1)
    page = cursors.cut(found, asked.limit, "institution", lambda one: (one.row["code"],))
    cursors.link(response, asked, page)
    provisional = documents.is_provisional(moments.known_on, now)
    return schemas.InstitutionPage(items=[_shown(one, provisional) for one in page.rows], next=page.next)


@router.get("/institutions/{code}", operation_id="show_institution", summary="An institution", responses=SHOWN)
def show_institution(
    service: ServiceDep, claims: ClaimsDep, code: Institution, moments: MomentsDep, response: Response
) -> schemas.InstitutionShown:
    """As it was named at `as_of`, by what was recorded by `known_on`; and who answers for it then."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = successions.read(work.connection, work.actor, code, when)
    response.headers["ETag"] = etag(found.row["version"])
    return _shown(found, documents.is_provisional(moments.known_on, now))


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

    def _make(work: Work) -> Made:
        content, told = content_of(body), told_of(body)
        row = documents.create(work.connection, work.actor, work.now(), INSTITUTION, body.code, content, told)
        headers = {"Location": f"/v1/institutions/{body.code}", "ETag": etag(row["version"])}
        return Made(201, _now(work, row), headers)

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))


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
    follows = versions(if_match)
    with unit_of_work(service, claims) as work:
        content, told = content_of(body), told_of(body)
        row = documents.change(work.connection, work.actor, work.now(), INSTITUTION, code, follows, content, told)
        answer = _now(work, row)
    response.headers["ETag"] = etag(row["version"])
    return answer


@router.post(
    "/institutions/{code}/successor",
    operation_id="tell_successor",
    summary="Another institution answers for this one, or no longer",
    status_code=201,
    response_model=schemas.SuccessionShown,
    responses=TOLD,
)
def tell_successor(
    service: ServiceDep, claims: ClaimsDep, code: Institution, key: RequestKeyDep, body: schemas.SuccessorNew
) -> Response:
    """Merged or renamed under another code, told as late as it may be. From that moment on what it holds and owes is
    the successor's, and the successor's people see it and may act for it. Old facts keep the old name. A wrong merge
    is reversed by another one, with `successor` null; both stay in the record. For administrators, and for curators and
    registrars of the institution that is taken over.
    """

    def _make(work: Work) -> Made:
        now = work.now()
        row = successions.tell(work.connection, work.actor, now, code, body.successor, body.from_at, body.because)
        return Made(201, schemas.SuccessionShown(**row))

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))


@router.get(
    "/institutions/{code}/successions",
    operation_id="list_successions",
    summary="Who took over from whom, as it was told",
    responses=problems(404),
)
def list_successions(
    service: ServiceDep, claims: ClaimsDep, code: Institution, moments: MomentsDep
) -> schemas.SuccessionList:
    """Every decision that names the institution, as the old one or the new one, reversed ones too, in the order in
    which they were told."""
    with reading(service, claims) as work:
        when = documents.asked(moments.as_of, moments.known_on, work.now())
        rows = successions.log(work.connection, code, when)
    return schemas.SuccessionList(items=[schemas.SuccessionShown(**row) for row in rows])


def _now(work: Work, row: Row) -> schemas.InstitutionShown:
    return _shown(successions.standing(work.connection, row, documents.asked(None, None, work.now())))


def _shown(one: Standing, provisional: bool = False) -> schemas.InstitutionShown:
    return schemas.InstitutionShown(
        **fields(one.row, provisional),
        successor=one.successor,
        successor_since=one.successor_since,
        predecessors=list(one.predecessors),
        found_by=[schemas.FoundBy(which=which, words=words) for which, words in one.found_by],  # type: ignore[arg-type]  # one of the literals
    )
