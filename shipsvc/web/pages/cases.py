"""Cases: all of them, one with what was said and decided, and a new one; each step by a form, as the API takes it."""

from collections.abc import Callable
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import cases, documents, next_acts
from shipsvc.app.cases import DECIDERS, Case, Opening, Said
from shipsvc.app.decisions import Decided
from shipsvc.domain import errors
from shipsvc.domain.cases import CaseKind, CaseState
from shipsvc.domain.times import parse_instant
from shipsvc.web import cases_shown, cursors
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.case_schemas import CaseShown
from shipsvc.web.decisions import attempted, new_id
from shipsvc.web.deps import Work, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.pages import frames, telling
from shipsvc.web.pages.forms import Fields, FieldsDep
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.loans import Cursor
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.tables import Column
from shipsvc.web.schemas import DocumentCode, Moments

router = APIRouter(include_in_schema=False)
ROWS: Final = 100
#: Of what was found, in the list.
LINES: Final = 2
REASON_CHARACTERS_MIN: Final = 3
Code = Annotated[DocumentCode, Path()]
Item = Annotated[str, Query(max_length=200, pattern=PRINTABLE)]
LIST: Final = (
    Column("Case", "code", "case"),
    Column("Kind", "kind", "word"),
    Column("What", "what"),
    Column("About", "items", "items"),
    Column("State", "state", "word"),
    Column("Decide by", "decide_by", "instant"),
    Column("Late", "overdue", "flag"),
    Column("On hold", "hold", "flag"),
)


@router.get("/cases")
def every_case(visit: VisitDep, typed: TypedDep, state: CaseState | None = None, cursor: Cursor = "") -> HTMLResponse:
    """Cases that they may see; with ``state`` those that have come so far."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        after = str(cursors.decode("case", cursor, str)[0]) if cursor else ""
        found = cases.page(work.connection, work.actor, now, when, state=state, after=after, limit=ROWS + 1)
        page = cursors.cut(found, ROWS, "case", lambda case: (case.row["code"],))
        moments = Moments(frame.as_of, frame.known_on)
        rows = [_short(dict(cases_shown.case(work, one, moments, now))) for one in page.rows]
    shown: dict[str, Any] = {
        "columns": LIST,
        "rows": rows,
        "next": page.next,
        "state": state,
        "states": list(CaseState),
    }
    return render("cases.html", frame, **shown)


def _short(row: dict[str, Any]) -> dict[str, Any]:
    """With the first lines of what was found: a rule says the most telling first, and its case the rest."""
    lines = row["what"].splitlines()
    return {**row, "what": " ".join(lines[:LINES]) + (" …" if len(lines) > LINES else "")}


# ---------------------------------------------------------------------------------------------------------- a new one
@router.get("/cases/new")
def new_case(visit: VisitDep, item: Item = " ") -> HTMLResponse:
    """The form to say that something went wrong."""
    return _new_page(visit, {"items": item.strip()})


@router.post("/cases/new")
def open_case(visit: VisitDep, fields: FieldsDep) -> Response:
    """Open it."""
    try:
        with visit.reading() as work:
            zone = frames.of(work, NOW).zone
        opening = _opening(fields, zone)
        code = attempted(lambda: _opened(visit, opening))
    except errors.ShipsvcError as error:
        return _new_page(visit, fields, wrong=problem_of(error))
    return RedirectResponse(f"/cases/{code}", 303)


def _opening(fields: Fields, zone: str) -> Opening:
    kind, what = fields.get("kind", ""), fields.get("what", "").strip()
    if kind not in {one.value for one in CaseKind}:
        raise errors.Malformed(why="say what it is about", pointer="/kind")
    if not what:
        raise errors.Malformed(why="say what was found", pointer="/what")
    found = fields.get("found", "")
    return Opening(
        kind=CaseKind(kind),
        acting_for=fields.get("acting_for", ""),
        items=[one for one in fields.get("items", "").replace(",", " ").split() if one] or [""],
        what=what,
        because=fields.get("because", "").strip() or "Opened",
        found_at=parse_instant(telling.instant_in(found, zone)) if found else None,
        hold="hold" in fields,
        internal="internal" in fields,
    )


def _opened(visit: Visit, opening: Opening) -> str:
    with unit_of_work(visit.service, visit.claims) as work:
        return str(cases.open_by_hand(work.connection, work.actor, work.now(), opening).row["code"])


def _new_page(visit: Visit, fields: Fields, *, wrong: Problem | None = None) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        speaks = _speaks(work)
    shown: dict[str, Any] = {
        "fields": fields,
        "kinds": [one.value for one in CaseKind],
        "speaks": speaks,
        "wrong": wrong,
        "found": fields.get("found") or telling.local(now, frame.zone),
    }
    return render("case_new.html", frame, status=wrong.status if wrong else 200, **shown)


def _speaks(work: Work) -> list[str]:
    """The institutions for which they may report a case, or say something in one."""
    return [one for one in sorted(work.actor.institutions) if next_acts.may_report(work.actor, one)]


# ---------------------------------------------------------------------------------------------------------------- one
@router.get("/cases/{code}")
def one_case(visit: VisitDep, typed: TypedDep, code: Code) -> HTMLResponse:
    """What it is about, what was said in it, how far it has come, and the next step."""
    return _page(visit, typed, code, {})


@router.post("/cases/{code}")
def move(visit: VisitDep, code: Code, fields: FieldsDep) -> Response:
    """Say something in it, contain it, decide it, close it or open it again."""
    act = ACTS.get(fields.get("act", ""))
    try:
        if act is None:
            raise errors.Malformed(why="that is nothing to do with a case", pointer="/act")
        attempted(lambda: _moved(visit, code, fields, act))
    except errors.ShipsvcError as error:
        return _page(visit, NOW, code, fields, wrong=problem_of(error))
    return RedirectResponse(f"/cases/{code}", 303)


def _moved(visit: Visit, code: str, fields: Fields, act: Callable[[Work, str, Fields], Case]) -> None:
    with unit_of_work(visit.service, visit.claims) as work:
        act(work, code, fields)


def _say(work: Work, code: str, fields: Fields) -> Case:
    what = fields.get("what", "").strip()
    if not what:
        raise errors.Malformed(why="say something", pointer="/what")
    said = Said(fields.get("acting_for", ""), what, "shared" in fields)
    return cases.say(work.connection, work.actor, work.now(), code, said)


def _contain(work: Work, code: str, fields: Fields) -> Case:
    return cases.contain(work.connection, work.actor, work.now(), code, _because(fields), "hold" in fields)


def _decide(work: Work, code: str, fields: Fields) -> Case:
    decision, cause = (fields.get(name, "").strip() for name in ("decision", "cause"))
    if len(decision) < REASON_CHARACTERS_MIN:
        raise errors.Malformed(why="say what is decided", pointer="/decision")
    said = {"decision": decision, "cause": cause or None, "hold": "hold" in fields}
    return cases.decide(work.connection, work.actor, work.now(), code, _because(fields), **said)  # type: ignore[arg-type]


def _close(work: Work, code: str, fields: Fields) -> Case:
    return cases.close(work.connection, work.actor, work.now(), code, _because(fields))


def _reopen(work: Work, code: str, fields: Fields) -> Case:
    return cases.reopen(work.connection, work.actor, work.now(), code, _because(fields), "hold" in fields)


def _because(fields: Fields) -> Decided:
    because = fields.get("because", "").strip()
    if len(because) < REASON_CHARACTERS_MIN:
        raise errors.Malformed(why="say why", pointer="/because")
    return Decided(because)


ACTS: Final = {"say": _say, "contain": _contain, "decide": _decide, "close": _close, "reopen": _reopen}


def _page(visit: Visit, typed: Any, code: str, fields: Fields, *, wrong: Problem | None = None) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        found = cases.read(work.connection, work.actor, now, code, when)
        case: CaseShown = cases_shown.case(work, found, Moments(frame.as_of, frame.known_on), now)
        owner = found.row["owner"]
        shown: dict[str, Any] = {
            "decides": frame.is_now and work.actor.has(owner, *DECIDERS),
            "contains": frame.is_now and not {owner, found.row["opened_by"]}.isdisjoint(_speaks(work)),
            "speaks": _speaks(work) if frame.is_now else [],
        }
    shown |= {"case": case, "fields": fields, "wrong": wrong, "new_id": new_id(now)}
    return render("case.html", frame, status=wrong.status if wrong else 200, **shown)
