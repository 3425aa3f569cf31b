"""Items: find them, show how one stood, its history, what is in it, its time out; other names."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import charges, documents, exposure, history, items
from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.web import cursors, items_shown
from shipsvc.web.answered import of_moment
from shipsvc.web.body_texts import Code
from shipsvc.web.cursors import Asked, AskedDep, whole
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.history_schemas import HistoryPage, TimeOutShown
from shipsvc.web.item_schemas import AliasNew, AliasShown, ContentsPage, ItemPage, ItemShown, Kind, StatusName
from shipsvc.web.openapi import LINK, REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKeyDep, once
from shipsvc.web.schemas import InstitutionCode, MomentsDep

router = APIRouter(prefix="/v1", tags=["items"])
#: What nobody types, no database takes and no log should hold: control characters.
PRINTABLE = r"^[^\x00-\x1f\x7f]+$"
Typed = Annotated[
    str,
    Path(
        max_length=200,
        pattern=PRINTABLE,
        description="A number with its check character, the code of a label, or another name of the item",
        examples=["BRM-0010-J"],
    ),
]
PAGE: Any = {200: {"headers": LINK}}
PAGE_OF_ONE: Any = PAGE | problems(404)
POSTED: Any = {201: {"headers": REPLAYED_HEADER}} | problems(404, 409)
NAMED: Any = POSTED | {
    200: {"description": "It goes by that name already.", "model": AliasShown, "headers": REPLAYED_HEADER}
}


@router.get("/items", operation_id="list_items", summary="Items", responses=PAGE)
def list_items(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    moments: MomentsDep,
    response: Response,
    q: Annotated[
        str | None,
        Query(
            max_length=200,
            pattern=PRINTABLE,
            description="A number, the beginning of one, another name, or words of what it is",
            examples=["interior chip"],
        ),
    ] = None,
    kind: Annotated[Kind | None, Query(description="Only these")] = None,
    owner: Annotated[InstitutionCode | None, Query(description="Only what this institution owns")] = None,
    holder: Annotated[InstitutionCode | None, Query(description="Only what it certainly holds")] = None,
    place: Annotated[Code | None, Query(description="Only what is, or was last, there")] = None,
    status: Annotated[StatusName | None, Query(description="Only what is so")] = None,
    provisional: Annotated[
        bool | None, Query(description="Only what nobody has registered yet, or only what somebody has")
    ] = None,
) -> ItemPage:
    """What your institutions have or had to do with, in the order of numbers; all, for auditors and administrators.

    Those who own, hold, owe or are sent a thing also see where it is and who holds it; a list by holder, place or
    status therefore holds nothing else.
    """
    registered = None if provisional is None else not provisional
    filters = {"kind": kind, "owner": owner, "holder": holder, "place": place, "status": status}
    wanted = items.sought(q, **filters, registered=registered)
    after = asked.after("item", str)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        first = str(after[0]) if after else ""
        rows = items.page(work.connection, work.actor, wanted, when, now, after=first, limit=asked.limit + 1)
    page = cursors.cut(rows, asked.limit, "item", lambda row: (row["number"],))
    cursors.link(response, asked, page)
    shown = [items_shown.in_list(row) for row in page.rows]
    return ItemPage(items=shown, next=page.next, **of_moment(moments, now))


@router.get("/items/{number}", operation_id="show_item", summary="An item as it stood", responses=problems(404))
def show_item(service: ServiceDep, claims: ClaimsDep, number: Typed, moments: MomentsDep) -> ItemShown:
    """Who holds it, where it is, what it is in, what it weighs, what is owed: at `as_of`, by what was recorded by
    `known_on`. A number that is written wrong is told apart from one that is not there."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        shown = items.show(work.connection, work.actor, number, when, now)
    return items_shown.item(shown, of_moment(moments, now))


@router.get(
    "/items/{number}/history", operation_id="show_history", summary="Its chain of custody", responses=PAGE_OF_ONE
)
def show_history(
    service: ServiceDep, claims: ClaimsDep, number: Typed, asked: AskedDep, moments: MomentsDep, response: Response
) -> HistoryPage:
    """Every fact about it and about what it was in at that moment, in the order in which they happened, with what they
    said before they were amended. A fact that no longer counts for it stays, and says so."""
    after = _behind(asked)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = items.find(work.connection, work.actor, number)
        late_after_s = history.late_after_s(work.connection, found)
        rows = history.page(work.connection, work.actor, found, when, now, after=after, limit=asked.limit + 1)
    page = cursors.cut(rows, asked.limit, "history", _key)
    cursors.link(response, asked, page)
    entries = [items_shown.entry(row, late_after_s) for row in page.rows]
    return HistoryPage(items=entries, next=page.next, **of_moment(moments, now))


def _key(entry: history.Entry) -> tuple[str | int, ...]:
    happened_at, recorded_at, place, event_id = history.key_of(entry)
    return format_instant(happened_at), format_instant(recorded_at), place, event_id


def _behind(asked: Asked) -> tuple[datetime, datetime, int, str] | None:
    after = asked.after("history", str, str, int, str)
    if after is None:
        return None
    happened_at, recorded_at, place, event_id = after
    return parse_instant(str(happened_at)), parse_instant(str(recorded_at)), whole(place), str(event_id)


@router.get("/items/{number}/contents", operation_id="show_contents", summary="What is in it", responses=PAGE_OF_ONE)
def show_contents(
    service: ServiceDep, claims: ClaimsDep, number: Typed, asked: AskedDep, moments: MomentsDep, response: Response
) -> ContentsPage:
    """What was directly in it, as far as that is yours to see."""
    after = asked.after("contents", str)
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = items.find(work.connection, work.actor, number)
        items.require_state(work.connection, work.actor, found, when.as_of)
        first = str(after[0]) if after else ""
        rows = items.inside(work.connection, work.actor, found.number, when, now, after=first, limit=asked.limit + 1)
    page = cursors.cut(rows, asked.limit, "contents", lambda row: (row["number"],))
    cursors.link(response, asked, page)
    shown = [items_shown.inside(row) for row in page.rows]
    return ContentsPage(items=shown, next=page.next, **of_moment(moments, now))


@router.get(
    "/items/{number}/time-out", operation_id="show_time_out", summary="Its time out of storage", responses=problems(404)
)
def show_time_out(service: ServiceDep, claims: ClaimsDep, number: Typed, moments: MomentsDep) -> TimeOutShown:
    """At least and at most, over its whole life and that of what it was made from; and how much of it is charged
    to each profile that was in force, with its budgets. Time before accession stands apart."""
    with reading(service, claims) as work:
        now = work.now()
        as_of = moments.as_of or now
        found = items.find(work.connection, work.actor, number)
        items.require_state(work.connection, work.actor, found, as_of)
        out = exposure.time_out(work.connection, [found.number], as_of, moments.known_on)
        charged = charges.charged(work.connection, out, as_of, moments.known_on)
    return items_shown.time_out(found.number, out[found.number], charged[found.number], of_moment(moments, now))


@router.post(
    "/items/{number}/aliases",
    operation_id="add_alias",
    summary="Tell of another name",
    status_code=201,
    response_model=AliasShown,
    responses=NAMED,
)
def add_alias(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: AliasNew) -> Response:
    """For whoever speaks for the institution. A name is never given to another thing there."""

    def make(work: Work) -> Made:
        row, is_new = items.add_alias(work.connection, work.actor, work.now(), number, body.institution, body.alias)
        return Made(201 if is_new else 200, items_shown.alias(row))

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: make(work))
