"""One fact: what was told and what became of it; to amend it, to take it back, to confirm it as a second person."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import confirmations, facts, identity
from shipsvc.app.facts import Account, Wording
from shipsvc.app.told import Envelope
from shipsvc.domain import errors
from shipsvc.web import api_events
from shipsvc.web.decisions import new_id
from shipsvc.web.deps import Work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.fact_answers import fact_out
from shipsvc.web.fact_schemas import UUID_PATTERN
from shipsvc.web.pages import frames, telling
from shipsvc.web.pages.forms import Fields, FieldsDep, mass_typed
from shipsvc.web.pages.rendering import Frame, render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.weigh import MASSES

router = APIRouter(include_in_schema=False)
EventId = Annotated[str, Path(pattern=UUID_PATTERN)]
#: Members of a body, beside those of ``telling.KINDS``, that an amendment may say for the first time.
_MORE: Final[Mapping[str, tuple[str, ...]]] = {
    "weighed": ("mass", "balance", "gross", "tare", "why"),
    "used": ("mass", "balance", "technique"),
    "loss_noted": ("mass", "process"),
}
Simple = str | int | float | bool


@dataclass(frozen=True)
class Member:
    """A member of a body as a field of a form; ``kept`` where it is of several parts and stays as it was."""

    name: str
    value: Any
    kept: bool


@router.get("/facts/{id}")
def fact(visit: VisitDep, id: EventId) -> HTMLResponse:
    """What was told, both times, every amendment; and what may be done about it."""
    return _page(visit, id, {})


@router.post("/facts/{id}/amend")
def amend(visit: VisitDep, id: EventId, fields: FieldsDep) -> Response:
    """Put another version in its place or, with ``act`` "withdraw", nothing."""
    with visit.reading() as work:
        account, zone = facts.read(work.connection, work.actor, id, work.now()), frames.of(work, NOW).zone
    return _tell(visit, id, fields, lambda: _amendment(account, fields, zone))


@router.post("/facts/{id}/confirm")
def confirm(visit: VisitDep, id: EventId, fields: FieldsDep) -> Response:
    """Say as a second person that it is so."""
    with visit.reading() as work:
        account, zone = facts.read(work.connection, work.actor, id, work.now()), frames.of(work, NOW).zone
        waits = confirmations.waiting(work.connection, work.actor, account, work.now())
    if waits is None:
        return _page(visit, id, {}, wrong=problem_of(errors.RuleForbids(why="nothing of it waits any more")))
    body = {"fact": waits.event_id}
    return _tell(
        visit, id, fields, lambda: {"kind": "confirmed", "subjects": waits.numbers, "body": body, **_base(fields, zone)}
    )


def _tell(visit: Visit, id: str, fields: Fields, raw: Any) -> Response:
    try:
        fact = telling.checked(raw())
        api_events.recorded(visit.service, visit.claims, Envelope(), [fact], whole=True)
    except telling.Refused as refused:
        return _page(visit, id, fields, wrong=refused.problem)
    except errors.ShipsvcError as error:
        return _page(visit, id, fields, wrong=problem_of(error))
    return RedirectResponse(f"/facts/{id}", 303)


# ---------------------------------------------------------------------------------------------------------- amendments
def _base(fields: Fields, zone: str) -> dict[str, Any]:
    time = {"raw": telling.instant_in(fields.get("when", ""), zone)}
    return {"id": fields.get("id", ""), "time": time, "acting_for": fields.get("acting_for", "")}


def _amendment(account: Account, fields: Fields, zone: str) -> dict[str, Any]:
    """The amendment that a form asks for; it follows the newest one that stood on the page."""
    replacement = None
    if fields.get("act") != "withdraw":
        if account.in_force is None:
            raise errors.RuleForbids(why="it was taken back; tell it anew")
        replacement = _replacement(account.in_force, fields, zone)
    body = {"because": fields.get("because", "").strip(), "replacement": replacement}
    body |= {"expected": fields["expected"]} if fields.get("expected") else {}
    amends = account.row["amends"] or account.row["id"]
    return {"kind": "amended", "amends": amends, "body": body, **_base(fields, zone)}


def _replacement(before: Wording, fields: Fields, zone: str) -> dict[str, Any]:
    typed = fields.get("happened", "")
    same = typed == telling.local(before.happened_at, zone)
    body = {one.name: one.value if one.kept else _said(one, fields) for one in members(before)}
    subjects = fields.get("subjects", "").replace(",", " ").split()
    return {
        "kind": before.kind,
        "subjects": subjects,
        "time": _time(before) if same else {"raw": telling.instant_in(typed, zone)},
        "body": {name: value for name, value in body.items() if value is not None},
    }


def _time(before: Wording) -> dict[str, Any]:
    said = {"raw": before.time_raw, "source": before.time_source, "uncertainty_s": before.uncertainty_s}
    said |= {"sequence": before.sequence} if before.sequence is not None else {}
    return said | ({"boot": before.boot} if before.boot else {})


def members(before: Wording) -> list[Member]:
    """What a body says, and what it could say, in the order in which a form asks for it."""
    asked = [one.name for one in telling.KINDS[before.kind].asks] if before.kind in telling.KINDS else []
    names = dict.fromkeys([*asked, *_MORE.get(before.kind, ()), *before.body])
    found = ((name, before.body.get(name)) for name in names)
    return [Member(name, value, not isinstance(value, Simple | None)) for name, value in found]


def _said(member: Member, fields: Fields) -> Simple | None:
    """A member as it was typed, of the kind that it was before; None where it is not to be said."""
    typed = fields.get(f"member {member.name}", "").strip()
    if isinstance(member.value, bool):
        return typed == "yes"
    if not typed:
        return None
    if not isinstance(member.value, int | float):
        return mass_typed(typed, f"/body/{member.name}") if member.name in MASSES else typed
    try:
        return type(member.value)(typed)
    except ValueError as error:
        raise errors.Malformed(
            why=errors.Text("{typed} is no number", typed=typed), pointer=f"/body/{member.name}"
        ) from error


# ---------------------------------------------------------------------------------------------------------------- page
def _page(visit: Visit, id: str, fields: Fields, *, wrong: Problem | None = None) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        account = facts.read(work.connection, work.actor, id, now)
        shown: dict[str, Any] = {
            "teller": _teller(work, account),
            "waits": confirmations.waiting(work.connection, work.actor, account, now),
            "amenders": confirmations.amenders(work.connection, work.actor, account),
        }
    newest = account.amendments[-1].id if account.amendments else ""
    shown |= {
        "fact": fact_out(account),
        "original": account.row["amends"] or account.row["id"],
        "members": members(account.in_force) if account.in_force else [],
        "expected": newest,
        "happened": telling.local(account.in_force.happened_at, frame.zone) if account.in_force else "",
        "fields": fields,
        "wrong": wrong,
        "when": fields.get("when") or telling.local(now, frame.zone),
        "new_id": (fields.get("id") if wrong and wrong.status == 422 else None) or new_id(now),
    }
    return _rendered(frame, wrong, shown)


def _rendered(frame: Frame, wrong: Problem | None, shown: dict[str, Any]) -> HTMLResponse:
    return render("fact.html", frame, status=wrong.status if wrong else 200, **shown)


def _teller(work: Work, account: Account) -> str:
    """The name of who told it, where it is theirs to know; else ""."""
    try:
        return identity.profile(work.connection, work.actor, work.now(), account.row["actor"]).name
    except errors.NotFound:
        return ""
