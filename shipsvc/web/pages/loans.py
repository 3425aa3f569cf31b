"""The pages of loans: all of them, and one with its lines, due dates and reconciliation."""

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import documents, loans, reports_mass
from shipsvc.app.decisions import Decision
from shipsvc.domain import errors
from shipsvc.domain.times import due_end, is_date
from shipsvc.web import api_loans, cursors
from shipsvc.web.cursors import CURSOR_CHARACTERS_MAX
from shipsvc.web.decisions import attempted, new_id
from shipsvc.web.deps import unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.loan_schemas import LineShown, LoanShown
from shipsvc.web.pages import frames
from shipsvc.web.pages.forms import Fields, FieldsDep
from shipsvc.web.pages.frames import Typed, TypedDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.tables import Column, told
from shipsvc.web.schemas import DocumentCode, Moments

router = APIRouter(include_in_schema=False)
#: Loans on a page of the list; lines that a loan is reconciled by, more than any that was ever signed.
ROWS, LINES = 100, 1000
REASON_CHARACTERS_MIN: Final = 3
Code = Annotated[DocumentCode, Path()]
Cursor = Annotated[str, Query(max_length=CURSOR_CHARACTERS_MAX, pattern=r"^[A-Za-z0-9_-]*$")]

LIST: Final = (
    Column("Loan", "loan", "loan"),
    Column("From", "lender", "party"),
    Column("To", "borrower", "party"),
    Column("Owed by", "owed_by", "party"),
    Column("State", "state", "word"),
    Column("Due", "due_on", "day"),
    Column("Days late", "days_late", "days"),
    Column("Open lines", "open", "days"),
    Column("Lines", "lines", "days"),
)
OWED: Final = (
    Column("Item", "number", "item"),
    Column("State", "state", "word"),
    Column("Since", "since", "instant"),
    Column("With", "holder", "party"),
    Column("Said to be with", "claimed", "party"),
    Column("Due", "due_on", "day"),
    Column("Days left", "days_left", "days"),
    Column("Days late", "days_overdue", "days"),
    Column("Days without a due date", "uncovered_days", "days"),
    Column("Sent back", "handed_at", "instant"),
    Column("Received", "received_at", "instant"),
    Column("In time", "in_time", "flag"),
)
RECONCILED: Final = (
    Column("Item", "item", "item"),
    Column("Sent", "sent_mg", "mass"),
    Column("Received", "received_mg", "mass"),
    Column("Difference", "received_difference_mg", "mass"),
    Column("u", "received_u_mg", "u"),
    Column("On receipt", "received_verdict", "word"),
    Column("Used, weighed", "used_weighed_mg", "mass"),
    Column("Used, estimated", "used_estimated_mg", "mass"),
    Column("Lost in work", "worked_loss_mg", "mass"),
    Column("In resin", "embedded_mg", "mass"),
    Column("Into pieces", "to_pieces_mg", "mass"),
    Column("Written off", "written_off_mg", "mass"),
    Column("Expected back", "returned_expected_mg", "mass"),
    Column("Came back", "returned_mg", "mass"),
    Column("Difference", "returned_difference_mg", "mass"),
    Column("u", "returned_u_mg", "u"),
    Column("On return", "returned_verdict", "word"),
    Column("Beside it", "returned_marks", "words"),
)


@router.get("/loans")
def every_loan(visit: VisitDep, typed: TypedDep, closed: bool | None = None, cursor: Cursor = "") -> HTMLResponse:
    """Loans that one's own institutions lend or borrow."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        after = str(cursors.decode("loan", cursor, str)[0]) if cursor else ""
        found = loans.page(work.connection, work.actor, now, when, closed=closed, after=after, limit=ROWS + 1)
    page = cursors.cut(found, ROWS, "loan", lambda loan: (loan.row["code"],))
    moments = Moments(frame.as_of, frame.known_on)
    rows = [_in_list(api_loans.shown(loan, moments, now)) for loan in page.rows]
    return render("loans.html", frame, columns=LIST, rows=rows, next=page.next, closed=closed)


def _in_list(loan: LoanShown) -> Mapping[str, Any]:
    still = _open(loan)
    return {
        **{name: getattr(loan, name) for name in ("lender", "borrower", "owed_by", "state", "due_on")},
        "loan": loan.code,
        "days_late": max((line.days_overdue for line in still), default=0) or None,
        "open": len(still),
        "lines": len(loan.lines),
    }


def _open(loan: LoanShown) -> list[LineShown]:
    return [line for line in loan.lines if line.ended_at is None]


@router.get("/loans/{code}")
def one_loan(visit: VisitDep, typed: TypedDep, code: Code) -> HTMLResponse:
    """Who owes what until when, what came back, and whether it adds up."""
    return _page(visit, typed, code, {})


@router.post("/loans/{code}")
def decide(visit: VisitDep, code: Code, fields: FieldsDep) -> Response:
    """Grant a later day, call the loan back, or close it: as the routes of the API do, with a reason."""
    try:
        because = fields.get("because", "").strip()
        if len(because) < REASON_CHARACTERS_MIN:
            raise errors.Malformed(why="say why", pointer="/because")
        attempted(lambda: _decided(visit, code, fields, because))
    except errors.ShipsvcError as error:
        return _page(visit, NOW, code, fields, wrong=problem_of(error))
    return RedirectResponse(f"/loans/{code}", 303)


def _decided(visit: Visit, code: str, fields: Fields, because: str) -> None:
    with unit_of_work(visit.service, visit.claims) as work:
        decision = Decision(fields.get("id") or new_id(work.now()), because)
        match fields.get("act"):
            case "extend":
                loans.extend(work.connection, work.actor, work.now, code, _day(fields), None, decision)
            case "recall":
                loans.recall(work.connection, work.actor, work.now, code, _day(fields), decision)
            case _:
                loans.close(work.connection, work.actor, work.now, code, because)


def _day(fields: Fields) -> date:
    typed = fields.get("due_on", "")
    if not is_date(typed):
        raise errors.Malformed(why="name the day", pointer="/due_on")
    return date.fromisoformat(typed)


def _page(visit: Visit, typed: Typed, code: str, fields: Fields, *, wrong: Problem | None = None) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        found = loans.read(work.connection, work.actor, now, code, frame.as_of, frame.known_on)
        asked = frames.asked(work, frame)
        entries = reports_mass.reconciliation(work.connection, work.actor, asked, None, LINES, code=code)
        decides = frame.is_now and work.actor.has(found.row["lender"], *documents.KEEPERS)
    loan = api_loans.shown(found, Moments(frame.as_of, frame.known_on), now)
    lines, sums = [dict(line) for line in loan.lines], [entry.fields for entry in entries]
    return render(
        "loan.html",
        frame,
        status=wrong.status if wrong else 200,
        wrong=wrong,
        fields=fields,
        decides=decides and loan.closed_at is None,
        new_id=(fields.get("id") if wrong and wrong.status == 422 else None) or new_id(now),
        ends_at=due_end(loan.due_on, loan.zone) if loan.due_on else None,
        loan=loan,
        open=bool(_open(loan) or not lines),
        lines=lines,
        owed=told(OWED, lines),
        sums=sums,
        reconciled=told(RECONCILED, sums),
    )
