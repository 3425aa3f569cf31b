"""The readings of a source: thinned, to be drawn; or all of them, as a file."""

from collections.abc import Iterator
from contextlib import AbstractContextManager
from typing import Annotated, Any, Final

import sqlalchemy as sa
from fastapi import APIRouter, Header, Path, Query
from fastapi.responses import Response, StreamingResponse

from shipsvc.app import documents, series
from shipsvc.app.series import Asked, Series
from shipsvc.domain.times import format_instant
from shipsvc.web import csv_answers
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, reading, transaction
from shipsvc.web.openapi import problems
from shipsvc.web.schemas import DocumentCode, Instant, MomentsDep
from shipsvc.web.series_schemas import PointOut, ReadingsOut
from shipsvc.web.source_schemas import QuantityName

router = APIRouter(prefix="/v1", tags=["readings"])
Source = Annotated[DocumentCode, Path(examples=["LG-101"])]
Quantity = Annotated[
    QuantityName | None,
    Query(description="Of what; left out: the first that the source measures", examples=["temperature"]),
]
Begin = Annotated[
    Instant | None, Query(alias="from", description="From when on, by true time", examples=["2025-03-24T00:00:00Z"])
]
End = Annotated[Instant | None, Query(alias="to", description="Up to when", examples=["2025-04-02T00:00:00Z"])]
Points = Annotated[
    int | None,
    Query(
        ge=2,
        le=20_000,
        description="How many points at most; each pair is the lowest and the highest of its stretch. Left out: 1000, "
        "and in CSV all readings",
        examples=[200],
    ),
]
DEFAULT_POINTS: Final = 1000
COLUMNS: Final = ("source", "quantity", "unit", "at", "value")
ANSWERS: Final[dict[int | str, dict[str, Any]]] = {
    200: {
        "content": {
            csv_answers.MEDIA_TYPE: {
                "schema": {"type": "string"},
                "example": "source,quantity,unit,at,value\r\nLG-101,temperature,Cel,2025-03-24T11:10:00Z,-58.2\r\n",
            }
        }
    },
    **problems(404),
}


@router.get(
    "/sources/{code}/readings",
    operation_id="show_readings",
    summary="What it recorded",
    response_model=ReadingsOut,
    responses=ANSWERS,
)
def show_readings(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Source,
    moments: MomentsDep,
    quantity: Quantity = None,
    begin: Begin = None,
    end: End = None,
    points: Points = None,
    accept: Annotated[str | None, Header(description="`text/csv` for a file", examples=["application/json"])] = None,
) -> Any:
    """Values in the canonical unit (UCUM), times set right by the clock checks known on `known_on`. Thinned so that no
    extreme is lost; limits are for whoever draws them. With `Accept: text/csv` all readings as a file."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = series.find(work.connection, work.actor, code, Asked(quantity, begin, end), when)
        as_csv = csv_answers.is_asked(accept)
        if not as_csv or points is not None:
            drawn = series.drawn(work.connection, found, (points or DEFAULT_POINTS) // 2)
    if as_csv:
        pieces = iter([list(drawn.points)]) if points is not None else series.pieces(_transactions(service), found)
        headers = csv_answers.file_headers(code, "csv", format_instant(when.as_of), csv_answers.CONTENT_TYPE)
        return StreamingResponse(_lines(found, pieces), headers=headers)
    return _answer(found, drawn, documents.is_provisional(moments.known_on, now))


def _transactions(service: Service) -> Any:
    def _begin() -> AbstractContextManager[sa.Connection]:
        return transaction(service, writes=False)

    return _begin


def _lines(found: Series, pieces: Iterator[list[tuple[Any, float]]]) -> Iterator[str]:
    yield ",".join(COLUMNS) + "\r\n"
    begin = f"{found.source['code']},{found.quantity},{found.unit}"
    for piece in pieces:
        yield "".join(f"{begin},{format_instant(at)},{value!r}\r\n" for at, value in piece)


def _answer(found: Series, drawn: series.Drawn, provisional: bool) -> Response:
    shown = ReadingsOut(
        source=found.source["code"],
        quantity=found.quantity,  # type: ignore[arg-type]  # of the closed list
        unit=found.unit,
        from_at=found.begin,
        to_at=found.end,
        readings=drawn.readings,
        points=[PointOut(at=at, value=value) for at, value in drawn.points],
        calibration_lapsed=found.lapsed,
        provisional=provisional,
    )
    return Response(shown.model_dump_json(), media_type="application/json", headers={"Vary": "Accept"})
