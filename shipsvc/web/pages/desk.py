"""The desk: what needs somebody today, and each report as a table."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app.report_pages import Asked, Key
from shipsvc.domain import errors
from shipsvc.web import api_reports, cursors
from shipsvc.web.cursors import CURSOR_CHARACTERS_MAX
from shipsvc.web.deps import Work
from shipsvc.web.pages import frames
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.pages.tables import BY_NAME, DUE_SOON, HOLDINGS, OTHERS, URGENT, Column, Table, told
from shipsvc.web.schemas import Moments

router = APIRouter(include_in_schema=False)
#: Rows of each report on the first page, and on a page of its own.
FEW, MANY = 5, 100
#: Rows of each report among which the first page looks for the oldest.
LOOKED_AT = 50
Filter = Annotated[str | None, Query(max_length=40, pattern=r"^[A-Z][A-Z0-9/-]{0,39}$")]


@dataclass(frozen=True)
class Section:
    """The first rows of a report, and whether there are more."""

    table: Table
    rows: Sequence[dict[str, Any]]
    more: bool

    @property
    def columns(self) -> Sequence[Column]:
        """Those in which a row says something, and what clears it in the last one."""
        clearing = [Column("What clears it", "act", "act")] if self.table.clears else []
        return [*told(self.table.columns, self.rows), *clearing]


@router.get("/")
def desk(visit: VisitDep, typed: TypedDep) -> Response:
    """What needs me today: by danger, then age, each with the one action that clears it. Whose step is at the door
    begins at the door."""
    with visit.reading() as work:
        frame = frames.of(work, typed)
        if "desk" not in frame.steps:
            return RedirectResponse("/scan", 303)
        asked = frames.asked(work, frame)
        sections = [_section(work, asked, table) for table in URGENT]
    return render("desk.html", frame, sections=sections, others=OTHERS)


def _section(work: Work, asked: Asked, table: Table) -> Section:
    """The oldest rows of a report, each with what clears it."""
    found = table.report.read(work.connection, work.actor, asked, None, LOOKED_AT + 1, **table.asked)
    rows = [entry.fields for entry in found]
    if table.age:
        rows.sort(key=lambda row: str(row[table.age]))
    shown = [{**row, "act": table.clears(row, work.actor) if table.clears else None} for row in rows[:FEW]]
    return Section(table, shown, len(rows) > FEW)


@router.get("/reports/{name}")
def report(
    visit: VisitDep,
    typed: TypedDep,
    name: str,
    cursor: Annotated[str | None, Query(max_length=CURSOR_CHARACTERS_MAX, pattern=r"^[A-Za-z0-9_-]+$")] = None,
    borrower: Filter = None,
    lender: Filter = None,
    institution: Filter = None,
) -> HTMLResponse:
    """One report, page by page."""
    table = _table(name)
    filters = _filters(table, borrower, lender, institution)
    with visit.reading() as work:
        frame = frames.of(work, typed)
        if table is HOLDINGS and institution is None:
            filters["institution"] = next(iter(frame.institutions), "")
        after = _after(table, cursor)
        found = table.report.read(work.connection, work.actor, frames.asked(work, frame), after, MANY + 1, **filters)
    page = cursors.cut(found, MANY, table.report.name, lambda entry: entry.key)
    chosen = {key: value for key, value in filters.items() if value and key not in table.asked}
    return render(
        "report.html", frame, table=table, rows=[entry.fields for entry in page.rows], next=page.next, chosen=chosen
    )


@router.get("/reports/{name}/file.csv")
def report_file(
    request: Request,
    visit: VisitDep,
    typed: TypedDep,
    name: str,
    borrower: Filter = None,
    lender: Filter = None,
    institution: Filter = None,
) -> Response:
    """The same as a file with all its rows."""
    table = _table(name)
    filters = _filters(table, borrower, lender, institution)
    with visit.reading() as work:
        frame = frames.of(work, typed)
    if table is HOLDINGS and institution is None:
        filters["institution"] = next(iter(frame.institutions), "")
    whole = (cursors.Asked(MANY, None, request), True)
    moments = Moments(frame.as_of, frame.known_on)
    found: Response = api_reports.answer(
        visit.service, visit.claims, table.report, whole, moments, Response(), **filters
    )
    return found


def _table(name: str) -> Table:
    if name not in BY_NAME:
        raise errors.NotFound(what="report", name=name)
    return BY_NAME[name]


def _filters(table: Table, borrower: str | None, lender: str | None, institution: str | None) -> dict[str, Any]:
    if table is HOLDINGS:
        return {"institution": institution}
    return {"borrower": borrower, "lender": lender} if table.report in _OF_LOANS else dict(table.asked)


_OF_LOANS = (api_reports.OVERDUE, api_reports.OUTSTANDING, DUE_SOON.report)


def _after(table: Table, cursor: str | None) -> Key | None:
    if cursor is None:
        return None
    key = cursors.decode(table.report.name, cursor, *[str] * table.report.key_parts)
    return tuple(map(str, key))
