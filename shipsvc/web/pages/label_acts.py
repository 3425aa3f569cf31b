"""Another label for a thing, and the end of one: each with a reason; one in use ends when a second person says so."""

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import documents, items, prints
from shipsvc.app.decisions import Decision
from shipsvc.app.prints import Label
from shipsvc.domain import codes, errors
from shipsvc.web import api_labels
from shipsvc.web.api_labels import SERIAL
from shipsvc.web.decisions import attempted, new_id
from shipsvc.web.deps import Work, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.pages import frames
from shipsvc.web.pages.forms import Fields, FieldsDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.weigh import Number

router = APIRouter(include_in_schema=False)
Serial = Annotated[int, SERIAL]
REASON_CHARACTERS_MIN = 3


@router.get("/things/{number}/labels/new")
def another(visit: VisitDep, number: Number) -> HTMLResponse:
    """The form for a further print, which takes the place of the live one."""
    return _page(visit, number, None, {})


@router.post("/things/{number}/labels/new")
def print_another(visit: VisitDep, number: Number, fields: FieldsDep) -> Response:
    """Make the print; the sheet to print it on comes next."""

    def act(work: Work, item: Any, decision: Decision, acting_for: str | None) -> Label:
        return prints.print_label(work.connection, work.actor, work.now, item, acting_for, decision)

    return _done(visit, number, None, fields, act, lambda label: f"/labels?codes={label.print.code}")


@router.get("/things/{number}/labels/{serial}/void")
def end(visit: VisitDep, number: Number, serial: Serial) -> HTMLResponse:
    """The form to say that a print must not be on anything."""
    return _page(visit, number, serial, {})


@router.post("/things/{number}/labels/{serial}/void")
def void(visit: VisitDep, number: Number, serial: Serial, fields: FieldsDep) -> Response:
    """Void it; one that is in use waits for a second person, which the page of that decision says."""

    def act(work: Work, item: Any, decision: Decision, acting_for: str | None) -> Label:
        return prints.void(work.connection, work.actor, work.now, item, serial, acting_for, decision)

    def then(label: Label) -> str:
        waits = label.voided is not None and label.voided["awaits"]
        return f"/facts/{label.voided['event_id']}" if label.voided and waits else f"/things/{number}"

    return _done(visit, number, serial, fields, act, then)


def _done(
    visit: Visit,
    number: str,
    serial: int | None,
    fields: Fields,
    act: Callable[[Work, Any, Decision, str | None], Label],
    then: Callable[[Label], str],
) -> Response:
    because = fields.get("because", "").strip()

    def once() -> Label:
        with unit_of_work(visit.service, visit.claims) as work:
            found = items.find(work.connection, work.actor, number)
            decision = Decision(fields.get("id") or new_id(work.now()), because)
            return act(work, found.row, decision, fields.get("acting_for") or None)

    try:
        if serial is not None and len(because) < REASON_CHARACTERS_MIN:
            raise errors.Malformed(why="say why", pointer="/because")
        label = attempted(once)
    except errors.ShipsvcError as error:
        return _page(visit, number, serial, fields, wrong=problem_of(error))
    return RedirectResponse(then(label), 303)


def _page(
    visit: Visit, number: str, serial: int | None, fields: Fields, *, wrong: Problem | None = None
) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        found = items.find(work.connection, work.actor, number)
        made = prints.labels(work.connection, [found.number], prints.by_then(documents.asked(None, None, now), now))
        labels = [api_labels.shown(label) for label in made]
        shown = {
            "number": codes.display(found.number),
            "what": found.row["what"] or found.row["form"],
            "speaks": prints.speakers(work.connection, work.actor, found.row, now),
        }
    which = [label for label in labels if label.serial == serial]
    if serial is not None and not which:
        raise errors.NotFound(what="label", name=f"{number}.{serial}")
    shown |= {
        "label": which[0] if which else None,
        "live": next((label for label in labels if label.state == "live"), None),
        "fields": fields,
        "wrong": wrong,
        "new_id": (fields.get("id") if wrong and wrong.status == 422 else None) or new_id(now),
    }
    return render("label_acts.html", frame, status=wrong.status if wrong else 200, **shown)
