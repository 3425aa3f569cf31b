"""Loans: sign, show, extend, recall, close."""

from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import documents, loans
from shipsvc.app.decisions import Decision
from shipsvc.app.loan_lines import Line
from shipsvc.app.loans import Agreement, Loan
from shipsvc.domain import codes
from shipsvc.store.engine import Row
from shipsvc.web import cursors
from shipsvc.web.answered import of_moment
from shipsvc.web.cursors import AskedDep
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, Work, reading
from shipsvc.web.etags import etag
from shipsvc.web.loan_schemas import (
    AnswersShown,
    ClosingNew,
    DueNew,
    LineShown,
    LoanNew,
    LoanPage,
    LoanShown,
    RecallNew,
)
from shipsvc.web.openapi import CREATED, ETAG, LINK, REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKeyDep
from shipsvc.web.schemas import DocumentCode, InstitutionCode, Moments, MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["loans"])
Code = Annotated[DocumentCode, Path(description="The code of the loan", examples=["L-08"])]
Of = Annotated[InstitutionCode | None, Query()]
NOW = Moments(None, None)
SHOWN: Any = {200: {"headers": ETAG}} | problems(404)
ADDED: Any = {201: {"headers": CREATED}} | problems(404, 409)
DECIDED: Any = {200: {"headers": ETAG | REPLAYED_HEADER}} | problems(404, 409)


@router.get("/loans", operation_id="list_loans", summary="Loans", responses={200: {"headers": LINK}})
def list_loans(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    moments: MomentsDep,
    response: Response,
    lender: Of = None,
    borrower: Of = None,
    closed: Annotated[bool | None, Query(description="Only those that are closed, or that are not")] = None,
) -> LoanPage:
    """Loans that one's own institutions lend or borrow; all, for auditors and administrators."""
    after = asked.after("loan", str)
    with reading(service, claims) as work:
        now = work.now()
        found = loans.page(
            work.connection,
            work.actor,
            now,
            documents.asked(moments.as_of, moments.known_on, now),
            lender=lender,
            borrower=borrower,
            closed=closed,
            after=str(after[0]) if after else "",
            limit=asked.limit + 1,
        )
    page = cursors.cut(found, asked.limit, "loan", lambda loan: (loan.row["code"],))
    cursors.link(response, asked, page)
    return LoanPage(items=[shown(loan, moments, now) for loan in page.rows], next=page.next)


@router.get(
    "/loans/{code}",
    operation_id="show_loan",
    summary="A loan with its lines",
    responses=SHOWN,
)
def show_loan(service: ServiceDep, claims: ClaimsDep, code: Code, moments: MomentsDep, response: Response) -> LoanShown:
    """Who owes what, until when, and what came back: as it was at `as_of`, by what was recorded by `known_on`."""
    with reading(service, claims) as work:
        now = work.now()
        loan = loans.read(work.connection, work.actor, now, code, moments.as_of, moments.known_on)
    response.headers["ETag"] = etag(loan.row["version"])
    return shown(loan, moments, now)


@router.post(
    "/loans",
    operation_id="sign_loan",
    summary="Tell of a signed loan",
    status_code=201,
    response_model=LoanShown,
    responses=ADDED,
)
def sign_loan(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: LoanNew) -> Response:
    """For curators and registrars of the lender. Where another loan still owes a line, this one owes it from the moment
    that its borrower accepts it."""

    def _make(work: Work) -> Made:
        said = body.model_dump(exclude={"signed_at", "because"})
        decision = Decision(new_id(work.now()), body.because, body.signed_at)
        loans.sign(work.connection, work.actor, work.now, Agreement(**said), decision)
        return _made(work, body.code, 201)

    return decided(service, claims, key, body, _make)


@router.post(
    "/loans/{code}/due",
    operation_id="extend_loan",
    summary="Grant a further due date",
    response_model=LoanShown,
    responses=DECIDED,
)
def extend_loan(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: DueNew) -> Response:
    """For curators and registrars of the lender. Granted after the due date, it leaves the days between uncovered; told
    late, it counts from when it was granted."""

    def _act(work: Work) -> None:
        decision = Decision(new_id(work.now()), body.because, body.granted_at)
        loans.extend(work.connection, work.actor, work.now, code, body.due_on, body.asked_on, decision)

    return _decided(service, claims, key, code, body, _act)


@router.post(
    "/loans/{code}/recall",
    operation_id="recall_loan",
    summary="Call a loan back",
    response_model=LoanShown,
    responses=DECIDED,
)
def recall_loan(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: RecallNew) -> Response:
    """For curators and registrars of the lender: a due date, in force from now on."""

    def _act(work: Work) -> None:
        decision = Decision(new_id(work.now()), body.because)
        loans.recall(work.connection, work.actor, work.now, code, body.due_on, decision)

    return _decided(service, claims, key, code, body, _act)


@router.post(
    "/loans/{code}/close",
    operation_id="close_loan",
    summary="Close a loan",
    response_model=LoanShown,
    responses=DECIDED,
)
def close_loan(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: ClosingNew) -> Response:
    """For curators and registrars of the lender, once every line was returned, used up, transferred or lost."""
    return _decided(
        service,
        claims,
        key,
        code,
        body,
        lambda work: loans.close(work.connection, work.actor, work.now, code, body.because),
    )


def _decided(service: Service, claims: Claims, key: Any, code: str, body: Any, act: Callable[[Work], None]) -> Response:
    def _make(work: Work) -> Made:
        act(work)
        return _made(work, code, 200)

    return decided(service, claims, key, body, _make)


def _made(work: Work, code: str, status: int) -> Made:
    now = work.now()
    loan = loans.read(work.connection, work.actor, now, code, None, None)
    location = {"Location": f"/v1/loans/{code}"} if status == 201 else {}
    return Made(status, shown(loan, NOW, now), {**location, "ETag": etag(loan.row["version"])})


def shown(loan: Loan, moments: Moments, now: datetime) -> LoanShown:
    """A loan as it is answered, here and on pages."""
    own = {name: value for name, value in loan.row.items() if name not in {"signing_id", "due_on", "confidential_to"}}
    return LoanShown(
        **own,
        owed_by=loan.owed_by,
        answers=AnswersShown(**asdict(loan.answering)),
        agreed_due_on=loan.row["due_on"],
        state=loan.state,  # type: ignore[arg-type]  # one of the literals
        due_on=loan.due_on,
        lines=[_line(line) for line in loan.lines],
        **of_moment(moments, now),
    )


def _line(line: Line) -> LineShown:
    told: Row = {name: getattr(line, name) for name in LineShown.model_fields if name not in {"number", "state"}}
    return LineShown(number=codes.display(line.item), state=line.state.value, **told)
