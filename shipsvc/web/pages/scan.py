"""The scan page: a thing in hand, the one next action, and facts that were noted while there was no network."""

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Body, Form, Query
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, ConfigDict, Field

from shipsvc.app import documents, facts, items, labels, next_acts, ready_numbers
from shipsvc.app.items import Shown
from shipsvc.app.next_acts import Act, Trip
from shipsvc.app.told import Envelope
from shipsvc.domain import codes, errors
from shipsvc.web import api_events, items_shown
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.decisions import new_id
from shipsvc.web.deps import Work, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.fact_schemas import FACTS_MAX, UUID_PATTERN, EnvelopeIn, Failed, ManyAnswers, Recorded
from shipsvc.web.pages import frames, language, telling
from shipsvc.web.pages.frames import NOW as NOW  # other pages ask for it here
from shipsvc.web.pages.rendering import HEADERS, NOBODY, STATIC, render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.schemas import Prefix

router = APIRouter(include_in_schema=False)
Scanned = Annotated[str, Query(max_length=300, pattern=PRINTABLE)]
FormText = Annotated[str, Field(max_length=400)]


class TellForm(BaseModel):
    """What the form of a fact sends. The fact's id and time were made with the page, so that to send it twice is to say
    the same words again."""

    model_config = ConfigDict(extra="forbid")
    id: Annotated[str, Field(pattern=UUID_PATTERN)]
    kind: FormText
    subject: FormText
    acting_for: FormText
    when: FormText
    place: FormText = ""
    to: FormText = ""
    from_: Annotated[str, Field(max_length=400, alias="from")] = ""
    into: FormText = ""
    shipment: FormText = ""
    words: FormText = ""
    seals: FormText = ""
    #: Hashes of photographs that the script has sent before.
    files: Annotated[str, Field(max_length=4000, pattern="^[0-9a-f ]*$")] = ""


class BackForm(BaseModel):
    """Taking back what was told: its amendment's id, what it amends, why."""

    model_config = ConfigDict(extra="forbid")
    id: Annotated[str, Field(pattern=UUID_PATTERN)]
    amends: Annotated[str, Field(pattern=UUID_PATTERN)]
    subject: FormText
    acting_for: FormText
    when: FormText
    because: FormText


class Queued(EnvelopeIn):
    """Facts that a device kept while it had no network, and who noted them."""

    person: Annotated[str, Field(max_length=64)]
    facts: list[dict[str, Any]] = Field(min_length=1, max_length=FACTS_MAX)


class NumbersNew(BaseModel):
    """Numbers that a device wants to hold ready; it chose the id of their block, and may ask twice."""

    model_config = ConfigDict(extra="forbid")
    person: Annotated[str, Field(max_length=64)]
    id: Annotated[str, Field(pattern=UUID_PATTERN)]
    prefix: Prefix


class NumbersReady(BaseModel):
    """Numbers that nobody else is given, in order."""

    numbers: list[str]


@dataclass(frozen=True)
class Hand:
    """What is in hand: as scanned, the thing (None: nothing that is theirs to see), its shipment, what may be told."""

    code: str
    number: str
    shown: Shown | None
    trip: Trip | None
    acts: list[Act]


@router.get("/scan")
def scan(
    visit: VisitDep,
    code: Scanned = " ",
    told: Annotated[str, Query(pattern=f"{UUID_PATTERN}|^$")] = "",
    kind: Annotated[str, Query(max_length=40)] = "",
) -> HTMLResponse:
    """The page to scan on; with a code, the thing, the next action, and what was told last."""
    return _page(visit, code.strip(), told=told, kind=kind)


@router.get("/scan/shell")
def shell() -> HTMLResponse:
    """The page without a network: the same for everybody, filled by its script with what the device remembers."""
    return render("scan.html", NOBODY, decodes=True, **{**_blank(), "away": True})


@router.get("/scan-worker.js")
def worker() -> Response:
    """The script that answers for the scan page where there is no network. It stands at the top, since a worker may
    answer for what is below its own address only (Service Workers, section on registering)."""
    headers = {**HEADERS, "Cache-Control": "no-cache"}
    return FileResponse(STATIC / "scan-worker.js", media_type="text/javascript", headers=headers)


@router.post("/scan/tell")
def tell(visit: VisitDep, form: Annotated[TellForm, Form()]) -> Response:
    """One fact by a form, through the same door as all facts."""
    with visit.reading() as work:
        zone = frames.of(work, NOW).zone
    try:
        fact = telling.checked(_raw(form, zone))
        api_events.recorded(visit.service, visit.claims, Envelope(), [fact], whole=True)
    except telling.Refused as refused:
        return _page(visit, form.subject, wrong=refused.problem, typed=form)
    except errors.ShipsvcError as error:
        return _page(visit, form.subject, wrong=problem_of(error), typed=form)
    return _back(form.subject, form.id)


@router.post("/scan/take-back")
def take_back(visit: VisitDep, form: Annotated[BackForm, Form()]) -> Response:
    """Undo: an amendment that puts nothing in the place of what was told, with a reason."""
    with visit.reading() as work:
        zone = frames.of(work, NOW).zone
    try:
        raw = {"id": form.id, "kind": "amended", "amends": form.amends, "acting_for": form.acting_for}
        time = {"raw": telling.instant_in(form.when, zone)}
        body = {"because": form.because.strip(), "replacement": None}
        fact = telling.checked({**raw, "time": time, "body": body})
        api_events.recorded(visit.service, visit.claims, Envelope(), [fact], whole=True)
    except telling.Refused as refused:
        return _page(visit, form.subject, wrong=refused.problem, told=form.amends)
    except errors.ShipsvcError as error:
        return _page(visit, form.subject, wrong=problem_of(error), told=form.amends)
    return _back(form.subject, form.amends)


@router.post("/scan/facts")
def send_queue(visit: VisitDep, queued: Annotated[Queued, Body()]) -> ManyAnswers:
    """What a device kept, each fact answered on its own. They go out in the name of who noted them, or not at all."""
    if queued.person != visit.claims.sub:
        raise errors.NotedByAnother
    answers = api_events.many(visit.service, visit.claims, queued.told(), queued.facts)
    return answers.model_copy(update={"results": [_in_language(one) for one in answers.results]})


def _in_language(result: Recorded | Failed) -> Recorded | Failed:
    if isinstance(result, Recorded):
        return result
    return result.model_copy(update={"problem": language.told_problem(result.problem)})


@router.post("/scan/numbers")
def keep_numbers(visit: VisitDep, wanted: Annotated[NumbersNew, Body()]) -> NumbersReady:
    """A block of numbers for the pieces of splits, which the device then gives out itself."""
    if wanted.person != visit.claims.sub:
        raise errors.NotedByAnother
    with unit_of_work(visit.service, visit.claims) as work:
        row = ready_numbers.keep_ready(work.connection, work.actor, work.now(), wanted.id, wanted.prefix)
        return NumbersReady(numbers=ready_numbers.free(work.connection, work.actor, row["id"]))


# ---------------------------------------------------------------------------------------------------------------- page
def _back(subject: str, told: str) -> Response:
    at = codes.parse_seen(subject)
    shown = codes.display(at.number) if at.serial is None else codes.print_code(at.number, at.serial)
    return RedirectResponse(f"/scan?code={shown}&told={told}", 303)


def _raw(form: TellForm, zone: str) -> dict[str, Any]:
    if form.kind not in telling.KINDS:
        raise errors.UnknownKind(kind=form.kind, pointer="/kind")
    return {
        "id": form.id,
        "kind": form.kind,
        "subjects": [form.subject],
        "time": {"raw": telling.instant_in(form.when, zone)},
        "acting_for": form.acting_for,
        "body": telling.body_of(form.kind, form.model_dump(by_alias=True)),
    }


def _blank() -> dict[str, Any]:
    return {
        "hand": None, "thing": None, "acts": [], "wrong": None, "told": None, "told_kind": "", "kinds": {},
        "person": "", "may_offer": False, "when": "", "new_id": "", "typed": {}, "code": "", "away": False,
        "KINDS": telling.KINDS, "cautions": labels.cautions, "splits": {}, "may_split": False,
        "most_pieces": ready_numbers.AT_ONCE,
    }  # fmt: skip


def _page(
    visit: VisitDep, code: str, *, told: str = "", kind: str = "", wrong: Problem | None = None, typed: Any = None
) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        hand = None
        try:
            hand = _in_hand(work, code) if code else None
        except errors.Malformed as error:
            wrong = wrong or problem_of(error)
        splits = ready_numbers.splits(work.connection, work.actor)
        shown = {
            **_blank(),
            "code": code,
            "hand": hand,
            "thing": _thing(hand, now) if hand else None,
            "acts": _chosen(hand.acts, kind or (typed.kind if typed else "")) if hand else [],
            "wrong": wrong,
            "told": (said := _told(work, told)),
            "may_offer": _may_offer(work, said),
            "kinds": next_acts.kinds(work.actor),
            "splits": splits,
            "may_split": hand is not None and ready_numbers.may_split(hand.shown, splits),
            "person": visit.claims.sub,
            "when": telling.local(now, frame.zone),
            # What was refused is sent again under its own id; what was recorded is not said twice.
            "new_id": typed.id if typed and wrong and wrong.status == 422 else new_id(now),
            "typed": typed.model_dump(by_alias=True) if typed else {},
        }
    return render("scan.html", frame, status=wrong.status if wrong else 200, decodes=True, **shown)


def _in_hand(work: Work, code: str) -> Hand:
    now = work.now()
    shown, number, within = None, "", []
    try:
        shown = items.show(work.connection, work.actor, code, documents.asked(None, None, now), now)
        number = shown.found.number
        within = [step.number for step in shown.standing.nest] if shown.standing else []
    except errors.NotFound:
        number = codes.parse_seen(code).number
    trip = next_acts.trip_of(work.connection, work.actor, now, [number, *within])
    return Hand(code, codes.display(number), shown, trip, next_acts.acts(work.actor, shown, trip))


def _thing(hand: Hand, now: Any) -> Any:
    if hand.shown is None:
        return None
    return items_shown.item(hand.shown, {"as_of": now, "known_on": now, "provisional": True})


def _chosen(acts: list[Act], kind: str) -> list[Act]:
    """With the one that was asked for in front."""
    return sorted(acts, key=lambda act: act.kind != kind)


def _may_offer(work: Work, told: Any) -> bool:
    """Whether what was told last is a release that somebody may sign for."""
    released = told is not None and told.in_force is not None and told.in_force.kind == "released"
    return released and told.row["acting_for"] in work.actor.institutions


def _told(work: Work, told: str) -> Any:
    if not told:
        return None
    try:
        return facts.read(work.connection, work.actor, told, work.now())
    except errors.NotFound:
        return None
