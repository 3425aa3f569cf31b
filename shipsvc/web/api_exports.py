"""A way out: items, loans and facts as files with all rows, and what is held about the person who asks.

Each page is read in a transaction of its own, so that a slow reader holds none and memory does not grow with the file.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Annotated, Any, Final, TypeVar

from fastapi import APIRouter, Depends, Header
from fastapi.responses import StreamingResponse
from pydantic import BaseModel

from shipsvc.app import documents, exports, identity, items, loans
from shipsvc.app.facts import Wording
from shipsvc.app.loan_lines import Line
from shipsvc.app.loans import Loan
from shipsvc.domain import codes
from shipsvc.store.engine import Row
from shipsvc.web import csv_answers, items_shown
from shipsvc.web.account_schemas import session_shown
from shipsvc.web.answered import MOMENT, of_moment
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading
from shipsvc.web.export_schemas import FACT, LOAN, FactRow, LoanLineOut, OwnData
from shipsvc.web.file_schemas import file_out
from shipsvc.web.identity_schemas import RoleChanged
from shipsvc.web.item_schemas import ItemRow
from shipsvc.web.loan_schemas import LineShown
from shipsvc.web.openapi import header
from shipsvc.web.schemas import Moments, MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["exports"])
#: One JSON text a line (RFC 8259, lines as in JSON Lines).
JSON_LINES: Final = "application/jsonl"
PAGE: Final = 200
#: A loan has up to 500 lines.
LOAN_PAGE: Final = 10
Found = TypeVar("Found")
#: A page of rows, and where to go on (None: nowhere).
Page = tuple[Sequence[BaseModel], str | None]
Read = Callable[[Work, documents.When, str], Page]


async def _as_csv(
    accept: Annotated[
        str | None, Header(description="`text/csv` for CSV, else JSON Lines", examples=["text/csv"])
    ] = None,
) -> bool:
    return csv_answers.is_asked(accept, JSON_LINES, "application/x-ndjson", "application/json")


AsCsvDep = Annotated[bool, Depends(_as_csv)]


def _json_lines(said: dict[str, Any], pages: Iterable[Sequence[BaseModel]]) -> Iterator[str]:
    for page in pages:
        yield "".join(f"{_text({**row.model_dump(mode='json'), **said})}\n" for row in page)


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _responses(shape: type[BaseModel], example: dict[str, Any]) -> Any:
    row = shape.model_validate(example)
    disposition = header("A name for the file", 'attachment; filename="items-20261125T120000Z.jsonl"')
    said = {**MOMENT, "provisional": "true"}
    as_csv = "".join(csv_answers.lines(list(shape.model_fields), said, [[row]]))
    content = {
        JSON_LINES: {"schema": {"type": "string"}, "example": "".join(_json_lines(MOMENT, [[row]]))},
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
    responses=_responses(ItemRow, ItemRow.model_json_schema()["examples"][0]),
)
def export_items(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """What `GET /v1/items` lists, to the last row: what your institutions have or had to do with."""

    def read(work: Work, when: documents.When, after: str) -> Page:
        sought = items.sought(None)
        rows = items.page(work.connection, work.actor, sought, when, work.now(), after=after, limit=PAGE)
        return [items_shown.in_list(row) for row in rows], _last(rows, PAGE, lambda row: str(row["number"]))

    return _file(service, claims, "items", ItemRow, read, moments, as_csv=as_csv)


@router.get(
    "/export/loans",
    operation_id="export_loans",
    summary="All lines of loans as a file",
    response_class=StreamingResponse,
    responses=_responses(LoanLineOut, {**_LINE, **LOAN}),
)
def export_loans(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """One row a line of each loan that `GET /v1/loans` lists: those of one's own institutions, closed ones included."""

    def read(work: Work, when: documents.When, after: str) -> Page:
        found = loans.page(work.connection, work.actor, work.now(), when, after=after, limit=LOAN_PAGE)
        rows = [_loan_line(loan, line) for loan in found for line in loan.lines]
        return rows, _last(found, LOAN_PAGE, lambda loan: str(loan.row["code"]))

    return _file(service, claims, "loans", LoanLineOut, read, moments, as_csv=as_csv)


@router.get(
    "/export/facts",
    operation_id="export_facts",
    summary="All facts as a file",
    response_class=StreamingResponse,
    responses=_responses(FactRow, FACT),
)
def export_facts(service: ServiceDep, claims: ClaimsDep, as_csv: AsCsvDep, moments: MomentsDep) -> Any:
    """What happened by `as_of` and was recorded by `known_on`, as it was told and in the order of ids: all that
    `GET /v1/events/{id}` shows you, one by one, and cut to what is yours in the same way."""

    def read(work: Work, when: documents.When, after: str) -> Page:
        found = exports.fact_page(work.connection, work.actor, when, work.now(), after=after, limit=PAGE)
        return [_fact(one.row, one.wording) for one in found.facts], found.after

    return _file(service, claims, "facts", FactRow, read, moments, as_csv=as_csv)


def _file(
    service: Service,
    claims: Claims,
    name: str,
    shape: type[BaseModel],
    read: Read,
    moments: Moments,
    *,
    as_csv: bool,
) -> StreamingResponse:
    with reading(service, claims) as work:
        now = work.now()
        # Known on now, not on whatever is recorded while the file is read.
        when = documents.When(moments.as_of or now, min(moments.known_on or now, now))
        first = read(work, when, "")
    said = of_moment(moments, now)
    pages = _pages(service, claims, when, read, first)
    if as_csv:
        told = csv_answers.moments(said["as_of"], said["known_on"], said["provisional"])
        return csv_answers.answer(name, shape, told, pages)
    at = csv_answers.moments(said["as_of"], said["known_on"], said["provisional"])
    lines = _json_lines({**at, "provisional": said["provisional"]}, pages)
    headers = csv_answers.file_headers(name, "jsonl", at["as_of"], JSON_LINES)
    return StreamingResponse(lines, headers=headers)


def _pages(
    service: Service, claims: Claims, when: documents.When, read: Read, page: Page
) -> Iterator[Sequence[BaseModel]]:
    while True:
        rows, after = page
        yield rows
        if after is None:
            return
        with reading(service, claims) as work:
            page = read(work, when, after)


def _last(rows: Sequence[Found], limit: int, key: Callable[[Found], str]) -> str | None:
    return key(rows[-1]) if len(rows) == limit else None


def _loan_line(loan: Loan, line: Line) -> LoanLineOut:
    told: Row = {name: getattr(line, name) for name in LineShown.model_fields if name not in {"number", "state"}}
    own = ("lender", "borrower", "responsible", "purpose", "signed_at", "closed_at")
    of_loan: Row = {name: loan.row[name] for name in own}
    return LoanLineOut(
        number=codes.display(line.item),
        state=line.state.value,
        loan=loan.row["code"],
        loan_state=loan.state,  # type: ignore[arg-type]  # one of the literals
        agreed_due_on=loan.row["due_on"],
        **told,
        **of_loan,
    )


def _fact(row: Row, said: Wording) -> FactRow:
    as_stored = ("id", "acting_for", "recorded_at", "amends", "note")
    as_said = ("kind", "happened_at", "happened_latest", "time_raw", "time_source")
    members: Row = {name: row[name] for name in as_stored} | {name: getattr(said, name) for name in as_said}
    return FactRow(subjects=list(said.subjects), by=row["actor"], body=dict(said.body), **members)


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
        first = exports.own_facts(work.connection, work.actor, after="", limit=PAGE)
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
        if len(page) < PAGE:
            return
        with reading(service, claims) as work:
            page = exports.own_facts(work.connection, work.actor, after=page[-1].row["id"], limit=PAGE)


def _own_text(head: str, pages: Iterable[Sequence[exports.Told]]) -> Iterator[str]:
    """The whole as one JSON text: the head up to the bracket that opens the facts, the facts, the end."""
    yield f"{head}["
    between = ""
    for page in pages:
        yield between + ",".join(_fact(one.row, one.wording).model_dump_json() for one in page)
        between = ","
    yield "]}"
