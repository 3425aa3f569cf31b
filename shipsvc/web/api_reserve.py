"""The reserve of a collection: what belongs to it, how much may still be approved, what pending requests would cost."""

from collections.abc import Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Header, Query, Response
from fastapi.responses import StreamingResponse
from pydantic import BaseModel

from shipsvc.app import report_pages, request_effects, requests, reserve, reserve_marks
from shipsvc.app.decisions import Decision
from shipsvc.app.report_pages import Asked
from shipsvc.app.request_effects import Effect
from shipsvc.app.reserve import Headroom, Reserve
from shipsvc.domain import codes
from shipsvc.domain.mass import Mass
from shipsvc.web import csv_answers
from shipsvc.web import report_examples as examples
from shipsvc.web import request_schemas as schemas
from shipsvc.web.api_items import POSTED, PRINTABLE, Typed
from shipsvc.web.decisions import decided, new_id
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading
from shipsvc.web.items_shown import mass_mg as mass_mg_of
from shipsvc.web.openapi import problems
from shipsvc.web.replays import Made, RequestKeyDep
from shipsvc.web.schemas import DocumentCode, MomentsDep, PositiveMassText

router = APIRouter(prefix="/v1")
OfCollection = Annotated[DocumentCode, Query(description="Of which collection", examples=["BRAITHMOSS"])]


_MOMENTS: Final = ("as_of", "known_on", "provisional")
#: The columns of the files: each row ends with the moments by itself.
HEADROOM: Final = [name for name in schemas.HeadroomShown.model_fields if name not in {*_MOMENTS, "promises"}]
EFFECT: Final = list(schemas.EffectShown.model_fields)


async def _as_csv(
    accept: Annotated[
        str | None, Header(description="`text/csv` for a file with one row each", examples=["text/csv"])
    ] = None,
) -> bool:
    return csv_answers.is_asked(accept)


AsCsvDep = Annotated[bool, Depends(_as_csv)]


def _responses(shape: type[BaseModel], columns: list[str]) -> Any:
    row = shape.model_validate(shape.model_json_schema()["examples"][0])
    text = "".join(csv_answers.lines(columns, {**examples.AT, "provisional": "true"}, [[row]]))
    content = {csv_answers.MEDIA_TYPE: {"schema": {"type": "string"}, "example": text}}
    return {200: {"content": content}} | problems(404)


def _file(name: str, columns: list[str], when: Asked, rows: Sequence[BaseModel]) -> StreamingResponse:
    said = csv_answers.moments(when.as_of, when.known_on, when.provisional)
    headers = csv_answers.file_headers(name, "csv", said["as_of"], csv_answers.CONTENT_TYPE)
    return StreamingResponse(csv_answers.lines(columns, said, [rows]), headers=headers)


@router.post(
    "/items/{number}/reserve",
    operation_id="set_reserve",
    summary="Put it into the reserve, or take it out",
    status_code=201,
    response_model=schemas.ReserveSet,
    responses=POSTED,
    tags=["items"],
)
def set_reserve(
    service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, number: Typed, body: schemas.ReserveSetting
) -> Response:
    """For curators of its owner. Into the reserve at once; out of it once another person tells `confirmed` of the
    event; and where less would be left than must stay, only if it says `over_floor`."""

    def make(work: Work) -> Made:
        decision = Decision(new_id(work.now()), body.because, body.decided_at)
        how = {"into": body.reserve, "over_floor": body.over_floor}
        found = reserve_marks.set_reserve(work.connection, work.actor, work.now, number, decision, **how)
        shown = schemas.ReserveSet(
            event_id=decision.id,
            number=codes.display(found.number),
            reserve=found.reserve,
            decided_at=found.at,
            recorded_at=found.recorded_at,
            unconfirmed=not found.reserve,
        )
        return Made(201, shown)

    return decided(service, claims, key, body, make)


@router.get(
    "/reports/headroom",
    operation_id="report_headroom",
    summary="Can so much be approved?",
    response_model=schemas.HeadroomShown,
    responses=_responses(schemas.HeadroomShown, HEADROOM),
    tags=["reports"],
)
def headroom(
    service: ServiceDep,
    claims: ClaimsDep,
    moments: MomentsDep,
    as_csv: AsCsvDep,
    response: Response,
    collection: OfCollection,
    sample: Annotated[
        str | None,
        Query(
            max_length=200, pattern=PRINTABLE, description="Of which sample, such as BRM-0003-H; left out: the reserve"
        ),
    ] = None,
    mass_mg: Annotated[PositiveMassText | None, Query(description="How much, in mg", examples=["16000"])] = None,
) -> Any:
    """Yes or no, the most that can be, and what that is reckoned from. For the people of the owner."""
    asked_ng = None if mass_mg is None else Mass.parse(f"{mass_mg} mg").ng
    with reading(service, claims) as work:
        when = report_pages.asked(moments.as_of, moments.known_on, work.now())
        found = reserve.headroom(work.connection, work.actor, when, collection, sample, asked_ng)
        rows = requests.institutions_of(work.connection, found.reserve.promises)
    shown = schemas.HeadroomShown(
        **_standing(found.reserve, when),
        sample=codes.display(found.sample) if found.sample else None,
        **_stock(found),
        asked_mg=_mg(asked_ng),
        allowed=found.allowed,
        largest_mg=mass_mg_of(found.largest_ng),
        promises=_promises(found.reserve, rows),
    )
    response.headers["Vary"] = "Accept"
    return _file("headroom", HEADROOM, when, [shown]) if as_csv else shown


@router.get(
    "/reports/request-effects",
    operation_id="report_request_effects",
    summary="What approving the pending requests would leave",
    response_model=schemas.EffectsShown,
    responses=_responses(schemas.EffectShown, EFFECT),
    tags=["reports"],
)
def request_effects_(
    service: ServiceDep,
    claims: ClaimsDep,
    moments: MomentsDep,
    as_csv: AsCsvDep,
    response: Response,
    collection: OfCollection,
) -> Any:
    """One after another in the order in which they were asked. For the people of the owner."""
    with reading(service, claims) as work:
        when = report_pages.asked(moments.as_of, moments.known_on, work.now())
        standing, found = request_effects.effects(work.connection, work.actor, when, collection)
    effects = [_effect(one) for one in found]
    response.headers["Vary"] = "Accept"
    if as_csv:
        return _file("request-effects", EFFECT, when, effects)
    return schemas.EffectsShown(**_standing(standing, when), effects=effects)


def _standing(found: Reserve, when: Asked) -> dict[str, Any]:
    standing = found.standing
    return {
        "as_of": when.as_of,
        "known_on": when.known_on,
        "provisional": when.provisional,
        "collection": found.collection["code"],
        "accession_mg": mass_mg_of(standing.accession_ng),
        "floor_ppm": standing.floor_ppm,
        "floor_mg": mass_mg_of(standing.floor_ng),
        "reserve_mg": mass_mg_of(standing.reserve_ng),
        "promised_mg": mass_mg_of(standing.promised_ng),
        "headroom_mg": mass_mg_of(standing.headroom_ng),
        "below_floor": standing.is_below_floor,
    }


def _stock(found: Headroom) -> dict[str, Any]:
    stock = found.stock
    return {
        "of_reserve": stock.reserve if stock else None,
        "sample_mg": _mg(stock.mass_ng) if stock else None,
        "sample_promised_mg": _mg(stock.promised_ng) if stock else None,
    }


def _promises(found: Reserve, institutions: dict[str, str]) -> list[schemas.OpenPromise]:
    return [
        schemas.OpenPromise(
            request=row["request"],
            line=row["line"],
            institution=institutions[row["request"]],
            sample=codes.display(row["sample"]),
            mass_mg=_mg(row["mass_ng"]),
            of_reserve=row["sample"] in found.samples,
            since=row["valid_from"],
            expires_at=row["expires_at"],
        )
        for row in found.promises
    ]


def _effect(one: Effect) -> schemas.EffectShown:
    row = one.request.row
    return schemas.EffectShown(
        request=row["code"],
        institution=row["institution"],
        what=row["what"],
        samples=[codes.display(number) for number in one.request.samples],
        wanted_mg=_mg(one.wanted_ng),
        least_mg=_mg(one.least_ng),
        of_reserve=one.of_reserve,
        headroom_after_wanted_mg=mass_mg_of(one.after_wanted_ng),
        headroom_after_least_mg=mass_mg_of(one.after_least_ng),
        fits=not one.of_reserve or one.after_wanted_ng >= 0,
        competing=one.competing,
    )


def _mg(ng: int | None) -> str | None:
    return None if ng is None else mass_mg_of(ng)
