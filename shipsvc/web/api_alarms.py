"""What wants looking at now, what a table would be read as, and how long the cold will last."""

from datetime import timedelta
from typing import Annotated, Any, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.concurrency import run_in_threadpool

from shipsvc.app import alarms, documents, parcels, previews
from shipsvc.domain import endurance as cold
from shipsvc.domain import errors, layouts
from shipsvc.web import alarm_schemas as schemas
from shipsvc.web.api_readings import AskedLayout, Source
from shipsvc.web.api_reports import PageDep, Report, answer, responses_of
from shipsvc.web.api_shipments import Code
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, reading
from shipsvc.web.openapi import problems
from shipsvc.web.reading_schemas import EXAMPLE_TABLE, BadLine
from shipsvc.web.schemas import MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1")
ALARMS = Report("alarms", alarms.alarms, 4, schemas.AlarmRow, schemas.AlarmsReport)
Grams = Annotated[float, Query(ge=1, le=1e6)]
_BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": False,
        "description": "The beginning of a table: some hundred lines are enough.",
        "content": {"text/csv": {"schema": {}, "example": EXAMPLE_TABLE}},
    }
}


@router.get(
    "/reports/alarms",
    operation_id="report_alarms",
    tags=["reports"],
    summary="What wants looking at now",
    response_model=schemas.AlarmsReport,
    responses=responses_of(ALARMS, schemas.ALARM),
)
def list_alarms(service: ServiceDep, claims: ClaimsDep, page: PageDep, moments: MomentsDep, response: Response) -> Any:
    """Places beyond the limits of their profile within the last day, by their sensors; sensors that are silent for
    longer than their gap; shipments without word."""
    return answer(service, claims, ALARMS, page, moments, response)


@router.post(
    "/sources/{code}/readings/preview",
    operation_id="preview_readings",
    tags=["readings"],
    summary="What a table would be read as",
    openapi_extra=_BODY,
    responses=problems(404, 413),
)
async def preview_readings(
    service: ServiceDep, claims: ClaimsDep, code: Source, request: Request, layout: AskedLayout = None
) -> schemas.PreviewOut:
    """Reads the beginning of a table by a layout, or by one that it guesses from it, and stores nothing. What the guess
    leaves open is listed; the layout can be kept by `POST /v1/layouts`."""
    body = await request.body()
    return await run_in_threadpool(_preview, service, claims, code, body, layout)


def _preview(service: Service, claims: Claims, code: str, body: bytes, layout: str | None) -> schemas.PreviewOut:
    with reading(service, claims) as work:
        found = previews.preview(work.connection, work.actor, work.now(), code, body, layout)
    return schemas.PreviewOut(
        layout=layouts.written(found.layout) if found.layout else None,  # type: ignore[arg-type]  # pydantic reads it
        headings=list(found.headings),
        unsure=list(found.unsure),
        rows=[schemas.SampleRow(at=at, values=values) for at, values in found.rows],  # type: ignore[arg-type]  # as above
        bad=[BadLine(line=one.line, why=one.why) for one in found.bad],
    )


@router.get(
    "/shipments/{code}/cold-endurance",
    operation_id="show_cold_endurance",
    tags=["shipments"],
    summary="Will it stay cold?",
    responses=problems(404, 409),
)
def show_cold_endurance(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Code,
    moments: MomentsDep,
    load_g: Annotated[Grams, Query(description="Dry ice in the box, in g", examples=[20_000])],
    loss_g_per_day: Annotated[Grams, Query(description="What it loses in a day, in g, by weighing", examples=[2_500])],
) -> schemas.EnduranceOut:
    """The load over its rate of loss, against the time from `as_of` to when the shipment is expected. To be asked
    before it leaves, with the hold of an authority in mind."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = parcels.read(work.connection, work.actor, now, code, when.as_of, moments.known_on)
    expected_by = found.row["expected_by"]
    if expected_by is None:
        raise errors.RuleForbids(why="this shipment has no expected_by yet. Change it to say when it is to arrive.")
    ends = cold.endurance(load_g, loss_g_per_day, max(timedelta(), expected_by - when.as_of))
    return schemas.EnduranceOut(
        shipment=code,
        planned_s=int((ends.counted_on - ends.margin).total_seconds()),
        lasts_s=int(ends.lasts.total_seconds()),
        counted_on_s=int(ends.counted_on.total_seconds()),
        margin_s=int(ends.margin.total_seconds()),
        is_enough=ends.is_enough,
        load_needed_g=ends.load_needed_g,
        caution=cold.CAUTION,
    )
