"""Weighing a sample: what the weighing comes to is shown before it is told, with a script while one types, without one
by a button."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import beforehand, documents, facts, next_acts, posting
from shipsvc.app.beforehand import Weighed
from shipsvc.app.documents import BALANCE
from shipsvc.app.items import Found
from shipsvc.app.told import Envelope
from shipsvc.domain import codes, errors
from shipsvc.domain.mass import Mass
from shipsvc.web import api_events
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.decisions import new_id
from shipsvc.web.deps import Work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.fact_schemas import UUID_PATTERN
from shipsvc.web.items_shown import mass_mg
from shipsvc.web.pages import frames, telling
from shipsvc.web.pages.forms import Fields, FieldsDep, mass_typed
from shipsvc.web.pages.rendering import Frame, render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep

router = APIRouter(include_in_schema=False)
Number = Annotated[str, Path(max_length=200, pattern=PRINTABLE)]
ToldId = Annotated[str, Query(pattern=f"{UUID_PATTERN}|^$")]
#: Balances in the list of a form.
BALANCES_MAX: Final = 200
#: Members of the body of a weighing that are words as typed.
_WORDS: Final = ("mass", "balance", "plus_minus", "gross", "tare", "dryness", "why")
#: Members of the body of any fact that are masses.
MASSES: Final = ("mass", "plus_minus", "gross", "tare")
_PARTS: Final = re.compile(r"[;\n]+")


@router.get("/things/{number}/weigh")
def weigh(visit: VisitDep, number: Number, told: ToldId = "") -> HTMLResponse:
    """The form; with ``told`` what became of the weighing that was told last."""
    return _page(visit, number, {}, told=told)


@router.post("/things/{number}/weigh")
def tell(visit: VisitDep, number: Number, fields: FieldsDep) -> Response:
    """With ``act`` "tell" the weighing is told; else the page comes again with what it would come to."""
    try:
        with visit.reading() as work:
            frame = frames.of(work, NOW)
            found = beforehand.sample(work.connection, work.actor, number)
        fact = telling.checked(_raw(found, fields, frame.zone))
        if fields.get("act") == "tell":
            api_events.recorded(visit.service, visit.claims, Envelope(), [fact], whole=True)
            return RedirectResponse(f"/things/{codes.display(found.number)}/weigh?told={fact.id}", 303)
        with visit.reading() as work:
            outcome = beforehand.weighing(work.connection, work.actor, found, fact, work.now())
    except telling.Refused as refused:
        return _page(visit, number, fields, wrong=refused.problem)
    except (errors.Malformed, errors.NotAllowed, errors.Conflict) as error:
        return _page(visit, number, fields, wrong=problem_of(error))
    return _page(visit, number, fields, verdict=of_weighing(outcome))


def _raw(found: Found, fields: Fields, zone: str) -> dict[str, Any]:
    return {
        "id": fields.get("id", ""),
        "kind": "weighed",
        "subjects": [codes.display(found.number)],
        "time": {"raw": telling.instant_in(fields.get("when", ""), zone)},
        "acting_for": fields.get("acting_for", ""),
        "body": body_of(fields),
    }


def body_of(fields: Fields) -> dict[str, Any]:
    """The body of a weighing by what was typed; empty fields are not said. The net of a gross and a tare is reckoned
    where it is not typed. Malformed."""
    said = {name: fields.get(name, "").strip() for name in _WORDS}
    said |= {name: mass_typed(said[name], f"/body/{name}") for name in MASSES}
    if not said["mass"] and said["gross"] and said["tare"]:
        said["mass"] = (Mass.parse(said["gross"]) - Mass.parse(said["tare"])).format("mg")
    body: dict[str, Any] = {name: words for name, words in said.items() if words}
    readings = [one.strip() for one in _PARTS.split(fields.get("readings", "")) if one.strip()]
    dried = fields.get("dried_h", "").strip()
    body |= {"readings": [mass_typed(one, "/body/readings") for one in readings]} if readings else {}
    body |= {"dried_h": _whole(dried, "/body/dried_h")} if dried else {}
    return body | ({"method": "estimated"} if fields.get("estimated") else {})


def _whole(typed: str, pointer: str) -> int:
    if not re.fullmatch(r"[0-9]{1,6}", typed):
        raise errors.Malformed(why=errors.Text("{typed} is no whole number", typed=typed), pointer=pointer)
    return int(typed)


# ------------------------------------------------------------------------------------------------------------- verdict
@dataclass(frozen=True)
class Verdict:
    """What a comparison comes to, as it is written: masses in mg; ``name`` None where there was nothing to compare
    with (``why``: first, embedded)."""

    name: str | None
    why: str = ""
    expected_mg: str = ""
    observed_mg: str = ""
    difference_mg: str = ""
    u_mg: str = ""
    r: str = ""
    marks: tuple[str, ...] = ()


def of_weighing(outcome: Weighed) -> Verdict:
    """What a weighing that is not told yet would come to."""
    compared = outcome.compared
    if compared is None:
        return Verdict(None, "embedded" if outcome.embedded else "first")
    row = {
        "verdict": compared.result.verdict,
        "expected_ng": compared.expected_ng,
        "observed_ng": compared.observed_ng,
        "buoyancy_ng": compared.buoyancy_ng,
        "u_ng": compared.result.u_ng,
        "r": compared.result.r,
        "marks": " ".join(compared.marks),
    }
    return of_row(row)


def of_row(row: Mapping[str, Any]) -> Verdict:
    """What a weighing that was told came to."""
    return Verdict(
        str(row["verdict"]),
        expected_mg=mass_mg(row["expected_ng"]),
        observed_mg=mass_mg(row["observed_ng"]),
        difference_mg=mass_mg(row["observed_ng"] - row["expected_ng"] + row["buoyancy_ng"]),
        u_mg=mass_mg(row["u_ng"]),
        r=ratio(row["r"]),
        marks=tuple(row["marks"].split()),
    )


def ratio(r: float | None) -> str:
    """A difference in units of u, to a tenth; without end where both figures were exact."""
    if r is None or r in (float("inf"), float("-inf")):
        return "∞" if r is None or r > 0 else "−∞"
    return f"{Decimal(r):.1f}".replace("-", "−")


# ---------------------------------------------------------------------------------------------------------------- page
def balances(work: Work, at: datetime) -> list[Mapping[str, Any]]:
    """The balances of one's own institutions, in the order of their codes."""
    when = documents.asked(at, None, work.now())
    rows = documents.page(work.connection, work.actor, BALANCE, when, after="", limit=BALANCES_MAX)
    return [row for row in rows if row["institution"] in work.actor.institutions]


def speaks_for(work: Work, kind: str) -> list[str]:
    """The institutions for which they may tell facts of a kind."""
    return [one for one in sorted(work.actor.institutions) if next_acts.may_tell(work.actor, kind, one)]


def _page(
    visit: Visit,
    number: str,
    fields: Fields,
    *,
    told: str = "",
    verdict: Verdict | None = None,
    wrong: Problem | None = None,
) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        found = beforehand.sample(work.connection, work.actor, number)
        shown = {
            "number": codes.display(found.number),
            "what": found.row["what"],
            "balances": balances(work, now),
            "speaks": speaks_for(work, "weighed"),
            "done": _done(work, found, told, now) if told else None,
            "told": told,
        }
    shown |= _form(frame, now, fields, verdict, wrong)
    return render("weigh.html", frame, status=wrong.status if wrong else 200, **shown)


def _form(
    frame: Frame, now: datetime, fields: Fields, verdict: Verdict | None, wrong: Problem | None
) -> dict[str, Any]:
    return {
        "fields": fields,
        "verdict": verdict,
        "wrong": wrong,
        "when": fields.get("when") or telling.local(now, frame.zone),
        # What is only looked at, or was refused, is told under its own id; what was recorded is not said twice.
        "new_id": (fields.get("id") if not wrong or wrong.status == 422 else None) or new_id(now),
    }


def _done(work: Work, found: Found, told: str, now: datetime) -> dict[str, Any] | None:
    """What became of a weighing that was told: its verdict, and whether they may set the book to it."""
    try:
        facts.read(work.connection, work.actor, told, now)
        _, body = posting.weighing_of(work.connection, found.number, told)
    except errors.NotFound:
        return None
    row = beforehand.recorded_weighing(work.connection, work.actor, found, told, now)
    return {
        "mass": body["mass"],
        "verdict": of_row(row) if row else None,
        "may_post": work.actor.has(found.row["owner"], "curator"),
    }
