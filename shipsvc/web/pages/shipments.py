"""The pages of shipments: all of them, one with what is packed in what and who had it, and what is coming."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse

from shipsvc.app import documents, history, items, parcels, trip_conditions
from shipsvc.domain import codes, errors
from shipsvc.domain.times import parse_instant
from shipsvc.web import api_shipments, cursors, items_shown
from shipsvc.web.deps import Work
from shipsvc.web.history_schemas import HistoryEntry
from shipsvc.web.pages import frames, thing_parts
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.loans import Cursor
from shipsvc.web.pages.rendering import Frame, render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.pages.tables import Column, told
from shipsvc.web.schemas import InstitutionCode, Moments
from shipsvc.web.shipment_schemas import PackedShown, ParcelShown, ShipmentCode, ShipmentShown

router = APIRouter(include_in_schema=False)
#: Shipments on a page; what is coming on a page; things whose facts a page tells, and facts of each of them.
ROWS, COMING, THINGS, FACTS = 100, 20, 20, 500
Code = Annotated[ShipmentCode, Path()]
Whose = Annotated[InstitutionCode | None, Query()]

LIST: Final = (
    Column("Shipment", "shipment", "shipment"),
    Column("From", "consignor", "party"),
    Column("To", "addressee", "party"),
    Column("Carrier", "carrier", "party"),
    Column("State", "states", "words"),
    Column("Expected by", "expected_by", "instant"),
    Column("Late", "overdue", "flag"),
    Column("Things", "count", "days"),
    Column("Loan", "loan", "loan"),
)
PARCELS: Final = (
    Column("Thing", "number", "item"),
    Column("What", "what"),
    Column("State", "state", "word"),
    Column("Confirmed", "confirmed_at", "instant"),
    Column("With", "holder", "party"),
    Column("Said to be with", "claimed", "party"),
    Column("Handover", "handover", "word"),
    Column("Last word", "last_kind", "word"),
    Column("When", "last_at", "instant"),
    Column("By", "last_by", "party"),
)


@dataclass
class Told:
    """One fact told on a shipment, and the numbers of the things of the shipment that it is about."""

    fact: HistoryEntry
    about: list[str] = field(default_factory=list)


@router.get("/shipments")
def every_shipment(visit: VisitDep, typed: TypedDep, cursor: Cursor = "") -> HTMLResponse:
    """Shipments that one's own institutions have to do with."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        when = documents.asked(frame.as_of, frame.known_on, now)
        after = str(cursors.decode("shipment", cursor, str)[0]) if cursor else ""
        found = parcels.page(work.connection, work.actor, now, when, after=after, limit=ROWS + 1)
    page = cursors.cut(found, ROWS, "shipment", lambda one: (one.row["code"],))
    rows = [_in_list(api_shipments.shown(one, moments_of(frame), now)) for one in page.rows]
    return render("shipments.html", frame, columns=told(LIST, rows), rows=rows, next=page.next)


def _in_list(shipment: ShipmentShown) -> dict[str, Any]:
    named = ("consignor", "addressee", "carrier", "expected_by", "loan", "overdue")
    states = list(dict.fromkeys(parcel.state for parcel in shipment.contents))
    members = {name: getattr(shipment, name) for name in named}
    return {**members, "shipment": shipment.code, "states": states, "count": len(shipment.contents)}


@router.get("/shipments/{code}")
def one_shipment(visit: VisitDep, typed: TypedDep, code: Code) -> HTMLResponse:
    """What is packed in what under which seals, how far each thing has come, and who had it when."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        asked = (work.connection, work.actor, now, code, frame.as_of, frame.known_on)
        found, nest = parcels.read(*asked), parcels.packing_list(*asked)
        shipment = api_shipments.shown(found, moments_of(frame), now)
        facts = facts_told(work, frame, now, shipment)
        opens = thing_parts.opens(work, [one.fact.event_id for one in facts])
        packed = api_shipments.packing_list(nest, moments_of(frame), now)
        trip = trip_conditions.of_shipment(*asked)
        stayed = [
            (codes.display(number), thing_parts.exposure_of(work, frame, number, one, one.window[0]))
            for number, one in list(trip.samples.items())[:THINGS]
        ]
        seen = seen_of(work, packed.contents, [parcel.number for parcel in shipment.contents])
    rows = [{**_parcel(parcel), "unseen": parcel.number not in seen} for parcel in shipment.contents]
    return render(
        "shipment.html",
        frame,
        shipment=shipment,
        rows=rows,
        columns=told(PARCELS, rows),
        nest=packed,
        seen=seen,
        facts=facts,
        opens=opens,
        stayed=[(number, exposure) for number, exposure in stayed if exposure],
        about={one.fact.event_id: one.about for one in facts} if len(rows) > 1 else {},
        untold=max(0, len(rows) - THINGS),
    )


def seen_of(work: Work, packed: Sequence[PackedShown], others: Sequence[str] = ()) -> set[str]:
    """Which of the things have pages that are theirs to open; what is in a parcel is told to more people than that."""
    return items.seen_among(work.connection, work.actor, {*others, *(one.number for one in _all(packed))})


def _all(packed: Sequence[PackedShown]) -> Iterator[PackedShown]:
    for one in packed:
        yield one
        yield from _all(one.contents)


def _parcel(parcel: ParcelShown) -> dict[str, Any]:
    last = parcel.last
    return {
        **dict(parcel),
        "what": parcel.what or parcel.form,
        "last_kind": last.kind if last else None,
        "last_at": last.happened_at if last else None,
        "last_by": last.acting_for if last else None,
    }


def facts_told(work: Work, frame: Frame, now: datetime, shipment: ShipmentShown) -> list[Told]:
    """What was told on the shipment of the things in it, each fact once, in order of happening."""
    when = documents.asked(frame.as_of, frame.known_on, now)
    found: dict[str, Told] = {}
    for parcel in shipment.contents[:THINGS]:
        try:
            item = items.find(work.connection, work.actor, parcel.number)
        except errors.NotFound:
            continue
        late_after_s = history.late_after_s(work.connection, item)
        read = history.page(work.connection, work.actor, item, when, now, after=None, limit=FACTS)
        for entry in read:
            if entry.row["shipment"] == shipment.code:
                fact = items_shown.entry(entry, late_after_s)
                found.setdefault(fact.event_id, Told(fact)).about.append(parcel.number)
    return sorted(found.values(), key=lambda one: (one.fact.happened_at, one.fact.told_at))


@router.get("/arriving")
def coming(visit: VisitDep, typed: TypedDep, institution: Whose = None, cursor: Cursor = "") -> HTMLResponse:
    """What is coming to an institution, what is in it, and what to do with it at the door."""
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        whose = institution or next(iter(frame.institutions), "")
        when = documents.asked(frame.as_of, frame.known_on, now)
        after = _after(cursor)
        found = (
            parcels.arriving(work.connection, work.actor, now, when, whose, after=after, limit=COMING + 1)
            if whose
            else []
        )
        page = cursors.cut(found, COMING, "arriving", lambda one: api_shipments.key_of(one[0]))
        shipments = [api_shipments.arriving(one, moments_of(frame), now) for one in page.rows]
        seen = seen_of(work, [packed for one in shipments for packed in one.packed])
    return render("arriving.html", frame, whose=whose, shipments=shipments, seen=seen, next=page.next)


def _after(cursor: str) -> tuple[datetime, str] | None:
    if not cursor:
        return None
    at, code = cursors.decode("arriving", cursor, str, str)
    return parse_instant(str(at)), str(code)


def moments_of(frame: Frame) -> Moments:
    """The moments that a page is asked about."""
    return Moments(frame.as_of, frame.known_on)
