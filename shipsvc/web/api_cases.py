"""Cases: what went wrong, what was said and done about it, and what was decided."""

from collections.abc import Callable, Iterable
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import cases, documents
from shipsvc.app.cases import Case, Opening, Said
from shipsvc.app.decisions import Decided
from shipsvc.domain import codes
from shipsvc.domain.cases import CaseKind, CaseState
from shipsvc.web import case_schemas as schemas
from shipsvc.web import cases_shown, cursors
from shipsvc.web.body_texts import ItemNumber
from shipsvc.web.cursors import AskedDep
from shipsvc.web.decisions import decided
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading
from shipsvc.web.etags import etag
from shipsvc.web.openapi import CREATED, ETAG, LINK, REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKey, RequestKeyDep
from shipsvc.web.schemas import DocumentCode, InstitutionCode, Moments, MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["cases"])
Code = Annotated[
    DocumentCode, Path(description="The code that the service drew for it", examples=[schemas.EXAMPLE_CASE])
]
NOW = Moments(None, None)
OPENED: Any = {201: {"headers": CREATED}} | problems(404)
SHOWN: Any = {200: {"headers": ETAG}} | problems(404)
LISTED: Any = {200: {"headers": LINK}} | problems(404)
SAID: Any = {201: {"headers": CREATED}} | problems(404)
MOVED: Any = {200: {"headers": ETAG | REPLAYED_HEADER}} | problems(404, 409)


@router.post(
    "/cases",
    operation_id="open_case",
    summary="Say that something went wrong",
    status_code=201,
    response_model=schemas.CaseShown,
    responses=OPENED,
)
def open_case(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.CaseNew) -> Response:
    """For whoever may see the things. The owner is to decide by `decide_by`, which follows from the kind. A case
    rejects no fact; while it holds the things, they are not promised, lent, or sent but home."""

    def make(work: Work) -> Made:
        said = {name: value for name, value in body if name not in {"files_sha256", "items"}}
        opening = Opening(**said, items=_typed(body.items), files=body.files_sha256)
        return _made(work, cases.open_by_hand(work.connection, work.actor, work.now(), opening), 201)

    return decided(service, claims, key, body, make)


@router.get("/cases", operation_id="list_cases", summary="Cases", responses=LISTED)
def list_cases(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    moments: MomentsDep,
    response: Response,
    state: Annotated[CaseState | None, Query(description="Only what has come so far")] = None,
    kind: Annotated[CaseKind | None, Query(description="Only of this kind")] = None,
    owner: Annotated[InstitutionCode | None, Query(description="Only about what this institution owns")] = None,
    item: Annotated[ItemNumber | None, Query(description="Only about this thing", examples=["BRM-0010-J"])] = None,
) -> schemas.CasePage:
    """Those of one's own things, those that one opened, and those about things that were one's affair when it was
    found."""
    after = asked.after("case", str)
    with reading(service, claims) as work:
        now = work.now()
        found = cases.page(
            work.connection,
            work.actor,
            now,
            documents.asked(moments.as_of, moments.known_on, now),
            state=state,
            kind=kind,
            owner=owner,
            item=codes.display(item) if item else None,
            after=str(after[0]) if after else "",
            limit=asked.limit + 1,
        )
        page = cursors.cut(found, asked.limit, "case", lambda case: (case.row["code"],))
        items = [cases_shown.case(work, one, moments, now) for one in page.rows]
    cursors.link(response, asked, page)
    return schemas.CasePage(items=items, next=page.next)


@router.get("/cases/{code}", operation_id="show_case", summary="A case", responses=SHOWN)
def show_case(
    service: ServiceDep, claims: ClaimsDep, code: Code, moments: MomentsDep, response: Response
) -> schemas.CaseShown:
    """What it is about, what was said in it, and how far it has come."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = cases.read(work.connection, work.actor, now, code, when)
        shown = cases_shown.case(work, found, moments, now)
    response.headers["ETag"] = etag(found.row["version"])
    return shown


@router.post(
    "/cases/{code}/entries",
    operation_id="say_in_case",
    summary="Say something in it",
    status_code=201,
    response_model=schemas.CaseShown,
    responses=SAID,
)
def say_in_case(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.CaseSaying
) -> Response:
    """What was done, who was told, what was found out, with files. For whoever sees the case, also a closed one."""
    said = Said(body.acting_for, body.what, body.shared, body.files_sha256, body.said_at)

    def make(work: Work) -> Made:
        return _made(work, cases.say(work.connection, work.actor, work.now(), code, said), 201)

    return decided(service, claims, key, body, make)


@router.post(
    "/cases/{code}/items",
    operation_id="add_to_case",
    summary="It is about more things",
    response_model=schemas.CaseShown,
    responses=MOVED,
)
def add_to_case(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.CaseItems
) -> Response:
    """Such as what lay in the same box, or was made of the same sample. For people of the owner."""
    return _moved(
        service,
        claims,
        key,
        body,
        lambda work: cases.add_items(work.connection, work.actor, work.now(), code, _typed(body.items)),
    )


@router.post(
    "/cases/{code}/contain",
    operation_id="contain_case",
    summary="It can do no more harm",
    response_model=schemas.CaseShown,
    responses=MOVED,
)
def contain_case(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.Containment
) -> Response:
    """For people of the owner, and of whoever opened it."""
    told = Decided(body.because, body.at)
    return _moved(
        service,
        claims,
        key,
        body,
        lambda work: cases.contain(work.connection, work.actor, work.now(), code, told, body.hold),
    )


@router.post(
    "/cases/{code}/decide",
    operation_id="decide_case",
    summary="Decide it, with the reason",
    response_model=schemas.CaseShown,
    responses=MOVED,
)
def decide_case(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.CaseDecision
) -> Response:
    """For curators and responsible persons of the owner."""
    told = Decided(body.because, body.at)

    def act(work: Work) -> Case:
        decision, cause, hold = body.decision, body.cause, body.hold
        return cases.decide(
            work.connection, work.actor, work.now(), code, told, decision=decision, cause=cause, hold=hold
        )

    return _moved(service, claims, key, body, act)


@router.post(
    "/cases/{code}/close",
    operation_id="close_case",
    summary="Close it",
    response_model=schemas.CaseShown,
    responses=MOVED,
)
def close_case(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.CaseClosing
) -> Response:
    """Once it is decided. For curators and responsible persons of the owner. The hold ends."""
    told = Decided(body.because, body.at)
    return _moved(
        service, claims, key, body, lambda work: cases.close(work.connection, work.actor, work.now(), code, told)
    )


@router.post(
    "/cases/{code}/reopen",
    operation_id="reopen_case",
    summary="Open it again",
    response_model=schemas.CaseShown,
    responses=MOVED,
)
def reopen_case(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.CaseReopening
) -> Response:
    """There is more to it: a new day to decide by. For curators and responsible persons of the owner."""
    told = Decided(body.because, body.at)
    return _moved(
        service,
        claims,
        key,
        body,
        lambda work: cases.reopen(work.connection, work.actor, work.now(), code, told, body.hold),
    )


def _moved(service: Service, claims: Claims, key: RequestKey, body: Any, act: Callable[[Work], Case]) -> Response:
    return decided(service, claims, key, body, lambda work: _made(work, act(work), 200))


def _typed(numbers: Iterable[str]) -> list[str]:
    return [codes.display(number) for number in numbers]


def _made(work: Work, found: Case, status: int) -> Made:
    location = {"Location": f"/v1/cases/{found.row['code']}"} if status == 201 else {}
    shown = cases_shown.case(work, found, NOW, work.now())
    return Made(status, shown, {**location, "ETag": etag(found.row["version"])})
