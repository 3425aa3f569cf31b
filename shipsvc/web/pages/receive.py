"""The checklist at the door: what a receiver looks at, as found first, and the facts that it becomes."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from shipsvc.app import labels, next_acts, parcels
from shipsvc.app.access import Actor
from shipsvc.app.told import Envelope
from shipsvc.domain import errors
from shipsvc.domain.facts import institution_of
from shipsvc.web import api_events, api_shipments
from shipsvc.web.decisions import new_id
from shipsvc.web.errors import Problem, problem_of
from shipsvc.web.pages import frames, telling
from shipsvc.web.pages.forms import Fields, FieldsDep, id_of, mass_typed
from shipsvc.web.pages.frames import NOW
from shipsvc.web.pages.rendering import render
from shipsvc.web.pages.session import VisitDep
from shipsvc.web.schemas import Moments
from shipsvc.web.shipment_schemas import PackedShown, ShipmentCode, ShipmentShown

router = APIRouter(include_in_schema=False)
Code = Annotated[ShipmentCode, Path()]
#: As a seal may be found; "" is what nobody looked at, of which nothing is told.
SEAL_STATES: Final = ("intact", "broken", "missing", "replaced")
WORDS_MAX = 400


@dataclass(frozen=True)
class Door:
    """What is to be received: the shipment, everything in it that has a seal, and every sample in it."""

    shipment: ShipmentShown
    sealed: Sequence[PackedShown]
    samples: Sequence[PackedShown]

    @property
    def parcels(self) -> list[str]:
        """The numbers of what travels by itself."""
        return [parcel.number for parcel in self.shipment.contents]


@router.get("/receive/{code}")
def checklist(
    visit: VisitDep, code: Code, told: Annotated[str, Query(max_length=4, pattern="^[0-9]*$")] = ""
) -> HTMLResponse:
    """The list, with nothing ticked: what nobody looked at is not told."""
    return _page(visit, code, {}, told=told)


@router.post("/receive/{code}")
def receive(visit: VisitDep, code: Code, fields: FieldsDep) -> Response:
    """All of it as facts, or nothing: what is wrong is said, and the list comes again as it was filled in. A list that
    a device kept goes out in the name of who filled it in, or not at all."""
    if fields.get("person", visit.claims.sub) != visit.claims.sub:
        raise errors.NotedByAnother
    with visit.reading() as work:
        zone = frames.of(work, NOW).zone
        door = _door(work, code)
    try:
        facts = [telling.checked(raw) for raw in facts_of(door, fields, zone)]
        if not facts:
            raise errors.Malformed(why="nothing is ticked or filled in yet")
        api_events.recorded(visit.service, visit.claims, Envelope(), facts, whole=True)
    except telling.Refused as refused:
        return _page(visit, code, fields, wrong=refused.problem)
    except errors.ShipsvcError as error:
        return _page(visit, code, fields, wrong=problem_of(error))
    return RedirectResponse(f"/receive/{code}?told={len(facts)}", 303)


# --------------------------------------------------------------------------------------------------------------- facts
def facts_of(door: Door, fields: Fields, zone: str) -> list[dict[str, Any]]:
    """The facts of a list that was filled in, as found first; their ids follow from that of the list, so that to send
    it twice is to say the same words again. NotATime."""
    time = {"raw": telling.instant_in(fields.get("when", ""), zone)}
    base: dict[str, Any] = {"time": time, "acting_for": fields.get("acting_for", "")}
    here = [number for number in door.parcels if f"here {number}" in fields]
    told = [*_as_found(door, fields, here), *_taken(door, fields, here), *_inside(door, fields, here)]
    return [{**base, "id": id_of(fields.get("id", ""), place), **one} for place, one in enumerate(told)]


def _fact(kind: str, subjects: Sequence[str], code: str, **body: Any) -> dict[str, Any]:
    said = {name.rstrip("_"): value for name, value in body.items() if value}
    return {"kind": kind, "subjects": list(subjects), "body": {**said, "shipment": code}}


def _as_found(door: Door, fields: Fields, here: Sequence[str]) -> Iterator[dict[str, Any]]:
    code = door.shipment.code
    parts = [
        fields.get("outer", "") and f"outer box {fields['outer']}",
        fields.get("outer words", "").strip(),
        f"{len(here)} of {len(door.parcels)} counted" if here else "",
        fields.get("labels", "") and f"labels {fields['labels']}",
        fields.get("condition", "").strip(),
    ]
    words = "; ".join(part for part in parts if part)
    if len(words) > WORDS_MAX:
        too_long = "what was found is longer than {most} characters; note the rest apart"
        raise errors.Malformed(why=errors.Text(too_long, most=WORDS_MAX))
    photos, of_seals = _photos(fields, "outer"), _photos(fields, "seals")
    if words and (here or door.parcels):
        yield _fact("condition_noted", here or door.parcels, code, words=words, files_sha256=photos)
        photos = []
    looked = False
    for thing in door.sealed:
        states = {seal.seal: fields.get(f"seal {thing.number} {seal.seal}", "") for seal in thing.seals}
        seals = [{"seal": seal, "state": state} for seal, state in states.items() if state]
        if seals:
            yield _fact("seal_checked", [thing.number], code, seals=seals, files_sha256=of_seals)
            photos = [one for one in photos if one not in of_seals]
            looked = True
    left = [*photos, *([] if looked else of_seals)]
    if left:
        yield _fact("photographed", here or door.parcels, code, files_sha256=left)


def _photos(fields: Fields, name: str) -> list[str]:
    """The hashes of photographs, which the script sent or keeps."""
    return fields.get(f"photos {name}", "").split()


def _taken(door: Door, fields: Fields, here: Sequence[str]) -> Iterator[dict[str, Any]]:
    if here:
        yield _fact("accepted", here, door.shipment.code, from_=fields.get("from", "").strip())


def _inside(door: Door, fields: Fields, here: Sequence[str]) -> Iterator[dict[str, Any]]:
    code = door.shipment.code
    if here and fields.get("opened") == "yes":
        yield _fact("opened", here, code)
    for sample in door.samples:
        mass = fields.get(f"mass {sample.number}", "").strip()
        if mass:
            balance = fields.get("balance", "").strip()
            yield _fact("weighed", [sample.number], code, mass=mass_typed(mass), balance=balance, dryness="as_found")
    if here and fields.get("place", "").strip():
        yield _fact("stored", here, code, place=fields["place"].strip())


# ---------------------------------------------------------------------------------------------------------------- page
def _door(work: Any, code: str) -> Door:
    now = work.now()
    asked = (work.connection, work.actor, now, code, None, None)
    shipment = api_shipments.shown(parcels.read(*asked), Moments(None, None), now)
    nest = api_shipments.packing_list(parcels.packing_list(*asked), Moments(None, None), now)
    things = [thing for top in nest.contents for thing in _all(top)]
    return Door(shipment, [one for one in things if one.seals], [one for one in things if one.kind == "sample"])


def _all(thing: PackedShown) -> Iterator[PackedShown]:
    yield thing
    for inner in thing.contents:
        yield from _all(inner)


def _speaks_for(actor: Actor, addressee: str) -> list[str]:
    """Those for whom they may accept, the addressee first."""
    able = [one for one in actor.institutions if next_acts.may_tell(actor, "accepted", one)]
    return sorted(able, key=lambda one: (one != institution_of(addressee), one))


def _page(visit: VisitDep, code: str, fields: Fields, *, told: str = "", wrong: Problem | None = None) -> HTMLResponse:
    with visit.reading() as work:
        frame, now = frames.of(work, NOW), work.now()
        door = _door(work, code)
        speaks = _speaks_for(work.actor, door.shipment.addressee)
        opens = any(next_acts.may_tell(work.actor, "opened", one) for one in speaks[:1])
    shown: dict[str, Any] = {
        "door": door,
        "shipment": door.shipment,
        "speaks": speaks,
        "opens": opens,
        "fields": fields,
        "states": SEAL_STATES,
        "told": told,
        "wrong": wrong,
        "person": visit.claims.sub,
        "now": now,
        "cautions": labels.cautions("dry_ice", "liquid_nitrogen"),
        "opening": labels.cautions("inert_gas", "pressure"),
        "when": fields.get("when") or telling.local(now, frame.zone),
        "new_id": fields.get("id") if wrong and wrong.status == 422 else new_id(now),
    }
    return render("receive.html", frame, status=wrong.status if wrong else 200, **shown)
