"""Loggers and sensors, how their tables are read, and the checks of their clocks."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Response

from shipsvc.app import documents, sources
from shipsvc.web import source_schemas as schemas
from shipsvc.web.cursors import AskedDep
from shipsvc.web.deps import ClaimsDep, ServiceDep, Work, reading, unit_of_work
from shipsvc.web.document_answers import ADDED, CHANGED, LISTED, SHOWN, Face, added, changed, listed, shown
from shipsvc.web.etags import IfMatch
from shipsvc.web.openapi import REPLAYED_HEADER, problems
from shipsvc.web.replays import Made, RequestKeyDep, once
from shipsvc.web.schemas import DocumentCode, MomentsDep

router = APIRouter(prefix="/v1", tags=["readings"])
Source = Annotated[DocumentCode, Path(examples=["LG-101"])]
Layout = Annotated[DocumentCode, Path(examples=["PLAIN"])]
TOLD: Any = {201: {"headers": REPLAYED_HEADER}} | problems(404, 409)


def _source(row: Mapping[str, Any], at: datetime) -> dict[str, Any]:
    return schemas.source_fields(row, sources.lapsed(row, at))


SOURCE = Face(sources.SOURCE, schemas.source_content, _source, keeper=sources)
LAYOUT = Face(sources.LAYOUT, schemas.layout_content, lambda row, _at: schemas.layout_fields(row))


@router.get("/sources", operation_id="list_sources", summary="Loggers and sensors", responses=LISTED)
def list_sources(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.SourcePage:
    """Those of one's own institutions, of those that have an item of one's own collections, and those that one's own
    institutions may read out."""
    page = listed(service, claims, SOURCE, asked, moments, response)
    return schemas.SourcePage(items=[schemas.SourceShown(**row) for row in page.rows], next=page.next)


@router.get("/sources/{code}", operation_id="show_source", summary="A logger or sensor", responses=SHOWN)
def show_source(
    service: ServiceDep, claims: ClaimsDep, code: Source, moments: MomentsDep, response: Response
) -> schemas.SourceShown:
    """What it measures, how often, where it hangs if it is a sensor, and whether its calibration is over."""
    return schemas.SourceShown(**shown(service, claims, SOURCE, code, moments, response))


@router.post(
    "/sources",
    operation_id="add_source",
    summary="Add a logger or sensor",
    status_code=201,
    response_model=schemas.SourceShown,
    responses=ADDED,
)
def add_source(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.SourceNew) -> Response:
    """For administrators, and for curators and registrars of the institution. Facts of the kinds `logger_placed` and
    `logger_removed` name a logger by this code; a sensor hangs in its place."""
    return added(service, claims, SOURCE, key, body, schemas.SourceShown)


@router.put("/sources/{code}", operation_id="change_source", summary="Change a logger or sensor", responses=CHANGED)
def change_source(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Source,
    body: schemas.SourceChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.SourceShown:
    """A new version, mostly after a calibration, or where a sensor was hung elsewhere."""
    return schemas.SourceShown(**changed(service, claims, SOURCE, code, if_match, body, response))


@router.get("/layouts", operation_id="list_layouts", summary="Layouts of tables", responses=LISTED)
def list_layouts(
    service: ServiceDep, claims: ClaimsDep, asked: AskedDep, moments: MomentsDep, response: Response
) -> schemas.LayoutPage:
    """How tables of readings are read, as one's own institutions wrote it down."""
    page = listed(service, claims, LAYOUT, asked, moments, response)
    return schemas.LayoutPage(items=[schemas.LayoutShown(**row) for row in page.rows], next=page.next)


@router.get("/layouts/{code}", operation_id="show_layout", summary="A layout of tables", responses=SHOWN)
def show_layout(
    service: ServiceDep, claims: ClaimsDep, code: Layout, moments: MomentsDep, response: Response
) -> schemas.LayoutShown:
    """Which column is what, and how its times and figures are written."""
    return schemas.LayoutShown(**shown(service, claims, LAYOUT, code, moments, response))


@router.post(
    "/layouts",
    operation_id="add_layout",
    summary="Add a layout of tables",
    status_code=201,
    response_model=schemas.LayoutShown,
    responses=ADDED,
)
def add_layout(service: ServiceDep, claims: ClaimsDep, key: RequestKeyDep, body: schemas.LayoutNew) -> Response:
    """For administrators, and for curators and registrars of the institution.
    `POST /v1/sources/{code}/readings/preview` guesses one from a file."""
    return added(service, claims, LAYOUT, key, body, schemas.LayoutShown)


@router.put("/layouts/{code}", operation_id="change_layout", summary="Change a layout of tables", responses=CHANGED)
def change_layout(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Layout,
    body: schemas.LayoutChange,
    response: Response,
    if_match: IfMatch = None,
) -> schemas.LayoutShown:
    """A new version. Uploads keep the layout that they were read by."""
    return schemas.LayoutShown(**changed(service, claims, LAYOUT, code, if_match, body, response))


@router.get(
    "/sources/{code}/clock-checks", operation_id="show_clock", summary="How its clock stood", responses=problems(404)
)
def show_clock(service: ServiceDep, claims: ClaimsDep, code: Source, moments: MomentsDep) -> schemas.ClockOut:
    """The checks in force, by what was told by `known_on`, and how they set times right. What the logger wrote is kept
    as it wrote it."""
    with reading(service, claims) as work:
        when = documents.asked(moments.as_of, moments.known_on, work.now())
        found = sources.clock(work.connection, work.actor, code, when)
    return schemas.ClockOut(
        checks=[schemas.check_out(one) for one in found.checks],
        corrections=[schemas.correction_out(run, fix) for run, fix in sorted(found.corrections.items())],
    )


@router.post(
    "/sources/{code}/clock-checks",
    operation_id="check_clock",
    summary="Tell how its clock stood",
    status_code=201,
    response_model=schemas.CheckOut,
    responses=TOLD,
)
def check_clock(
    service: ServiceDep, claims: ClaimsDep, code: Source, key: RequestKeyDep, body: schemas.CheckNew
) -> Response:
    """At the read-out, and better at the start too: one check gives an offset, two a drift as well. For whoever may
    send what the source recorded."""

    def _make(work: Work) -> Made:
        shown = sources.check_clock(work.connection, work.actor, work.now(), code, dict(body))
        return Made(201, schemas.check_out(shown))

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))


@router.post(
    "/sources/{code}/clock-checks/{check}/amend",
    operation_id="amend_clock_check",
    summary="Set a clock check right",
    status_code=201,
    response_model=schemas.CheckOut,
    responses=TOLD,
)
def amend_clock_check(
    service: ServiceDep,
    claims: ClaimsDep,
    code: Source,
    check: Annotated[schemas.CheckId, Path(examples=[schemas.EXAMPLE_CHECK])],
    key: RequestKeyDep,
    body: schemas.CheckAmending,
) -> Response:
    """A later word in the place of the first, which stays readable as known before; no reading is rewritten."""
    said = {name: value for name, value in dict(body).items() if value is not None and name != "expected"}

    def _make(work: Work) -> Made:
        shown = sources.amend_check(work.connection, work.actor, work.now(), code, check, body.expected, said)
        return Made(201, schemas.check_out(shown))

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: _make(work))
