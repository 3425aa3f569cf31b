"""Setting the book of a sample to a weighing, with a reason: the difference is unexplained, or an estimate ends."""

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import beforehand, facts, posting
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes, errors
from shipsvc.web.decisions import attempted, new_id
from shipsvc.web.deps import Work, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.fact_schemas import UUID_PATTERN
from shipsvc.web.pages import frames
from shipsvc.web.pages.forms import Fields, FieldsDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.weigh import Number, of_row

router = APIRouter(include_in_schema=False)
Weighing = Annotated[str, Query(pattern=UUID_PATTERN)]
REASON_CHARACTERS_MIN = 3


@router.get("/things/{number}/post-mass")
def show(visit: VisitDep, number: Number, weighing: Weighing) -> HTMLResponse:
    """The weighing, what it is held against, and the two ways to set the book to it."""
    return _page(visit, number, weighing, {})


@router.post("/things/{number}/post-mass")
def decide(visit: VisitDep, number: Number, weighing: Weighing, fields: FieldsDep) -> Response:
    """Set it, as ``POST /v1/items/{number}/post-mass`` and ``rebase`` do."""
    because = fields.get("because", "").strip()
    set_to = posting.rebase if fields.get("how") == "rebase" else posting.post_mass

    def once() -> None:
        with unit_of_work(visit.service, visit.claims) as work:
            decision = Decision(fields.get("id") or new_id(work.now()), because)
            set_to(work.connection, work.actor, work.now, number, weighing, decision)

    try:
        if len(because) < REASON_CHARACTERS_MIN:
            raise errors.Malformed(why="say why", pointer="/because")
        attempted(once)
    except errors.ShipsvcError as error:
        return _page(visit, number, weighing, fields, wrong=problem_of(error))
    return RedirectResponse(f"/things/{number}", 303)


def _page(visit: Visit, number: str, weighing: str, fields: Fields, *, wrong: Problem | None = None) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        found = beforehand.sample(work.connection, work.actor, number)
        account = facts.read(work.connection, work.actor, weighing, now)
        row, body = posting.weighing_of(work.connection, found.number, weighing)
        compared = beforehand.recorded_weighing(work.connection, work.actor, found, weighing, now)
        shown = {
            "number": codes.display(found.number),
            "what": found.row["what"],
            "owner": found.row["owner"],
            "may": work.actor.has(found.row["owner"], "curator"),
            "how": _how(work, number, fields),
            "mass": body["mass"],
            "balance": body.get("balance"),
            "at": row["happened_at"],
            "party": account.row["acting_for"],
        }
    shown |= {
        "weighing": weighing,
        "verdict": of_row(compared) if compared else None,
        "fields": fields,
        "wrong": wrong,
        "new_id": (fields.get("id") if wrong and wrong.status == 422 else None) or new_id(now),
    }
    return render("posting.html", frame, status=wrong.status if wrong else 200, **shown)


def _how(work: Work, number: str, fields: Fields) -> str:
    """Which of the two ways is likelier: an estimate ends by a weighing, and nothing is lost or gained by that."""
    now = work.now()
    book = beforehand.book_at(
        work.connection, work.actor, beforehand.sample(work.connection, work.actor, number), now, now
    )
    return fields.get("how") or ("rebase" if book.how in ("estimated", "declared") else "post")
