"""The sheet of a split: pieces, what was lost in work and what is left, summed against the book before it is told."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import beforehand, facts, numbers, record
from shipsvc.app.items import Found
from shipsvc.app.numbers import Issue
from shipsvc.app.prints import ISSUERS
from shipsvc.app.told import Envelope, Told
from shipsvc.domain import codes, errors
from shipsvc.domain.sheets import Sum
from shipsvc.domain.times import parse_instant
from shipsvc.web.decisions import attempted, new_id
from shipsvc.web.deps import Work, unit_of_work
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.items_shown import mass_mg
from shipsvc.web.pages import frames, telling
from shipsvc.web.pages.forms import Fields, FieldsDep, id_of, mass_typed
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.scan import NOW
from shipsvc.web.pages.session import Visit, VisitDep
from shipsvc.web.pages.weigh import Number, balances, ratio, speaks_for

router = APIRouter(include_in_schema=False)
#: Lines of a sheet at first, and at most; blocks of numbers that are looked into for free ones.
LINES, LINES_MAX, BLOCKS_MAX = 4, 40, 50
#: Places of ids that follow from that of the form: the split, the weighing of the rest, then registrations and labels.
_SPLIT, _REST, _PIECES = 0, 1, 2
MATERIALS: Final = ("chip", "powder", "sealed")
#: With this a sheet is told that does not balance.
WHY_CHARACTERS_MIN: Final = 8


@dataclass(frozen=True)
class Line:
    """One piece as it was filled in; ``number`` "" for the next new one."""

    place: int
    number: str
    mass: str
    what: str


@dataclass(frozen=True)
class Filled:
    """A sheet as it was filled in, as the bodies of the facts that it is to become."""

    lines: Sequence[Line]
    pieces: Sequence[dict[str, Any]]
    loss: dict[str, Any] | None
    rest: dict[str, Any] | None
    ends: bool
    why: str


@router.get("/things/{number}/split")
def sheet(visit: VisitDep, number: Number) -> HTMLResponse:
    """The sheet, with numbers out of one's blocks where there are any."""
    return _page(visit, number, {})


@router.post("/things/{number}/split")
def tell(visit: VisitDep, number: Number, fields: FieldsDep) -> Response:
    """With ``act`` "tell" the split is told, if it balances or somebody says why not; else the sheet comes again,
    summed."""
    try:
        filled = filled_in(fields)
        with visit.reading() as work:
            zone = frames.of(work, NOW).zone
            found, sum_ = _summed(work, number, filled, telling.instant_in(fields.get("when", ""), zone))
            done = _is_told(work, id_of(fields.get("id", ""), _SPLIT))
        if fields.get("act") != "tell":
            return _page(visit, number, fields, sum_=sum_)
        if not done:
            _require_balance(sum_, filled)
            attempted(lambda: _recorded(visit, found, filled, fields, zone))
    except telling.Refused as refused:
        return _page(visit, number, fields, wrong=refused.problem)
    except (errors.Malformed, errors.NotAllowed, errors.Conflict, errors.RuleForbids, errors.NotFound) as error:
        return _page(visit, number, fields, wrong=problem_of(error))
    return RedirectResponse(f"/things/{codes.display(found.number)}", 303)


# ------------------------------------------------------------------------------------------------------------- reading
def filled_in(fields: Fields) -> Filled:
    """The sheet by what was typed; lines without anything are left out. Malformed where no piece is told."""
    typed = {name: words.strip() for name, words in fields.items()}
    lines = [line for line in (_line(typed, n) for n in range(LINES_MAX)) if line.mass or line.number]
    if not lines:
        raise errors.Malformed(why="name at least one piece, by a number or a mass", pointer="/pieces")
    ends = typed.get("left") == "nothing"
    rest, loss = typed.get("rest", ""), typed.get("loss", "")
    return Filled(
        lines,
        [_weighed(line.mass, typed.get("balance", "")) | _of(typed) for line in lines],
        {"mass": mass_typed(loss, "/body/loss/mass")} if loss else None,
        _weighed(rest, typed.get("rest balance", "")) if rest and not ends else None,
        ends,
        typed.get("why", ""),
    )


def _line(typed: Fields, place: int) -> Line:
    number, mass, what = (typed.get(f"{name} {place}", "") for name in ("number", "mass", "what"))
    return Line(place, codes.parse(number) if number else "", mass, what)


def _weighed(mass: str, balance: str) -> dict[str, Any]:
    return ({"mass": mass_typed(mass)} if mass else {}) | ({"balance": balance} if mass and balance else {})


def _of(typed: Fields) -> dict[str, Any]:
    return {"material": typed["material"]} if typed.get("material") in MATERIALS else {}


def _summed(work: Work, typed: str, filled: Filled, raw: str) -> tuple[Found, Sum]:
    at, now = parse_instant(raw), work.now()
    found = beforehand.sample(work.connection, work.actor, typed)
    before = beforehand.book_at(work.connection, work.actor, found, at, now)
    said = (filled.pieces, filled.loss, filled.rest)
    return found, beforehand.sheet(work.connection, found, at, before, *said, ends=filled.ends)


def _is_told(work: Work, event_id: str) -> bool:
    try:
        facts.read(work.connection, work.actor, event_id, work.now())
    except errors.NotFound:
        return False
    return True


def _require_balance(sum_: Sum, filled: Filled) -> None:
    if not sum_.balances and len(filled.why) < WHY_CHARACTERS_MIN:
        raise errors.RuleForbids(why="the sheet does not balance. Mend it, or say below why you tell it as it is.")


# ------------------------------------------------------------------------------------------------------------- telling
def _recorded(visit: Visit, found: Found, filled: Filled, fields: Fields, zone: str) -> None:
    """Everything in one transaction: numbers, the split, and the weighing of what is left."""
    raw = telling.instant_in(fields.get("when", ""), zone)
    with unit_of_work(visit.service, visit.claims) as work:
        lines = _numbered(work, found, filled.lines)
        names = [_issued(work, found, line, fields, raw) for line in lines]
        told = facts_of(found, filled, names, fields, raw)
        for result in record.tell(work.connection, work.actor, work.now, Envelope(), told):
            if isinstance(result, errors.ShipsvcError):
                raise result


def _numbered(work: Work, found: Found, lines: Sequence[Line]) -> list[Line]:
    """The lines with numbers: for those who give none out, the next of their blocks where none is typed."""
    if work.actor.has(found.row["owner"], *ISSUERS):
        return list(lines)
    typed = {line.number for line in lines}
    free = (codes.parse(number) for number in free_numbers(work, found, 2 * LINES_MAX))
    left = (number for number in free if number not in typed)
    return [line if line.number else replace(line, number=next(left, "")) for line in lines]


def _issued(work: Work, found: Found, line: Line, fields: Fields, raw: str) -> str:
    """The number of a piece, registered out of a block or as the next one; its first label, where that is asked for."""
    first, number, place = fields.get("id", ""), line.number, _PIECES + 2 * line.place
    wanted = Issue(
        id=id_of(first, place),
        kind="sample",
        form="material",
        what=line.what or found.row["what"],
        acting_for=fields.get("acting_for", ""),
        prefix=None if number else codes.prefix_of(found.number),
        count=0 if number else 1,
        numbers=(number,) if number else (),
        happened_at=parse_instant(raw),
        label_id=id_of(first, place + 1) if fields.get("labels") else None,
    )
    (made,) = numbers.issue(work.connection, work.actor, work.now, wanted).numbers
    return codes.display(made)


def facts_of(found: Found, filled: Filled, names: Sequence[str], fields: Fields, raw: str) -> list[Told]:
    """The split, and the weighing of the rest after it."""
    base = {"subjects": [codes.display(found.number)], "time": {"raw": raw}, "acting_for": fields.get("acting_for", "")}
    first = fields.get("id", "")
    children = [{"number": name, **piece} for name, piece in zip(names, filled.pieces, strict=True)]
    body: dict[str, Any] = {"children": children, "ends": filled.ends}
    body |= {"loss": filled.loss} if filled.loss else {}
    body |= {"why": filled.why} if filled.why else {}
    process = fields.get("process", "").strip()
    body |= {"process": process} if process else {}
    told = [{**base, "id": id_of(first, _SPLIT), "kind": "divided", "body": body}]
    told += [{**base, "id": id_of(first, _REST), "kind": "weighed", "body": filled.rest}] if filled.rest else []
    return [telling.checked(one) for one in told]


# ---------------------------------------------------------------------------------------------------------------- page
def shown_sum(sum_: Sum) -> dict[str, Any]:
    """A sum as a page writes it; masses in mg."""
    compared = sum_.comparison
    return {
        "book_mg": None if sum_.book_ng is None else mass_mg(sum_.book_ng),
        "pieces_mg": mass_mg(sum_.pieces_ng),
        "loss_mg": mass_mg(sum_.loss_ng),
        "rest_mg": mass_mg(sum_.rest_ng),
        "total_mg": mass_mg(sum_.total_ng),
        "difference_mg": None if sum_.book_ng is None else mass_mg(sum_.total_ng - sum_.book_ng),
        "allowance_mg": mass_mg(sum_.allowance_ng),
        "u_mg": mass_mg(compared.u_ng) if compared else None,
        "r": ratio(compared.r) if compared else None,
        "verdict": str(compared.verdict) if compared else None,
        "balances": sum_.balances,
    }


def free_numbers(work: Work, found: Found, at_most: int) -> list[str]:
    """Numbers out of blocks that the owner of a sample gave one's own institutions, that nothing goes by yet. Not those
    of blocks that the owner keeps itself: they are held ready on devices elsewhere."""
    prefix = codes.prefix_of(found.number)
    blocks = numbers.blocks(
        work.connection, work.actor, prefix=prefix, institution=None, after=("", 0), limit=BLOCKS_MAX
    )
    free: list[str] = []
    for one in blocks:
        if one["institution"] in work.actor.institutions - {found.row["owner"]} and len(free) < at_most:
            block, used = numbers.block(work.connection, work.actor, one["id"])
            free += [codes.display(n) for n in numbers.numbers_of(block) if n not in used]
    return free[:at_most]


def _page(
    visit: Visit, number: str, fields: Fields, *, sum_: Sum | None = None, wrong: Problem | None = None
) -> HTMLResponse:
    lines = _lines(fields)
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        found = beforehand.sample(work.connection, work.actor, number)
        book = beforehand.book_at(work.connection, work.actor, found, now, now)
        shown = {
            "number": codes.display(found.number),
            "what": found.row["what"],
            "book_mg": None if book.mass_ng is None else mass_mg(book.mass_ng),
            "material": fields.get("material") or book.material,
            "balances": balances(work, now),
            "speaks": speaks_for(work, "divided"),
            "free": free_numbers(work, found, lines),
            "issues": work.actor.has(found.row["owner"], *ISSUERS),
        }
    shown |= {
        "fields": fields,
        "lines": range(lines),
        "more": min(lines + LINES, LINES_MAX),
        "sum": shown_sum(sum_) if sum_ else None,
        "wrong": wrong,
        "when": fields.get("when") or telling.local(now, frame.zone),
        "new_id": fields.get("id") or new_id(now),
        "materials": MATERIALS,
    }
    return render("split.html", frame, status=wrong.status if wrong else 200, **shown)


def _lines(fields: Fields) -> int:
    """How many lines the sheet has: as many as were sent, and four more where that is asked for."""
    sent = [int(found[1]) + 1 for name in fields if (found := re.fullmatch(r"mass ([0-9]{1,2})", name))]
    lines = max(sent, default=LINES)
    return min(lines + LINES if fields.get("act") == "lines" else lines, LINES_MAX)
