"""Loggers and sensors: all of them, and one with what it read, drawn against the limits of a profile."""

from datetime import date, datetime, timedelta
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse

from shipsvc.app import documents, series, series_limits, sources, uploads
from shipsvc.app.documents import PLACE, PROFILE, When
from shipsvc.app.series import Asked
from shipsvc.app.series_limits import Held, begins, ends
from shipsvc.domain import errors
from shipsvc.domain.times import due_end
from shipsvc.web import cursors
from shipsvc.web.deps import Work
from shipsvc.web.pages import curves, frames
from shipsvc.web.pages.bars import figure
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.loans import Cursor
from shipsvc.web.pages.rendering import Frame, render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.pages.svg import UNITS
from shipsvc.web.pages.tables import Column
from shipsvc.web.reading_schemas import upload_out
from shipsvc.web.schemas import DocumentCode

router = APIRouter(include_in_schema=False)
ROWS, UPLOADS, PROFILES, TABLED = 100, 20, 100, 50
Code = Annotated[DocumentCode, Path()]
Day = Annotated[str, Query(max_length=10, pattern=r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$")]
Word = Annotated[str, Query(max_length=40, pattern=r"^[A-Za-z0-9_-]*$")]
#: A choice of no profile at all.
NONE: Final = "-"
LIST: Final = (
    Column("Source", "code", "source"),
    Column("Kind", "kind", "word"),
    Column("What", "what"),
    Column("Of", "measures", "words"),
    Column("Hangs in", "place"),
    Column("Institution", "institution", "party"),
    Column("Good until", "good_until", "day"),
    Column("Lapsed", "lapsed", "flag"),
)
BEYOND: Final = (
    Column("From", "start", "instant"),
    Column("To", "end", "instant"),
    Column("So long", "length_s", "length"),
    Column("Readings beyond", "readings", "days"),
    Column("Furthest", "peak", "days"),
    Column("Counts", "counts", "word"),
)
GAPS: Final = (
    Column("From", "start", "instant"),
    Column("To", "end", "instant"),
    Column("So long", "length_s", "length"),
)
SENT: Final = (
    Column("File", "name"),
    Column("Sent", "recorded_at", "instant"),
    Column("State", "state", "word"),
    Column("From, by its clock", "begin_at", "instant"),
    Column("To", "end_at", "instant"),
    Column("Rows", "rows_stored", "days"),
    Column("Not read", "rows_bad", "days"),
    Column("To look at", "marks", "words"),
)


@router.get("/sources")
def every_source(visit: VisitDep, typed: TypedDep, cursor: Cursor = "") -> HTMLResponse:
    """Loggers and sensors that they may see."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        after = str(cursors.decode("sources", cursor, str)[0]) if cursor else ""
        found = documents.page(work.connection, work.actor, sources.SOURCE, when, after=after, limit=ROWS + 1)
    page = cursors.cut(list(found), ROWS, "sources", lambda row: (row["code"],))
    rows = [
        {**row, "measures": row["quantities"].split(), "lapsed": sources.lapsed(row, when.as_of)} for row in page.rows
    ]
    return render("sources.html", frame, columns=LIST, rows=rows, next=page.next)


@router.get("/sources/{code}")
def one_source(
    visit: VisitDep,
    typed: TypedDep,
    code: Code,
    quantity: Word = "",
    profile: Word = "",
    begin: Annotated[Day, Query(alias="from")] = "",
    end: Annotated[Day, Query(alias="to")] = "",
) -> HTMLResponse:
    """What it read, against a profile; what lay beyond its limits, where nothing was read; the files that came."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        asked = Asked(quantity or None, _begin(begin, frame), _end(end, frame))
        found = series.find(work.connection, work.actor, code, asked, when)
        against = _profile(work, found.source, profile, when)
        held = series_limits.held(work.connection, found, against, when)
        drawn = series.drawn(work.connection, found, curves.PIXELS)
        named = documents.page(work.connection, work.actor, PROFILE, when, after="", limit=PROFILES)
        may_send = _may_send(work, code)
        sent = uploads.page(work.connection, work.actor, code, after="", limit=UPLOADS)
    shown: dict[str, Any] = {
        "source": found.source,
        "quantities": found.source["quantities"].split(),
        "quantity": found.quantity,
        "unit": UNITS.get(found.unit, found.unit),
        "lapsed": found.lapsed,
        "profile": against,
        "profiles": [str(row["code"]) for row in named],
        "readings": drawn.readings,
        "begin": begin,
        "end": end,
        "chosen": {
            name: said
            for name, said in (("quantity", quantity), ("profile", profile), ("from", begin), ("to", end))
            if said
        },
        "plot": curves.series(found, drawn, held, frame.zone) if held else None,
        "sent": [dict(upload_out(row)) for row in sent],
        "sent_columns": SENT,
        "may_send": may_send,
        "beyond_columns": BEYOND,
        "gap_columns": GAPS,
        **_tables(held),
    }
    return render("source.html", frame, **shown)


def _may_send(work: Work, code: str) -> bool:
    try:
        sources.may_send(work.connection, work.actor, code)
    except errors.NotAllowed:
        return False
    return True


def _begin(day: str, frame: Frame) -> datetime | None:
    return due_end(_date(day) - timedelta(days=1), frame.zone) if day else None


def _end(day: str, frame: Frame) -> datetime | None:
    return due_end(_date(day), frame.zone) if day else None


def _date(day: str) -> date:
    try:
        return date.fromisoformat(day)
    except ValueError as error:
        raise errors.NotATime(typed=day, pointer="/from") from error


def _profile(work: Work, source: Any, asked: str, when: When) -> str | None:
    """The one asked for; else that of the place in which a sensor hangs; None for none."""
    if asked:
        return None if asked == NONE else asked
    if source["place"] is None:
        return None
    try:
        place = documents.read(work.connection, work.actor, PLACE, source["place"], when)
    except errors.NotFound:
        return None
    found: str | None = place["profile"]
    return found


def _tables(held: Held | None) -> dict[str, Any]:
    """The longest excursions and gaps as rows, in the order of time, and how many there are of each."""
    beyond = [
        {
            "start": begins(one),
            "end": ends(one),
            "length_s": one.end_s - one.begin_s,
            "readings": one.readings,
            "peak": figure(one.peak),
            "counts": one.weight.value,
        }
        for one in (held.excursions if held else ())
    ]
    gaps = [
        {"start": start, "end": end, "length_s": (end - start).total_seconds()}
        for start, end in (held.gaps if held else ())
    ]
    limits = {one.limit for one in held.limits if one.limit} if held else set()
    return {
        "beyond": _longest(beyond),
        "beyond_count": len(beyond),
        "gaps": _longest(gaps),
        "gap_count": len(gaps),
        "limits": [(figure(one.lower), figure(one.upper)) for one in limits],
    }


def _longest(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    kept = sorted(rows, key=lambda row: -row["length_s"])[:TABLED]
    return sorted(kept, key=lambda row: row["start"])
