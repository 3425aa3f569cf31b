"""The reports, each as JSON by pages or, where Accept says text/csv, as one file with all rows."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Header, Path, Query, Response
from pydantic import BaseModel
from starlette.requests import Request

from shipsvc.app import report_pages, reports, reports_custody, reports_record
from shipsvc.app.report_pages import Entry, Key
from shipsvc.domain import codes
from shipsvc.web import csv_answers, cursors
from shipsvc.web import report_examples as examples
from shipsvc.web import report_schemas as schemas
from shipsvc.web.api_items import PRINTABLE
from shipsvc.web.body_texts import ItemNumber
from shipsvc.web.cursors import CURSOR_CHARACTERS_MAX, Asked
from shipsvc.web.deps import ClaimsDep, Service, ServiceDep, reading
from shipsvc.web.openapi import LINK, problems
from shipsvc.web.schemas import WHOLE_MAX, DocumentCode, Instant, InstitutionCode, Moments, MomentsDep
from shipsvc.web.tokens import Claims

router = APIRouter(prefix="/v1", tags=["reports"])
LIMIT_DEFAULT: Final = 100
LIMIT_MAX: Final = 500
Read = Callable[..., list[Entry]]
Institution = Annotated[InstitutionCode | None, Query()]
Code = Annotated[DocumentCode | None, Query()]
Family = Annotated[
    str | None,
    Query(
        max_length=200,
        pattern=PRINTABLE,
        description="A sample: it and all that was made of it",
        examples=["BRM-0010-J"],
    ),
]


async def _asked(
    request: Request,
    limit: Annotated[
        int,
        Query(ge=1, le=LIMIT_MAX, description="How many to answer at most; CSV has all", examples=[LIMIT_DEFAULT]),
    ] = LIMIT_DEFAULT,
    cursor: Annotated[
        str | None,
        Query(
            max_length=CURSOR_CHARACTERS_MAX,
            pattern=r"^[A-Za-z0-9_-]+$",
            description='Where to go on: "next" of the page before. Opaque; leave it out for the first page.',
        ),
    ] = None,
    accept: Annotated[
        str | None, Header(description="`text/csv` for a file with all rows", examples=["text/csv"])
    ] = None,
) -> tuple[Asked, bool]:
    return Asked(limit, cursor, request), csv_answers.is_asked(accept)


PageDep = Annotated[tuple[Asked, bool], Depends(_asked)]


@dataclass(frozen=True)
class Report:
    """One report: its name, how it is read, how many texts make its key, the shape of its rows and of its answer."""

    name: str
    read: Read
    key_parts: int
    row: type[BaseModel]
    shape: type[schemas.Reported]


OUTSTANDING = Report("outstanding-loans", reports.outstanding, 1, schemas.OutstandingLine, schemas.OutstandingReport)
OVERDUE = Report("overdue", reports.overdue, 2, schemas.OverdueLine, schemas.OverdueReport)
HOLDINGS = Report("holdings", reports.holdings, 1, schemas.Holding, schemas.HoldingsReport)
HANDOVERS = Report(
    "open-handovers", reports_custody.open_handovers, 1, schemas.OpenHandover, schemas.OpenHandoversReport
)
SILENT = Report(
    "silent-shipments", reports_custody.silent_shipments, 1, schemas.SilentShipment, schemas.SilentShipmentsReport
)
TIME_OUT = Report("time-out", reports.time_out, 1, schemas.TimeOutRow, schemas.TimeOutReport)
DISCREPANCIES = Report(
    "mass-discrepancies", reports_record.mass_discrepancies, 3, schemas.Discrepancy, schemas.DiscrepanciesReport
)
TOLD_LATE = Report("told-late", reports_record.told_late, 2, schemas.ToldLate, schemas.ToldLateReport)
UNCONFIRMED = Report("unconfirmed", reports_record.unconfirmed, 2, schemas.Unconfirmed, schemas.UnconfirmedReport)
ONE_DEVICE = Report("one-device", reports_record.one_device, 2, schemas.OneDevice, schemas.OneDeviceReport)


def responses_of(report: Report, row: dict[str, Any]) -> Any:
    """What the description says of a report's answers, with a row as an example of the CSV."""
    shown = [[report.row.model_validate(row)]]
    sample = "".join(csv_answers.lines(list(report.row.model_fields), {**examples.AT, "provisional": "true"}, shown))
    text = {"schema": {"type": "string"}, "example": sample}
    return {200: {"headers": LINK, "content": {"text/csv": text}}}


def answer(
    service: Service,
    claims: Claims,
    report: Report,
    page: tuple[Asked, bool],
    moments: Moments,
    response: Response,
    **filters: Any,
) -> Any:
    """A page of a report as JSON, or all of it as CSV; ``filters`` go to what reads it."""
    asked, as_csv = page
    key = asked.after(report.name, *[str] * report.key_parts)
    after: Key | None = tuple(map(str, key)) if key else None
    limit = LIMIT_MAX if as_csv else asked.limit
    with reading(service, claims) as work:
        when = report_pages.asked(moments.as_of, moments.known_on, work.now())
        found = report.read(work.connection, work.actor, when, after, limit + 1, **filters)
    if as_csv:
        going_on = partial(_next_page, service, claims, report, when.pinned, filters)
        said = csv_answers.moments(when.as_of, when.known_on, when.provisional)
        return csv_answers.answer(report.name, report.row, said, _pages(report, found, going_on))
    cut = cursors.cut(found, limit, report.name, lambda entry: entry.key)
    cursors.link(response, asked, cut)
    response.headers["Vary"] = "Accept"
    told = {"as_of": when.as_of, "known_on": when.known_on, "provisional": when.provisional}
    return report.shape.model_validate({**told, "next": cut.next, "items": _rows(report, cut.rows)})


def _rows(report: Report, found: Sequence[Entry]) -> list[BaseModel]:
    return [report.row(**entry.fields) for entry in found]


def _pages(
    report: Report, found: Sequence[Entry], going_on: Callable[[Key], Sequence[Entry]]
) -> Iterator[Sequence[BaseModel]]:
    """The first page and those behind it, each read in a transaction of its own, so that a slow reader holds none."""
    while True:
        yield _rows(report, found[:LIMIT_MAX])
        if len(found) <= LIMIT_MAX:
            return
        found = going_on(found[LIMIT_MAX - 1].key)


def _next_page(
    service: Service,
    claims: Claims,
    report: Report,
    when: report_pages.Asked,
    filters: dict[str, Any],
    after: Key,
) -> Sequence[Entry]:
    with reading(service, claims) as work:
        return report.read(work.connection, work.actor, when, after, LIMIT_MAX + 1, **filters)


@router.get(
    "/reports/outstanding-loans",
    operation_id="report_outstanding_loans",
    summary="What is out on loan",
    response_model=schemas.OutstandingReport,
    responses=responses_of(OUTSTANDING, examples.OUTSTANDING),
)
def outstanding_loans(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    borrower: Institution = None,
    lender: Institution = None,
    loan: Code = None,
) -> Any:
    """With whom, since when, where, when due, how long out of storage. Lender and borrower see their own lines."""
    filters = {"borrower": borrower, "lender": lender, "loan": loan}
    return answer(service, claims, OUTSTANDING, page, moments, response, **filters)


@router.get(
    "/reports/overdue",
    operation_id="report_overdue",
    summary="What is overdue",
    response_model=schemas.OverdueReport,
    responses=responses_of(OVERDUE, examples.OVERDUE),
)
def overdue(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    borrower: Institution = None,
    lender: Institution = None,
    loan: Code = None,
) -> Any:
    """Lines past the end of their due day in the zone of the loan; what fell due last comes first.

    `uncovered_days` stay when a later due date is granted.
    """
    filters = {"borrower": borrower, "lender": lender, "loan": loan}
    return answer(service, claims, OVERDUE, page, moments, response, **filters)


@router.get(
    "/reports/holdings",
    operation_id="report_holdings",
    summary="What an institution holds",
    response_model=schemas.HoldingsReport,
    responses=responses_of(HOLDINGS, examples.HOLDING),
)
def holdings(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    institution: Annotated[InstitutionCode, Query(description="Its desks are counted with it")],
) -> Any:
    """Certainly, or as one side says. Of another institution one sees what one owns, lends or owes."""
    return answer(service, claims, HOLDINGS, page, moments, response, institution=institution)


@router.get(
    "/reports/open-handovers",
    operation_id="report_open_handovers",
    summary="Handovers that somebody has still to speak to",
    response_model=schemas.OpenHandoversReport,
    responses=responses_of(HANDOVERS, examples.OPEN_HANDOVER),
)
def open_handovers(
    service: ServiceDep, claims: ClaimsDep, page: PageDep, moments: MomentsDep, response: Response
) -> Any:
    """Who certainly has it, who is said to, which side is silent since when, by which fact; a parcel as one row."""
    return answer(service, claims, HANDOVERS, page, moments, response)


@router.get(
    "/reports/silent-shipments",
    operation_id="report_silent_shipments",
    summary="Shipments of which nothing is heard",
    response_model=schemas.SilentShipmentsReport,
    responses=responses_of(SILENT, examples.SILENT_SHIPMENT),
)
def silent_shipments(
    service: ServiceDep, claims: ClaimsDep, page: PageDep, moments: MomentsDep, response: Response
) -> Any:
    """Not arrived, and not a word since a day after they were expected. A hold is a word."""
    return answer(service, claims, SILENT, page, moments, response)


@router.get(
    "/reports/time-out",
    operation_id="report_time_out",
    summary="Time out of storage",
    response_model=schemas.TimeOutReport,
    responses=responses_of(TIME_OUT, examples.TIME_OUT),
)
def time_out(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    owner: Institution = None,
    holder: Institution = None,
    place: Code = None,
    family: Family = None,
) -> Any:
    """Of each sample over its whole life, its parents' share included: at least (proven) and at most, and how its
    budgets stand."""
    filters = {"owner": owner, "holder": holder, "place": place, "family": family}
    return answer(service, claims, TIME_OUT, page, moments, response, **filters)


@router.get(
    "/reports/mass-discrepancies",
    operation_id="report_mass_discrepancies",
    summary="Weighings that do not agree with the book",
    response_model=schemas.DiscrepanciesReport,
    responses=responses_of(DISCREPANCIES, examples.DISCREPANCY),
)
def mass_discrepancies(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    verdict: Annotated[
        schemas.VerdictAsked | None, Query(description="One verdict, or `all`; left out: all but `agrees`")
    ] = None,
    settled: Annotated[
        bool | None, Query(description="Only those after which a decision set the book, or only the others")
    ] = None,
) -> Any:
    """Difference, uncertainty, ratio and verdict of each, with the weighing, its balance and the book."""
    return answer(service, claims, DISCREPANCIES, page, moments, response, verdict=verdict, settled=settled)


@router.get(
    "/reports/told-late",
    operation_id="report_told_late",
    summary="What was told late",
    response_model=schemas.ToldLateReport,
    responses=responses_of(TOLD_LATE, examples.TOLD_LATE),
)
def told_late(
    service: ServiceDep,
    claims: ClaimsDep,
    page: PageDep,
    moments: MomentsDep,
    response: Response,
    after_s: Annotated[
        int | None,
        Query(
            ge=0,
            le=WHOLE_MAX,
            description="Later than so many seconds; left out: what the collection sets, else a day",
            examples=[86_400],
        ),
    ] = None,
) -> Any:
    """Facts, decisions, institutions and roles, the last told first. An amendment counts by its effective time."""
    return answer(service, claims, TOLD_LATE, page, moments, response, after_s=after_s)


@router.get(
    "/reports/unconfirmed",
    operation_id="report_unconfirmed",
    summary="What a second person has still to confirm",
    response_model=schemas.UnconfirmedReport,
    responses=responses_of(UNCONFIRMED, examples.UNCONFIRMED),
)
def unconfirmed(service: ServiceDep, claims: ClaimsDep, page: PageDep, moments: MomentsDep, response: Response) -> Any:
    """Amendments of an identity, or of a mass by more than 3 u, and voids of labels in use: told by one person. Another
    one, not the custodian of the things, confirms them with a fact of kind `confirmed` under their own sign-in."""
    return answer(service, claims, UNCONFIRMED, page, moments, response)


@router.get(
    "/reports/one-device",
    operation_id="report_one_device",
    summary="Handovers of which one device told both sides",
    response_model=schemas.OneDeviceReport,
    responses=responses_of(ONE_DEVICE, examples.ONE_DEVICE),
)
def one_device(service: ServiceDep, claims: ClaimsDep, page: PageDep, moments: MomentsDep, response: Response) -> Any:
    """The taker signed on the giver's device: their own word, but there was one device and one sign-in. For those who
    told it, who own the things, and in whose name it was signed."""
    return answer(service, claims, ONE_DEVICE, page, moments, response)


@router.get(
    "/items/{number}/one-sided",
    operation_id="one_sided",
    summary="Stretches of an item's custody that one side alone told of",
    responses=problems(404),
)
def one_sided(
    service: ServiceDep,
    claims: ClaimsDep,
    number: Annotated[ItemNumber, Path()],
    moments: MomentsDep,
    from_: Annotated[Instant | None, Query(alias="from", description="Not before this moment")] = None,
    to: Annotated[Instant | None, Query(description="Not from this moment on; `as_of` at the latest")] = None,
) -> schemas.OneSidedReport:
    """Each with its length, and who certainly had it and was said to have it."""
    with reading(service, claims) as work:
        when = report_pages.asked(moments.as_of, moments.known_on, work.now())
        found = reports_custody.one_sided(work.connection, work.actor, when, number, from_, to)
    stretches = [
        schemas.OneSidedStretch(
            since=one.since,
            until=one.until,
            duration_s=report_pages.seconds(one.length),
            state=one.state,
            certain=one.certain,
            claimed=one.claimed,
            event_id=one.event_id,
        )
        for one in found
    ]
    return schemas.OneSidedReport(
        item=codes.display(number),
        as_of=when.as_of,
        known_on=when.known_on,
        provisional=when.provisional,
        total_s=sum(one.duration_s for one in stretches),
        stretches=stretches,
    )
