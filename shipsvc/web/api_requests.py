"""Requests for material: ask, show, approve, refuse, withdraw, and say what was cut for them."""

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import documents, requests
from shipsvc.app.decisions import Decided
from shipsvc.app.requests import Grant, Request, Wanted
from shipsvc.domain import codes
from shipsvc.domain.mass import Mass
from shipsvc.store.engine import Row
from shipsvc.web import cursors
from shipsvc.web import request_schemas as schemas
from shipsvc.web.answered import of_moment
from shipsvc.web.cursors import AskedDep
from shipsvc.web.decisions import decided
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading
from shipsvc.web.etags import etag
from shipsvc.web.items_shown import mass_mg
from shipsvc.web.openapi import CREATED, ETAG, LINK, REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKey, RequestKeyDep
from shipsvc.web.schemas import DocumentCode, InstitutionCode, Moments, MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["requests"])
Code = Annotated[
    DocumentCode, Path(description="The code that the service drew for it", examples=[schemas.EXAMPLE_REQUEST])
]
NOW = Moments(None, None)
ASKED: Any = {201: {"headers": CREATED}} | problems(404)
SHOWN: Any = {200: {"headers": ETAG}} | problems(404)
DECIDED: Any = {200: {"headers": ETAG | REPLAYED_HEADER}} | problems(404, 409)


@router.post(
    "/requests",
    operation_id="ask_for_material",
    summary="Ask for material",
    status_code=201,
    response_model=schemas.RequestShown,
    responses=ASKED,
)
def ask_for_material(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.RequestNew) -> Response:
    """For whoever speaks for the institution that asks. Nobody but the collection's owner hears of it."""

    def make(work: Work) -> Made:
        said = body.model_dump(exclude={"wanted_mg", "least_mg", "asked_at", "because"})
        wanted = Wanted(**said, wanted_ng=_ng(body.wanted_mg), least_ng=_ng(body.least_mg))
        told = Decided(body.because, body.asked_at)
        return _made(work, requests.ask(work.connection, work.actor, work.now(), wanted, told), 201)

    return decided(service, claims, key, body, make)


@router.get("/requests", operation_id="list_requests", summary="Requests", responses={200: {"headers": LINK}})
def list_requests(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    moments: MomentsDep,
    response: Response,
    collection: Annotated[DocumentCode | None, Query(description="Only of this collection")] = None,
    institution: Annotated[InstitutionCode | None, Query(description="Only what this institution asks")] = None,
    status: Annotated[schemas.Status | None, Query(description="Only what has come so far")] = None,
) -> schemas.RequestPage:
    """What one's own institutions ask, and what is asked of their collections; all, for auditors and administrators."""
    after = asked.after("request", str)
    with reading(service, claims) as work:
        now = work.now()
        found = requests.page(
            work.connection,
            work.actor,
            documents.asked(moments.as_of, moments.known_on, now),
            collection=collection,
            institution=institution,
            status=status,
            after=str(after[0]) if after else "",
            limit=asked.limit + 1,
        )
    page = cursors.cut(found, asked.limit, "request", lambda request: (request.row["code"],))
    cursors.link(response, asked, page)
    return schemas.RequestPage(items=[_shown(one, moments, now) for one in page.rows], next=page.next)


@router.get(
    "/requests/{code}",
    operation_id="show_request",
    summary="A request",
    responses=SHOWN,
)
def show_request(
    service: ServiceDep, claims: ClaimsDep, code: Code, moments: MomentsDep, response: Response
) -> schemas.RequestShown:
    """How far it has come, what was granted and why, what was cut for it."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = requests.read(work.connection, work.actor, code, when)
    response.headers["ETag"] = etag(found.row["version"])
    return _shown(found, moments, now)


@router.post(
    "/requests/{code}/approve",
    operation_id="approve_request",
    summary="Grant it, whole or in part",
    response_model=schemas.RequestShown,
    responses=DECIDED,
)
def approve_request(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.ApprovalNew
) -> Response:
    """For curators of the collection's owner who are not of the institution that asks. What is granted is promised from
    now on; 409 `more_than_headroom` says the largest that can be."""
    grants = [Grant(codes.display(one.sample), _ng(one.mass_mg)) for one in body.grants]

    def act(work: Work) -> Request:
        told = Decided(body.because, body.approved_at)
        return requests.approve(work.connection, work.actor, work.now(), code, grants, told, body.expires_at)

    return _decided(service, claims, key, body, act)


@router.post(
    "/requests/{code}/refuse",
    operation_id="refuse_request",
    summary="Refuse it, with the reason",
    response_model=schemas.RequestShown,
    responses=DECIDED,
)
def refuse_request(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.RefusalNew
) -> Response:
    """For curators of the collection's owner who are not of the institution that asks, which is told the reason."""
    told = Decided(body.because, body.refused_at)
    return _decided(
        service, claims, key, body, lambda work: requests.refuse(work.connection, work.actor, work.now(), code, told)
    )


@router.post(
    "/requests/{code}/withdraw",
    operation_id="withdraw_request",
    summary="Take it back",
    response_model=schemas.RequestShown,
    responses=DECIDED,
)
def withdraw_request(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.WithdrawalNew
) -> Response:
    """By who asks, or curators of the collection's owner. What was promised on it and not cut is free again."""
    told = Decided(body.because, body.withdrawn_at)
    return _decided(
        service, claims, key, body, lambda work: requests.withdraw(work.connection, work.actor, work.now(), code, told)
    )


@router.post(
    "/requests/{code}/pieces",
    operation_id="cut_for_request",
    summary="Say which piece was cut for it",
    response_model=schemas.RequestShown,
    responses=DECIDED,
)
def cut_for_request(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: schemas.CutNew
) -> Response:
    """For curators of the collection's owner. From now on what was cut counts, not what was granted. Refused where it
    is heavier by more than `cut_overshoot_ppm` of the collection: that needs a further grant."""
    told = Decided(body.because, body.cut_at)

    def act(work: Work) -> Request:
        piece = codes.display(body.piece)
        return requests.cut(work.connection, work.actor, work.now(), code, body.line, piece, told)

    return _decided(service, claims, key, body, act)


def _decided(service: Service, claims: Claims, key: RequestKey, body: Any, act: Callable[[Work], Request]) -> Response:
    return decided(service, claims, key, body, lambda work: _made(work, act(work), 200))


def _made(work: Work, found: Request, status: int) -> Made:
    location = {"Location": f"/v1/requests/{found.row['code']}"} if status == 201 else {}
    return Made(status, _shown(found, NOW, work.now()), {**location, "ETag": etag(found.row["version"])})


def _shown(found: Request, moments: Moments, now: datetime) -> schemas.RequestShown:
    row = found.row
    own = {name: row[name] for name in row if name not in {"samples", "wanted_ng", "least_ng"}}
    return schemas.RequestShown(
        **own,
        samples=[codes.display(number) for number in found.samples],
        wanted_mg=_mg(row["wanted_ng"]),
        least_mg=_mg(row["least_ng"]),
        reduced=found.reduced,
        promises=_promises(found.promises),
        **of_moment(moments, now),
    )


def _promises(rows: Sequence[Row]) -> list[schemas.PromiseShown]:
    return [
        schemas.PromiseShown(
            line=row["line"],
            sample=codes.display(row["sample"]),
            mass_mg=_mg(row["mass_ng"]),
            state=row["state"],
            since=row["valid_from"],
            expires_at=row["expires_at"],
            piece=codes.display(row["piece"]) if row["piece"] else None,
            cut_mg=_mg(row["cut_ng"]),
        )
        for row in rows
    ]


def _mg(ng: int | None) -> str | None:
    return None if ng is None else mass_mg(ng)


def _ng(text: str | None) -> int | None:
    return None if text is None else Mass.parse(f"{text} mg").ng
