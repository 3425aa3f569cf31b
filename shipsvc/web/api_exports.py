"""A way out: all that one may see as files with all rows, and what is held about the person who asks."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from functools import partial
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Header
from fastapi.responses import StreamingResponse

from shipsvc.app import exports, identity
from shipsvc.web import csv_answers
from shipsvc.web import exports as files
from shipsvc.web.account_schemas import session_shown
from shipsvc.web.answered import MOMENT
from shipsvc.web.case_schemas import EXPORTED
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading
from shipsvc.web.export_schemas import FACT, LEG, LOAN, MOVE, SHIPMENT, OwnData
from shipsvc.web.exports import EXPORTS, fact_row
from shipsvc.web.file_schemas import file_out
from shipsvc.web.identity_schemas import RoleChanged
from shipsvc.web.item_schemas import ItemRow
from shipsvc.web.loan_schemas import LineShown
from shipsvc.web.openapi import header
from shipsvc.web.report_schemas import Discrepancy
from shipsvc.web.schemas import Moments, MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["exports"])
#: One JSON text a line (RFC 8259, lines as in JSON Lines).
JSON_LINES: Final = "application/jsonl"


async def _as_csv(
    accept: Annotated[
        str | None, Header(description="`text/csv` for CSV, else JSON Lines", examples=["text/csv"])
    ] = None,
) -> bool:
    return csv_answers.is_asked(accept, JSON_LINES, "application/x-ndjson", "application/json")


AsCsvDep = Annotated[bool, Depends(_as_csv)]


def _responses(name: str, example: dict[str, Any]) -> Any:
    shape = EXPORTS[name].shape
    row = shape.model_validate(example)
    disposition = header("A name for the file", f'attachment; filename="{name}-20261125T120000Z.jsonl"')
    said = {**MOMENT, "provisional": "true"}
    as_csv = "".join(csv_answers.lines(list(shape.model_fields), said, [[row]]))
    content = {
        JSON_LINES: {"schema": {"type": "string"}, "example": "".join(files.json_lines(MOMENT, [[row]]))},
        csv_answers.MEDIA_TYPE: {"schema": {"type": "string"}, "example": as_csv},
    }
    return {200: {"description": "All rows", "headers": {"Content-Disposition": disposition}, "content": content}}


_LINE: Final[dict[str, Any]] = LineShown.model_json_schema().get("examples", [{}])[0]


# ---------------------------------------------------------------------------------------------------------------- files
@router.get(
    "/export/items",
    operation_id="export_items",
    summary="All items as a file",
    response_class=StreamingResponse,
    responses=_responses("items", ItemRow.model_json_schema()["examples"][0]),
)
def export_items(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """What `GET /v1/items` lists, to the last row: what your institutions have or had to do with."""
    return _file(service, claims, "items", moments, as_csv=as_csv)


@router.get(
    "/export/loans",
    operation_id="export_loans",
    summary="All lines of loans as a file",
    response_class=StreamingResponse,
    responses=_responses("loans", {**_LINE, **LOAN}),
)
def export_loans(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """One row a line of each loan that `GET /v1/loans` lists: those of one's own institutions, closed ones included."""
    return _file(service, claims, "loans", moments, as_csv=as_csv)


@router.get(
    "/export/facts",
    operation_id="export_facts",
    summary="All facts as a file",
    response_class=StreamingResponse,
    responses=_responses("facts", FACT),
)
def export_facts(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """What happened by `as_of` and was recorded by `known_on`, as it was told and in the order of ids: all that
    `GET /v1/events/{id}` shows you, one by one, and cut to what is yours in the same way."""
    return _file(service, claims, "facts", moments, as_csv=as_csv)


@router.get(
    "/export/shipments",
    operation_id="export_shipments",
    summary="All shipments as a file",
    response_class=StreamingResponse,
    responses=_responses("shipments", SHIPMENT),
)
def export_shipments(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """One row a parcel of each shipment that `GET /v1/shipments` lists; one that holds nothing is a row without any."""
    return _file(service, claims, "shipments", moments, as_csv=as_csv)


@router.get(
    "/export/handovers",
    operation_id="export_handovers",
    summary="From hand to hand, as a file",
    response_class=StreamingResponse,
    responses=_responses("handovers", LEG),
)
def export_handovers(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """One row for each stretch of the custody of each item that `GET /v1/items` lists: with whom it was for certain,
    who was said to have it, from when to when, and the fact that this began with. Of others' items, those of your time.
    """
    return _file(service, claims, "handovers", moments, as_csv=as_csv)


@router.get(
    "/export/comparisons",
    operation_id="export_comparisons",
    summary="All weighings held against the book, as a file",
    response_class=StreamingResponse,
    responses=_responses("comparisons", Discrepancy.model_json_schema()["examples"][0]),
)
def export_comparisons(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """One row a weighing, those that agree too: what `GET /v1/reports/mass-discrepancies?verdict=all` tells, to the
    last row.
    """
    return _file(service, claims, "comparisons", moments, as_csv=as_csv)


@router.get(
    "/export/moves",
    operation_id="export_moves",
    summary="The ledger as a file",
    response_class=StreamingResponse,
    responses=_responses("moves", MOVE),
)
def export_moves(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """One row for each mass that an act moved from one account to another. What came out of `origin` and `rebasis` is
    what all other accounts hold together. For the people of the owner."""
    return _file(service, claims, "moves", moments, as_csv=as_csv)


@router.get(
    "/export/cases",
    operation_id="export_cases",
    summary="All cases as a file",
    response_class=StreamingResponse,
    responses=_responses("cases", EXPORTED),
)
def export_cases(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """One row a case that `GET /v1/cases` lists, with what was said in it as far as it is yours to read."""
    return _file(service, claims, "cases", moments, as_csv=as_csv)


def _file(service: Service, claims: Claims, name: str, moments: Moments, *, as_csv: bool) -> StreamingResponse:
    begun = files.begun(EXPORTS[name], partial(reading, service, claims), moments)
    suffix, content_type = ("csv", csv_answers.CONTENT_TYPE) if as_csv else ("jsonl", JSON_LINES)
    at = csv_answers.moments(**{one: begun.said[one] for one in ("as_of", "known_on", "provisional")})["as_of"]
    headers = csv_answers.file_headers(name, suffix, at, content_type)
    return StreamingResponse(begun.lines(as_csv=as_csv), headers=headers)


# ------------------------------------------------------------------------------------------------------------- oneself
@router.get(
    "/me/export",
    operation_id="export_me",
    summary="What is held about me",
    response_model=OwnData,
    responses={
        200: {"headers": {"Content-Disposition": header("A name for the file", 'attachment; filename="me.json"')}}
    },
)
def export_me(service: ServiceDep, claims: ClaimsDep) -> Any:
    """One's own profile, every role with its dates, the sign-ins that are kept, the files that one sent, and all that
    one told, for whichever institution.
    """
    with reading(service, claims) as work:
        now = work.now()
        head = _own(work, now, claims.sid)
        first = exports.own_facts(work.connection, work.actor, after="", limit=files.PAGE)
    text = head.model_dump_json().removesuffix("[]}")
    pieces = _own_text(text, _own_pages(service, claims, first))
    headers = {"Content-Disposition": 'attachment; filename="me.json"', "Cache-Control": "no-store"}
    return StreamingResponse(pieces, media_type="application/json", headers=headers)


def _own(work: Work, now: datetime, current: str) -> OwnData:
    profile = identity.profile(work.connection, work.actor, now, work.actor.person)
    members = ("person", "institution", "role", "from_at", "recorded_at", "actor")
    roles = [
        RoleChanged(**{name: row[name] for name in members}, change="grant" if row["granted"] else "end")
        for row in exports.own_roles(work.connection, work.actor)
    ]
    return OwnData(
        person=profile.person,
        name=profile.name,
        email=profile.email,
        recorded_at=profile.recorded_at,
        exported_at=now,
        login=identity.account_of(work.connection, work.actor.person)["login"],
        roles=roles,
        sessions=[session_shown(row, current) for row in exports.own_sessions(work.connection, work.actor)],
        files=[file_out(row) for row in exports.own_files(work.connection, work.actor)],
        facts=[],
    )


def _own_pages(service: Service, claims: Claims, page: Sequence[exports.Told]) -> Iterator[Sequence[exports.Told]]:
    while page:
        yield page
        if len(page) < files.PAGE:
            return
        with reading(service, claims) as work:
            page = exports.own_facts(work.connection, work.actor, after=page[-1].row["id"], limit=files.PAGE)


def _own_text(head: str, pages: Iterable[Sequence[exports.Told]]) -> Iterator[str]:
    """The whole as one JSON text: the head up to the bracket that opens the facts, the facts, the end."""
    yield f"{head}["
    between = ""
    for page in pages:
        yield between + ",".join(fact_row(one.row, one.wording).model_dump_json() for one in page)
        between = ","
    yield "]}"
