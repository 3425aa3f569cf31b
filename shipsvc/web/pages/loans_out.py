"""What is out on loan, sample by sample: narrowed, sorted and grouped as one likes, and the same as a file."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Depends, Query
from fastapi.responses import HTMLResponse, StreamingResponse
from pydantic import BaseModel

from shipsvc.app import loans_out, reports
from shipsvc.app.loans_out import Wish
from shipsvc.web import csv_answers
from shipsvc.web.csv_answers import moments
from shipsvc.web.pages import frames
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.pages.tables import Column
from shipsvc.web.report_schemas import OutstandingLine

router = APIRouter(include_in_schema=False)
#: Lines on a page.
ROWS: Final = 100
Party = Annotated[str, Query(max_length=40, pattern=r"^([A-Z][A-Z0-9/-]{0,39})?$")]
COLUMNS: Final = (
    Column("Item", "item", "item"),
    Column("What", "what"),
    Column("Collection", "collection", "party"),
    Column("Loan", "loan", "loan"),
    Column("Owed by", "owed_by", "party"),
    Column("Due", "due_on", "day"),
    Column("Days left", "days_left", "days"),
    Column("With", "certain", "party"),
    Column("Said to be with", "claimed", "party"),
    Column("Place", "place"),
    Column("Out, at least", "at_least_s", "length"),
    Column("at most", "at_most_s", "length"),
)


class Row(OutstandingLine):
    """A line of the file: what the report has, with its collection and the group that it stands in."""

    collection: str | None
    group: str


@dataclass(frozen=True)
class Group:
    """Lines that stand together on a page."""

    name: str
    rows: Sequence[dict[str, Any]]


def _wish(
    lender: Party = "",
    borrower: Party = "",
    collection: Party = "",
    due: Literal["", "overdue", "soon", "later", "open"] = "",
    order: Literal["item", "due", "borrower", "holder", "collection"] = "due",
    group: Literal["", "borrower", "collection", "due"] = "",
) -> Wish:
    return Wish(lender or None, borrower or None, collection or None, due, order, group)


WishDep = Annotated[Wish, Depends(_wish)]


@router.get("/loans/out")
def out(
    visit: VisitDep, typed: TypedDep, wish: WishDep, start: Annotated[int, Query(ge=0, le=loans_out.LINES_MAX)] = 0
) -> HTMLResponse:
    """A page of the lines that are wished for, group by group."""
    with visit.reading() as work:
        frame = frames.of(work, typed)
        asked = frames.asked(work, frame)
        found = loans_out.sheet(work.connection, work.actor, asked, wish)
        lines = found.lines[start : start + ROWS]
        times = reports.out_of_storage(work.connection, asked, [line["item"] for line in lines])
    rows = [{**line, **times[line["item"]]} for line in lines]
    groups = [Group(name, list(members)) for name, members in groupby(rows, key=lambda row: row["group"])]
    shown: dict[str, Any] = {
        "groups": groups,
        "columns": COLUMNS,
        "wish": wish,
        "count": len(found.lines),
        "cut": found.cut,
        "most": loans_out.LINES_MAX,
        "collections": found.collections,
        "start": start,
        "next": start + ROWS if len(found.lines) > start + ROWS else None,
        "chosen": _chosen(wish),
    }
    return render("loans_out.html", frame, **shown)


def _chosen(wish: Wish) -> dict[str, str]:
    """What was wished for, by name, as an address carries it on."""
    named = {"lender": wish.lender, "borrower": wish.borrower, "collection": wish.collection, "due": wish.due}
    return {name: said for name, said in {**named, "order": wish.order, "group": wish.group}.items() if said}


@router.get("/loans/out/file.csv")
def out_file(visit: VisitDep, typed: TypedDep, wish: WishDep) -> StreamingResponse:
    """The same lines in the same order, all of them."""
    with visit.reading() as work:
        frame = frames.of(work, typed)
        asked = frames.asked(work, frame)
        lines = loans_out.sheet(work.connection, work.actor, asked, wish).lines
        times = reports.out_of_storage(work.connection, asked, [line["item"] for line in lines])
    said = moments(asked.as_of, asked.known_on, asked.provisional)
    return csv_answers.answer("loans-out", Row, said, _pages(lines, times))


def _pages(lines: Sequence[dict[str, Any]], times: dict[str, dict[str, Any]]) -> Iterator[Sequence[BaseModel]]:
    fields = set(Row.model_fields)
    for start in range(0, len(lines), ROWS):
        page = ({**line, **times[line["item"]]} for line in lines[start : start + ROWS])
        yield [Row(**{name: value for name, value in one.items() if name in fields}) for one in page]
