"""What samples were exposed to: in a window, on a shipment, beyond a threshold, in bad air; what a file changed."""

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from fastapi.openapi.models import Example

from shipsvc.app import beyond, changes, conditions, documents, excursions, incidents, items, trip_conditions
from shipsvc.domain import codes, errors
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.web import condition_schemas as schemas
from shipsvc.web import conditions_shown
from shipsvc.web.answered import of_moment
from shipsvc.web.api_items import Typed
from shipsvc.web.api_reports import PageDep, Report, answer, responses_of
from shipsvc.web.api_shipments import Code
from shipsvc.web.deps import ClaimsDep, ServiceDep, reading
from shipsvc.web.openapi import problems
from shipsvc.web.schemas import DocumentCode, Instant, MomentsDep

router = APIRouter(prefix="/v1")
INCIDENT = Report("place-incident", incidents.incident, 1, schemas.IncidentRow, schemas.IncidentReport)
EXCURSIONS = Report("excursions", excursions.excursions, 3, schemas.ExcursionRow, schemas.ExcursionsReport)
CHANGES = Report("exposure-changes", changes.exposure_changes, 1, schemas.ChangeRow, schemas.ChangesReport)
Since = Annotated[Instant | None, Query(description="The beginning of the window; a week before its end, if left out")]
Threshold = Annotated[float | None, Query(ge=-1e9, le=1e9, description="In the unit of the quantity", examples=[-15])]


def shown(value: str) -> dict[str, Example]:
    """An example of a time that has to be given: those of its type are not the parameter's."""
    return {"one": {"value": value}}


@router.get(
    "/items/{number}/conditions",
    operation_id="show_conditions",
    tags=["items"],
    summary="What it was exposed to",
    responses=problems(404),
)
def show_conditions(
    service: ServiceDep,
    claims: ClaimsDep,
    number: Typed,
    moments: MomentsDep,
    since: Since = None,
    measure: Annotated[
        bool, Query(description="Also the mean kinetic temperature and the frost point, which open every reading")
    ] = False,
) -> schemas.ConditionsShown:
    """The bar from proven in to proven out, and what each logger and sensor around it said, whether it counts or not;
    of the window from `since` to `as_of`. Of samples of others, the time during which you had to do with them."""
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = items.find(work.connection, work.actor, number)
        items.require_state(work.connection, work.actor, found, when.as_of)
        begin = since or when.as_of - timedelta(days=7)
        if begin >= when.as_of:
            raise errors.Malformed(why="a window begins before it ends", pointer="/since")
        told = conditions.of_samples(work.connection, work.actor, [found.number], when, begin, measure=measure)
    shown = conditions_shown.of_sample(found.number, told[found.number])
    return schemas.ConditionsShown(**shown, **of_moment(moments, now))


@router.get(
    "/items/{number}/time-beyond",
    operation_id="show_time_beyond",
    tags=["items"],
    summary="Its time beyond a threshold",
    responses=problems(404),
)
def show_time_beyond(
    service: ServiceDep,
    claims: ClaimsDep,
    number: Typed,
    moments: MomentsDep,
    quantity: Annotated[schemas.QuantityName, Query(description="What is measured", examples=["temperature"])],
    above: Threshold = None,
    below: Threshold = None,
) -> schemas.TimeBeyond:
    """Since the beginning and whatever its profile was, its parents' share included: read to be beyond, and at most
    also all the time that nothing read the quantity. Say `above`, `below` or both."""
    if above is None and below is None:
        raise errors.Malformed(why="say above or below which value", pointer="/above")
    with reading(service, claims) as work:
        now = work.now()
        when = documents.asked(moments.as_of, moments.known_on, now)
        found = items.find(work.connection, work.actor, number)
        items.require_state(work.connection, work.actor, found, when.as_of)
        out = beyond.beyond(work.connection, [found.number], when, quantity, above, below)[found.number]
    return schemas.TimeBeyond(
        number=codes.display(found.number),
        quantity=quantity,
        unit=QUANTITIES[quantity],
        above=above,
        below=below,
        at_least_s=out.at_least // timedelta(seconds=1),
        at_most_s=-(-out.at_most // timedelta(seconds=1)),
        longest_at_least_s=out.longest_at_least // timedelta(seconds=1),
        **of_moment(moments, now),
    )


@router.get(
    "/shipments/{code}/conditions",
    operation_id="show_shipment_conditions",
    tags=["shipments"],
    summary="Did it stay cold and dry?",
    responses=problems(404),
)
def show_shipment_conditions(
    service: ServiceDep, claims: ClaimsDep, code: Code, moments: MomentsDep
) -> schemas.ShipmentConditions:
    """Each sample from when it was packed to when it arrived, or to now. A carrier is told of no sample."""
    with reading(service, claims) as work:
        now = work.now()
        trip = trip_conditions.of_shipment(work.connection, work.actor, now, code, moments.as_of, moments.known_on)
    samples = [conditions_shown.conditions(number, found) for number, found in trip.samples.items()]
    return schemas.ShipmentConditions(code=code, samples=samples, **of_moment(moments, now))


@router.get(
    "/reports/place-incident",
    operation_id="report_place_incident",
    tags=["reports"],
    summary="Who was in that cabinet",
    response_model=schemas.IncidentReport,
    responses=responses_of(INCIDENT, schemas.INCIDENT),
)
def place_incident(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    place: Annotated[DocumentCode, Query(description="The storage place", examples=["TRP-GB1"])],
    since: Annotated[Instant, Query(description="When it began", openapi_examples=shown("2025-06-08T02:00:00Z"))],
    until: Annotated[Instant, Query(description="When it ended", openapi_examples=shown("2025-06-08T03:30:00Z"))],
) -> Any:
    """The samples that were in store in a place between two moments: in something closed or not, exposed or not by
    what was read there, and what was made of them since."""
    if since >= until:
        raise errors.Malformed(why="a window begins before it ends", pointer="/since")
    filters = {"place": place, "since": since, "until": until}
    return answer(service, claims, INCIDENT, page, moments, response, **filters)


@router.get(
    "/reports/excursions",
    operation_id="report_excursions",
    tags=["reports"],
    summary="Excursions of a source",
    response_model=schemas.ExcursionsReport,
    responses=responses_of(EXCURSIONS, schemas.EXCURSION_ROW) | problems(404),
)
def list_excursions(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    source: Annotated[DocumentCode, Query(description="The logger or sensor", examples=["LG-101"])],
    profile: Annotated[DocumentCode, Query(description="The storage profile", examples=["N"])],
    since: Annotated[Instant | None, Query(description="From when on; from the beginning, if left out")] = None,
) -> Any:
    """Where its readings lay beyond the limits of a profile, up to `as_of`: start, end, peak, area, and whether it
    counts. Of its own readings, wherever it was."""
    filters = {"source": source, "profile": profile, "since": since}
    return answer(service, claims, EXCURSIONS, page, moments, response, **filters)


@router.get(
    "/reports/exposure-changes",
    operation_id="report_exposure_changes",
    tags=["reports"],
    summary="What a late file changed",
    response_model=schemas.ChangesReport,
    responses=responses_of(CHANGES, schemas.CHANGE),
)
def exposure_changes(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    source: Annotated[DocumentCode, Query(description="The logger or sensor", examples=["LG-101"])],
    before: Annotated[
        Instant,
        Query(description="The moment before which it was not known", openapi_examples=shown("2025-04-01T01:00:00Z")),
    ],
) -> Any:
    """Every sample that a source was ever around, and what was made of those: time out as known before a file, an
    amended clock or a mended placement was told, and as known now."""
    return answer(service, claims, CHANGES, page, moments, response, source=source, before=before)
