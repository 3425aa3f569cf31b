"""Shipments: write down, show, change, fill, turn round; what is coming; what is packed in what."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Response

from shipsvc.app import documents, parcels, shipments
from shipsvc.app.decisions import Decision
from shipsvc.app.parcels import Packed, PackingList, Parcel, Shipment
from shipsvc.app.shipments import Route
from shipsvc.domain import codes
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.web import cursors
from shipsvc.web.answered import of_moment
from shipsvc.web.cursors import AskedDep
from shipsvc.web.decisions import attempted, decided, new_id
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.etags import IfMatch, etag, versions
from shipsvc.web.openapi import CREATED, ETAG, LINK, REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKeyDep
from shipsvc.web.schemas import InstitutionCode, Moments, MomentsDep
from shipsvc.web.shipment_schemas import (
    ArrivingPage,
    ArrivingShown,
    ContentsNew,
    LastWord,
    PackedShown,
    PackingListShown,
    ParcelShown,
    ParcelState,
    RouteChange,
    RouteContent,
    SealShown,
    ShipmentCode,
    ShipmentNew,
    ShipmentPage,
    ShipmentShown,
    TurnRound,
)

router = APIRouter(prefix="/v1", tags=["shipments"])
Code = Annotated[ShipmentCode, Path(description="The code of the shipment", examples=["T-01"])]
Of = Annotated[InstitutionCode | None, Query()]
NOW = Moments(None, None)
LISTED: Any = {200: {"headers": LINK}}
SHOWN: Any = {200: {"headers": ETAG}} | problems(404)
ADDED: Any = {201: {"headers": CREATED}} | problems(404, 409)
CHANGED: Any = {200: {"headers": ETAG}} | problems(404, 412, 428)
DECIDED: Any = {200: {"headers": ETAG | REPLAYED_HEADER}} | problems(404, 409)


@router.get("/shipments", operation_id="list_shipments", summary="Shipments", responses=LISTED)
def list_shipments(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    moments: MomentsDep,
    response: Response,
    consignor: Of = None,
    addressee: Of = None,
    state: Annotated[ParcelState | None, Query(description="Only those with a parcel in this state")] = None,
) -> ShipmentPage:
    """Shipments that one's own institutions send, are sent, carry, lend or own something in; all, for auditors."""
    after = asked.after("shipment", str)
    with reading(service, claims) as work:
        now = work.now()
        found = parcels.page(
            work.connection,
            work.actor,
            now,
            documents.asked(moments.as_of, moments.known_on, now),
            consignor=consignor,
            addressee=addressee,
            state=state,
            after=str(after[0]) if after else "",
            limit=asked.limit + 1,
        )
    page = cursors.cut(found, asked.limit, "shipment", lambda one: (one.row["code"],))
    cursors.link(response, asked, page)
    return ShipmentPage(items=[shown(one, moments, now) for one in page.rows], next=page.next)


@router.get("/shipments/{code}", operation_id="show_shipment", summary="A shipment and its parcels", responses=SHOWN)
def show_shipment(
    service: ServiceDep, claims: ClaimsDep, code: Code, moments: MomentsDep, response: Response
) -> ShipmentShown:
    """How far each thing in it has come, by the facts about that thing, and the last of them."""
    with reading(service, claims) as work:
        now = work.now()
        found = parcels.read(work.connection, work.actor, now, code, moments.as_of, moments.known_on)
    response.headers["ETag"] = etag(found.row["version"])
    return shown(found, moments, now)


@router.post(
    "/shipments",
    operation_id="add_shipment",
    summary="Write down a shipment",
    status_code=201,
    response_model=ShipmentShown,
    responses=ADDED,
)
def add_shipment(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: ShipmentNew) -> Response:
    """For clerks, curators, registrars and responsible persons of the consignor; before it leaves, or after."""

    def _make(work: Work) -> Made:
        code = shipments.create(
            work.connection,
            work.actor,
            work.now,
            code=body.code,
            consignor=body.consignor,
            route=_route(body),
            contents=body.contents,
            loan=body.loan,
            why=body.why,
        )
        return _made(work, code, 201)

    return decided(service, claims, key, body, _make)


@router.put("/shipments/{code}", operation_id="change_shipment", summary="Change a shipment", responses=CHANGED)
def change_shipment(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Code,
    body: RouteChange,
    response: Response,
    if_match: IfMatch = None,
) -> ShipmentShown:
    """A new version: another addressee, carrier or day, from now on."""
    follows = versions(if_match)

    def _act() -> tuple[Shipment, datetime]:
        with unit_of_work(service, claims) as work:
            shipments.change(work.connection, work.actor, work.now, code, follows, _route(body), body.because)
            return _after(work, code)

    found, now = attempted(_act)
    response.headers["ETag"] = etag(found.row["version"])
    return shown(found, NOW, now)


@router.post(
    "/shipments/{code}/contents",
    operation_id="fill_shipment",
    summary="Add to a shipment",
    response_model=ShipmentShown,
    responses=DECIDED,
)
def fill_shipment(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: ContentsNew
) -> Response:
    """For clerks, curators, registrars and responsible persons of the consignor."""

    def _make(work: Work) -> Made:
        shipments.add(work.connection, work.actor, work.now, code, body.contents, body.because)
        return _made(work, code, 200)

    return decided(service, claims, key, body, _make)


@router.post(
    "/shipments/{code}/turn-round",
    operation_id="turn_shipment_round",
    summary="Turn a shipment round",
    response_model=ShipmentShown,
    responses=DECIDED,
)
def turn_shipment_round(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, code: Code, body: TurnRound
) -> Response:
    """For curators of the consignor and for the carrier: from that moment on the consignor is the addressee."""

    def _make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.turned_at)
        shipments.turn_round(work.connection, work.actor, work.now, code, body.acting_for, decision)
        return _made(work, code, 200)

    return decided(service, claims, key, body, _make)


@router.get(
    "/shipments/{code}/packing-list",
    operation_id="show_packing_list",
    summary="What is packed in what",
    responses=SHOWN,
)
def show_packing_list(
    service: ServiceDep, claims: ClaimsDep, code: Code, moments: MomentsDep, response: Response
) -> PackingListShown:
    """As it was when it left, with the seals told so far. A carrier sees the parcels, not what is in them."""
    with reading(service, claims) as work:
        now = work.now()
        found = parcels.packing_list(work.connection, work.actor, now, code, moments.as_of, moments.known_on)
    response.headers["ETag"] = etag(found.row["version"])
    return packing_list(found, moments, now)


def packing_list(found: PackingList, moments: Moments, now: datetime) -> PackingListShown:
    """What is in what, as it is answered, here and on pages."""
    names = {*PackingListShown.model_fields} & found.row.keys()
    return PackingListShown(
        **{name: found.row[name] for name in names},
        packed_at=found.packed_at,
        contents=[packed(one) for one in found.contents],
        **of_moment(moments, now),
    )


@router.get("/arriving", operation_id="list_arriving", summary="What is coming", responses=LISTED | problems(403))
def list_arriving(
    service: ServiceDep,
    claims: ClaimsDep,
    asked: AskedDep,
    moments: MomentsDep,
    response: Response,
    institution: Annotated[InstitutionCode, Query(description="The addressee, or whose desk is", examples=["TSI"])],
) -> ArrivingPage:
    """Shipments to the institution that it has not confirmed wholly, the first expected in front, with what is packed
    in them. For people of the institution, and auditors."""
    key = asked.after("arriving", str, str)
    with reading(service, claims) as work:
        now = work.now()
        found = parcels.arriving(
            work.connection,
            work.actor,
            now,
            documents.asked(moments.as_of, moments.known_on, now),
            institution,
            after=(parse_instant(str(key[0])), str(key[1])) if key else None,
            limit=asked.limit + 1,
        )
    page = cursors.cut(found, asked.limit, "arriving", lambda one: key_of(one[0]))
    cursors.link(response, asked, page)
    return ArrivingPage(items=[arriving(one, moments, now) for one in page.rows], next=page.next)


def arriving(one: tuple[Shipment, Sequence[Packed], str], moments: Moments, now: datetime) -> ArrivingShown:
    """A shipment that is coming as it is answered, here and on pages."""
    found, nest, answers = one
    return ArrivingShown(**_fields(found, moments, now), answers=answers, packed=[packed(thing) for thing in nest])


def key_of(shipment: Shipment) -> tuple[str, str]:
    """Where it stands among those that are coming, as a cursor holds it."""
    expected_by, code = parcels.place_of(shipment)
    return format_instant(expected_by), code


def _route(body: RouteContent) -> Route:
    return Route(addressee=body.addressee, carrier=body.carrier, expected_by=body.expected_by, handling=body.handling)


def _after(work: Work, code: str) -> tuple[Shipment, datetime]:
    now = work.now()
    return parcels.read(work.connection, work.actor, now, code, None, None), now


def _made(work: Work, code: str, status: int) -> Made:
    found, now = _after(work, code)
    location = {"Location": f"/v1/shipments/{code}"} if status == 201 else {}
    return Made(status, shown(found, NOW, now), {**location, "ETag": etag(found.row["version"])})


def shown(shipment: Shipment, moments: Moments, now: datetime) -> ShipmentShown:
    """A shipment as it is answered, here and on pages."""
    return ShipmentShown(**_fields(shipment, moments, now))


def _fields(shipment: Shipment, moments: Moments, now: datetime) -> dict[str, Any]:
    hidden: dict[str, Any] = {} if shipment.whole else {"loan": None, "why": ""}
    return {
        **shipment.row,
        **hidden,
        "overdue": shipment.overdue,
        "contents": [_parcel(parcel) for parcel in shipment.parcels],
        **of_moment(moments, now),
    }


def _parcel(parcel: Parcel) -> ParcelShown:
    row = parcel.row
    last = {name: parcel.last[name] for name in LastWord.model_fields} if parcel.last else None
    return ParcelShown(
        number=codes.display(row["number"]),
        **{name: row[name] for name in ("kind", "form", "what", "state", "confirmed_at", "claimed", "handover")},
        holder=row["certain"],
        last=LastWord(**last) if last else None,
    )


def packed(thing: Packed) -> PackedShown:
    """A thing and all that is in it, as it is answered."""
    row = thing.row
    return PackedShown(
        number=codes.display(row["number"]),
        **{name: row[name] for name in ("kind", "form", "what")},
        mass_mg=None if row["mass_ng"] is None else Mass(row["mass_ng"]).digits("mg"),
        seals=[SealShown(**{name: getattr(seal, name) for name in SealShown.model_fields}) for seal in thing.seals],
        contents=[packed(inner) for inner in thing.contents],
    )
