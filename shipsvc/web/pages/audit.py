"""The page for auditors: what was told late, what one person did alone, and when one side alone spoke for a thing."""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse

from shipsvc.app import items, reports_custody
from shipsvc.domain import codes, errors
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.deps import Work
from shipsvc.web.errors import detail_of, status_of
from shipsvc.web.pages import frames
from shipsvc.web.pages.desk import Section
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.rendering import Frame, render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.pages.tables import BY_NAME, told
from shipsvc.web.pages.thing_parts import CUSTODY, in_table

router = APIRouter(include_in_schema=False)
#: Rows of each report; all of them stand on a page of their own.
ROWS = 20
#: What an auditor asks first (trade questions 35, 37, 40), by the names of the reports.
ASKED = ("told-late", "unconfirmed", "open-handovers", "one-device")
Item = Annotated[str, Query(max_length=200, pattern=PRINTABLE)]


@router.get("/audit")
def audit(visit: VisitDep, typed: TypedDep, item: Item = " ") -> HTMLResponse:
    """The first rows of each, and of a thing that is named the hours in which one side alone spoke for it."""
    wanted, wrong, status = item.strip(), "", 200
    found: dict[str, Any] | None = None
    with visit.reading() as work:
        frame = frames.of(work, typed)
        asked = frames.asked(work, frame)
        sections = []
        for table in (BY_NAME[name] for name in ASKED):
            rows = table.report.read(work.connection, work.actor, asked, None, ROWS + 1)
            sections.append(Section(table, [entry.fields for entry in rows[:ROWS]], len(rows) > ROWS))
        if wanted:
            try:
                found = _alone(work, frame, wanted)
            except (errors.Malformed, errors.NotFound) as error:
                wrong, status = detail_of(error), status_of(type(error))
    return render("audit.html", frame, status=status, sections=sections, item=wanted, found=found, wrong=wrong)


def _alone(work: Work, frame: Frame, typed: str) -> dict[str, Any]:
    """The stretches of a thing, and how long they are together, in seconds."""
    number = items.find(work.connection, work.actor, typed).number
    stretches = reports_custody.one_sided(work.connection, work.actor, frames.asked(work, frame), number)
    rows = in_table(stretches)
    total_s = sum(row["seconds"] for row in rows)
    return {"number": codes.display(number), "rows": rows, "columns": told(CUSTODY, rows), "total_s": total_s}
