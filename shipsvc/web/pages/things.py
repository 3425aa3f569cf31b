"""The page of one thing: what it is, where, with whom, what it weighs, its time out, and its line of custody."""

from typing import Annotated

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import charges, documents, exposure, history, items
from shipsvc.domain import codes, errors
from shipsvc.web import cursors, items_shown
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.deps import Work
from shipsvc.web.pages import bars, frames, photographs, thing_parts
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.session import VisitDep

router = APIRouter(include_in_schema=False)
#: Facts on the page of a thing, and rows in a list.
FACTS, ROWS = 200, 100
Sought = Annotated[str, Query(max_length=200, pattern=PRINTABLE)]


@router.get("/things")
def search(
    visit: VisitDep, typed: TypedDep, q: Sought = " ", cursor: Annotated[str, Query(max_length=512)] = ""
) -> Response:
    """Things by number, name or words; the very thing where a number is typed."""
    wanted = q.strip()
    with visit.reading() as work:
        frame = frames.of(work, typed)
        if wanted and _is_theirs(work, wanted):
            return RedirectResponse(f"/things/{codes.display(codes.parse_seen(wanted).number)}", 303)
        now = work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        after = str(cursors.decode("things", cursor, str)[0]) if cursor else ""
        sought = items.sought(wanted or None)
        found = items.page(work.connection, work.actor, sought, when, now, after=after, limit=ROWS + 1)
    page = cursors.cut(found, ROWS, "things", lambda row: (row["number"],))
    rows = [items_shown.in_list(row) for row in page.rows]
    return render("things.html", frame, q=wanted, rows=rows, next=page.next)


def _is_theirs(work: Work, typed: str) -> bool:
    """Whether it is a number, with its check character, of a thing that they may see."""
    try:
        codes.parse_seen(typed)
        items.find(work.connection, work.actor, typed)
    except errors.ShipsvcError:
        return False
    return True


@router.get("/things/{number}")
def thing(
    visit: VisitDep, typed: TypedDep, number: Annotated[str, Path(max_length=200, pattern=PRINTABLE)]
) -> HTMLResponse:
    """Everything about this vial."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        shown = items.show(work.connection, work.actor, number, when, now)
        found = shown.found
        late_after_s = history.late_after_s(work.connection, found)
        told = history.page(work.connection, work.actor, found, when, now, after=None, limit=FACTS + 1)
        out, charged = None, []
        if shown.standing is not None and found.row["kind"] == "sample" and not found.outside_only:
            outs = exposure.time_out(work.connection, [found.number], when.as_of, frame.known_on)
            charged = charges.charged(work.connection, outs, when.as_of, frame.known_on)[found.number]
            out = outs[found.number]
        parts = thing_parts.gather(work, frame, found, out)
        acts = thing_parts.acts(work, found, now)
        ids = [*(one.row["original_id"] for one in told), *(flag["event_id"] for flag in shown.flags)]
        opens = thing_parts.opens(work, ids)
        entries = [items_shown.entry(fact, late_after_s) for fact in told[:FACTS]]
        pictures = photographs.of(work, entries)
    at = {"as_of": when.as_of, "known_on": frame.known_on or now, "provisional": frame.known_on is None}
    time_out = items_shown.time_out(found.number, out, charged, at) if out else None
    return render(
        "thing.html",
        frame,
        thing=items_shown.item(shown, at),
        out=time_out,
        facts=entries,
        photographs=pictures,
        opens=opens,
        more=len(told) > FACTS,
        acts=acts,
        budgets=bars.budgets(time_out.charged) if time_out else [],
        **parts,
    )
