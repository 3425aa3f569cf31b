"""Papers that go with a shipment: what is packed, to be signed by hand, and what its addressee told at the door."""

from typing import Any, Final

from fastapi import APIRouter
from fastapi.responses import HTMLResponse

from shipsvc.app import labels, parcels
from shipsvc.domain.facts import same_institution
from shipsvc.web import api_shipments
from shipsvc.web.pages import frames, shipments
from shipsvc.web.pages.frames import TypedDep
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.pages.shipments import Code

router = APIRouter(include_in_schema=False)
#: What an addressee tells at the door.
RECEIVING: Final = frozenset(
    "accepted rejected seal_checked condition_noted photographed opened weighed stored".split()
)


@router.get("/shipments/{code}/packing-list")
def packing_list(visit: VisitDep, typed: TypedDep, code: Code) -> HTMLResponse:
    """What is in what, under which seals, with the cautions, and lines for both sides to sign on paper."""
    shown = _read(visit, typed, code)
    cautions = [*labels.cautions("dry_ice", "liquid_nitrogen", "pressure")]
    return render("packing_list.html", cautions=cautions, **shown)


@router.get("/shipments/{code}/receipt")
def receipt(visit: VisitDep, typed: TypedDep, code: Code) -> HTMLResponse:
    """What the addressee told of its arrival, as found first; nothing where nothing was told yet."""
    shown = _read(visit, typed, code)
    addressee = shown["shipment"].addressee
    told = [one for one in shown["facts"] if one.fact.kind in RECEIVING and one.fact.stands]
    theirs = [one for one in told if same_institution(one.fact.party, addressee)]
    return render("receipt.html", told=theirs, **shown)


def _read(visit: VisitDep, typed: TypedDep, code: str) -> dict[str, Any]:
    with visit.reading() as work:
        frame, now = frames.of(work, typed), work.now()
        asked = (work.connection, work.actor, now, code, frame.as_of, frame.known_on)
        moments = shipments.moments_of(frame)
        shipment = api_shipments.shown(parcels.read(*asked), moments, now)
        nest = api_shipments.packing_list(parcels.packing_list(*asked), moments, now)
        facts = shipments.facts_told(work, frame, now, shipment)
        seen = shipments.seen_of(work, nest.contents)
    return {"frame": frame, "shipment": shipment, "nest": nest, "facts": facts, "seen": seen}
