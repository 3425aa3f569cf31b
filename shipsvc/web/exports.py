"""The exports themselves, for HTTP and for the command line: what a row is, how pages are read and lines are written.

Each page is read in a transaction of its own, so that a slow reader holds none and memory does not grow with the file.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from pydantic import BaseModel

from shipsvc.app import cases, documents, exports, exports_custody, items, loans, parcels, report_pages, reports_record
from shipsvc.app.exports_custody import Leg
from shipsvc.app.facts import Wording
from shipsvc.app.loan_lines import Line
from shipsvc.app.loans import Loan
from shipsvc.app.parcels import Parcel, Shipment
from shipsvc.domain import codes
from shipsvc.store.engine import Row
from shipsvc.web import cases_shown, csv_answers, items_shown
from shipsvc.web.answered import of_moment
from shipsvc.web.case_schemas import CaseRow
from shipsvc.web.deps import Work
from shipsvc.web.export_schemas import FactRow, LegRow, LoanLineOut, MoveRow, ShipmentRow
from shipsvc.web.item_schemas import ItemRow
from shipsvc.web.loan_schemas import LineShown
from shipsvc.web.report_schemas import Discrepancy
from shipsvc.web.schemas import Moments

PAGE: Final = 200
#: A loan has up to 500 lines, a shipment as many parcels.
LOAN_PAGE: Final = 10
Found = TypeVar("Found")
MOVE_KEY: Final = ("item", "event_id", "line")
#: A page of rows, and where to go on (None: nowhere).
Page = tuple[Sequence[BaseModel], str | None]
Read = Callable[[Work, documents.When, str], Page]
#: A reading transaction for whom the file is.
WorkOf = Callable[[], AbstractContextManager[Work]]


@dataclass(frozen=True)
class Export:
    """One file: its name, the shape of a row, and how a page is read from behind a key on."""

    name: str
    shape: type[BaseModel]
    read: Read


@dataclass(frozen=True)
class Begun:
    """An export of which the first page is read: from here on nothing is refused any more."""

    export: Export
    said: dict[str, Any]
    pages: Iterator[Sequence[BaseModel]]

    def lines(self, *, as_csv: bool) -> Iterator[str]:
        """The file in pieces, one a page; every row ends with the moments that it is about."""
        told = csv_answers.moments(self.said["as_of"], self.said["known_on"], self.said["provisional"])
        if as_csv:
            return csv_answers.lines(list(self.export.shape.model_fields), told, self.pages)
        return json_lines({**told, "provisional": self.said["provisional"]}, self.pages)


def begun(export: Export, work_of: WorkOf, moments: Moments) -> Begun:
    """Read the first page of an export for whom ``work_of`` is."""
    with work_of() as work:
        now = work.now()
        # Known on now, not on whatever is recorded while the file is read.
        when = documents.When(moments.as_of or now, min(moments.known_on or now, now))
        first = export.read(work, when, "")
    return Begun(export, of_moment(moments, now), _pages(export, work_of, when, first))


def _pages(export: Export, work_of: WorkOf, when: documents.When, page: Page) -> Iterator[Sequence[BaseModel]]:
    while True:
        rows, after = page
        yield rows
        if after is None:
            return
        with work_of() as work:
            page = export.read(work, when, after)


def json_lines(said: dict[str, Any], pages: Iterable[Sequence[BaseModel]]) -> Iterator[str]:
    """One JSON text a line, of each row with what is said of all."""
    for page in pages:
        yield "".join(f"{_text({**row.model_dump(mode='json'), **said})}\n" for row in page)


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


# ---------------------------------------------------------------------------------------------------------------- pages
def _items(work: Work, when: documents.When, after: str) -> Page:
    sought = items.sought(None)
    rows = items.page(work.connection, work.actor, sought, when, work.now(), after=after, limit=PAGE)
    return [items_shown.in_list(row) for row in rows], _last(rows, PAGE, lambda row: str(row["number"]))


def _loans(work: Work, when: documents.When, after: str) -> Page:
    found = loans.page(work.connection, work.actor, work.now(), when, after=after, limit=LOAN_PAGE)
    rows = [_loan_line(loan, line) for loan in found for line in loan.lines]
    return rows, _last(found, LOAN_PAGE, lambda loan: str(loan.row["code"]))


def _facts(work: Work, when: documents.When, after: str) -> Page:
    found = exports.fact_page(work.connection, work.actor, when, work.now(), after=after, limit=PAGE)
    return [fact_row(one.row, one.wording) for one in found.facts], found.after


def _shipments(work: Work, when: documents.When, after: str) -> Page:
    found = parcels.page(work.connection, work.actor, work.now(), when, after=after, limit=LOAN_PAGE)
    rows = [_parcel(shipment, parcel) for shipment in found for parcel in _parcels(shipment)]
    return rows, _last(found, LOAN_PAGE, lambda shipment: str(shipment.row["code"]))


def _handovers(work: Work, when: documents.When, after: str) -> Page:
    legs, behind = exports_custody.page(work.connection, work.actor, when, work.now(), after=after, limit=PAGE)
    return [_leg(leg) for leg in legs], behind


def _comparisons(work: Work, when: documents.When, after: str) -> Page:
    asked = report_pages.asked(when.as_of, when.known_on, work.now()).pinned
    behind = tuple(json.loads(after)) if after else None
    found = reports_record.mass_discrepancies(work.connection, work.actor, asked, behind, PAGE, verdict="all")
    rows = [Discrepancy(**entry.fields) for entry in found]
    return rows, _last(found, PAGE, lambda entry: json.dumps(entry.key))


def _moves(work: Work, when: documents.When, after: str) -> Page:
    behind = tuple(json.loads(after)) if after else None
    found = exports.moves(work.connection, work.actor, when, after=behind, limit=PAGE)
    return [_move(row) for row in found], _last(found, PAGE, lambda row: json.dumps([row[name] for name in MOVE_KEY]))


def _cases(work: Work, when: documents.When, after: str) -> Page:
    found = cases.page(work.connection, work.actor, work.now(), when, after=after, limit=LOAN_PAGE)
    return [cases_shown.row(one) for one in found], _last(found, LOAN_PAGE, lambda case: str(case.row["code"]))


def _last(rows: Sequence[Found], limit: int, key: Callable[[Found], str]) -> str | None:
    return key(rows[-1]) if len(rows) == limit else None


# ----------------------------------------------------------------------------------------------------------------- rows
def _loan_line(loan: Loan, line: Line) -> LoanLineOut:
    told: Row = {name: getattr(line, name) for name in LineShown.model_fields if name not in {"number", "state"}}
    own = ("lender", "borrower", "responsible", "purpose", "signed_at", "closed_at")
    of_loan: Row = {name: loan.row[name] for name in own}
    return LoanLineOut(
        number=codes.display(line.item),
        state=line.state.value,
        loan=loan.row["code"],
        loan_state=loan.state,  # type: ignore[arg-type]  # one of the literals
        agreed_due_on=loan.row["due_on"],
        **told,
        **of_loan,
    )


def fact_row(row: Row, said: Wording) -> FactRow:
    """A fact as a row, in the words that its reader may have."""
    as_stored = ("id", "acting_for", "recorded_at", "amends", "note")
    as_said = ("kind", "happened_at", "happened_latest", "time_raw", "time_source")
    members: Row = {name: row[name] for name in as_stored} | {name: getattr(said, name) for name in as_said}
    return FactRow(subjects=list(said.subjects), by=row["actor"], body=dict(said.body), **members)


def _parcels(shipment: Shipment) -> Sequence[Parcel | None]:
    """A shipment that holds nothing is there all the same."""
    return shipment.parcels or [None]


def _parcel(shipment: Shipment, parcel: Parcel | None) -> ShipmentRow:
    row: Row = shipment.row
    route = ("consignor", "addressee", "carrier", "expected_by", "handling", "turned_at")
    members = ("kind", "form", "what", "state", "confirmed_at", "claimed", "handover")
    held: Row = parcel.row if parcel else dict.fromkeys((*members, "certain"))
    return ShipmentRow(
        shipment=row["code"],
        loan=row["loan"] if shipment.whole else None,
        why=row["why"] if shipment.whole else "",
        overdue=shipment.overdue,
        number=codes.display(held["number"]) if parcel else None,
        holder=held["certain"],
        **{name: row[name] for name in route},
        **{name: held[name] for name in members},
    )


def _move(row: Row) -> MoveRow:
    told: Row = {name: row[name] for name in ("event_id", "line", "happened_at", "from_account", "to_account")}
    named: Row = {name: codes.display(row[name]) if row[name] else None for name in ("from_item", "to_item")}
    return MoveRow(number=codes.display(row["item"]), **told, **named, mass_mg=items_shown.mass_mg(row["mass_ng"]))


def _leg(leg: Leg) -> LegRow:
    members = ("state", "certain", "claimed", "since", "until", "event_id")
    return LegRow(number=codes.display(leg.number), **{name: getattr(leg, name) for name in members})


#: All of them, by their names.
EXPORTS: Final = {
    one.name: one
    for one in (
        Export("items", ItemRow, _items),
        Export("loans", LoanLineOut, _loans),
        Export("facts", FactRow, _facts),
        Export("shipments", ShipmentRow, _shipments),
        Export("handovers", LegRow, _handovers),
        Export("comparisons", Discrepancy, _comparisons),
        Export("cases", CaseRow, _cases),
        Export("moves", MoveRow, _moves),
    )
}
