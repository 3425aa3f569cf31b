"""What an institution of one's own holds, all together, and when it is due; ticked off yearly by who has seen it."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from itertools import groupby
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import loans_out, next_acts, reports
from shipsvc.app.report_pages import Asked
from shipsvc.app.told import Envelope
from shipsvc.domain import errors
from shipsvc.web import api_events
from shipsvc.web.decisions import new_id
from shipsvc.web.deps import Work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.pages import frames, telling
from shipsvc.web.pages.forms import Fields, FieldsDep, id_of
from shipsvc.web.pages.frames import Typed, TypedDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.tables import Column, told

router = APIRouter(include_in_schema=False)
#: Things on the page; an institution that holds more reads them in the report.
ROWS: Final = 500
Whose = Annotated[str, Query(max_length=40, pattern=r"^([A-Z][A-Z0-9-]{0,39})?$")]
COLUMNS: Final = (
    Column("Item", "item", "item"),
    Column("What", "what"),
    Column("Due", "due_on", "day"),
    Column("Days left", "days_left", "days"),
    Column("Loan", "loan", "loan"),
    Column("Owner", "owner", "party"),
    Column("Held", "held", "word"),
    Column("Since", "since", "instant"),
    Column("Place", "place"),
    Column("Status", "status", "word"),
    Column("In", "inside", "item"),
    Column("Mass", "mass_mg", "mass"),
)


@router.get("/holdings")
def holdings(
    visit: VisitDep,
    typed: TypedDep,
    institution: Whose = "",
    seen: Annotated[str, Query(max_length=4, pattern="^[0-9]*$")] = "",
) -> HTMLResponse:
    """The list, what is due first on top; with boxes to tick for who may say that they have seen things."""
    return _page(visit, typed, institution, {}, seen=seen)


@router.post("/holdings")
def confirm(visit: VisitDep, fields: FieldsDep, institution: Whose = "") -> Response:
    """What is ticked was seen where it is said to be: a fact for each place."""
    numbers = [name.removeprefix("saw ") for name in fields if name.startswith("saw ")]
    try:
        with visit.reading() as work:
            frame = frames.of(work, NOW)
            rows = _held(work, frames.asked(work, frame), institution)
        raw = list(_seen(rows, set(numbers), institution, fields, frame.zone))
        if not raw:
            raise errors.Malformed(why="nothing is ticked yet")
        facts = [telling.checked(one) for one in raw]
        api_events.recorded(visit.service, visit.claims, Envelope(), facts, whole=True)
    except telling.Refused as refused:
        return _page(visit, NOW, institution, fields, wrong=refused.problem)
    except errors.ShipsvcError as error:
        return _page(visit, NOW, institution, fields, wrong=problem_of(error))
    return RedirectResponse(f"/holdings?institution={institution}&seen={len(numbers)}", 303)


def _seen(
    rows: Sequence[Mapping[str, Any]], ticked: set[str], institution: str, fields: Fields, zone: str
) -> Iterator[dict[str, Any]]:
    time = {"raw": telling.instant_in(fields.get("when", ""), zone)}
    there = sorted((row["place"] or "", row["item"]) for row in rows if row["item"] in ticked)
    for count, (place, group) in enumerate(groupby(there, key=lambda pair: pair[0])):
        yield {
            "id": id_of(fields.get("id", ""), count),
            "kind": "seen",
            "subjects": [number for _, number in group],
            "time": time,
            "acting_for": institution,
            "body": {"place": place} if place else {},
        }


def _held(work: Work, asked: Asked, institution: str) -> list[dict[str, Any]]:
    """What is held, with the days that are left of each line of a loan; what is due first comes first."""
    found = reports.holdings(work.connection, work.actor, asked, None, ROWS + 1, institution=institution)
    owed = reports.lines_out(work.connection, work.actor, asked, loans_out.LINES_MAX, lender=None, borrower=institution)
    left = {line["item"]: line["days_left"] for line in owed}
    rows = [{**entry.fields, "days_left": left.get(entry.fields["item"])} for entry in found]
    return sorted(rows, key=lambda row: (row["due_on"] is None, row["due_on"] or date.max, row["item"]))


def _page(
    visit: Visit, typed: Typed, institution: str, fields: Fields, *, seen: str = "", wrong: Problem | None = None
) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        whose = institution or next(iter(frame.institutions), "")
        rows = _held(work, frames.asked(work, frame), whose) if whose else []
        ticks = frame.is_now and whose in work.actor.institutions and next_acts.may_tell(work.actor, "seen", whose)
    shown: dict[str, Any] = {
        "whose": whose,
        "rows": rows[:ROWS],
        "more": len(rows) > ROWS,
        "columns": told(COLUMNS, rows),
        "ticks": ticks,
        "seen": seen,
        "fields": fields,
        "wrong": wrong,
        "when": telling.local(now, frame.zone),
        "new_id": new_id(now),
    }
    return render("holdings.html", frame, status=wrong.status if wrong else 200, **shown)
