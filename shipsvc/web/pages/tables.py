"""The reports as tables: which of a report's columns a page shows, under which heading, and written how."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, Literal

from pydantic import BaseModel

from shipsvc.app import desk, reports
from shipsvc.app.access import Actor
from shipsvc.web import api_reports
from shipsvc.web.alarm_schemas import AlarmRow
from shipsvc.web.api_reports import Report
from shipsvc.web.pages import clearing
from shipsvc.web.pages.clearing import Act
from shipsvc.web.report_schemas import OutstandingLine, Reported, ToldLate

Kind = Literal[
    "item",
    "items",
    "shipment",
    "loan",
    "party",
    "word",
    "words",
    "instant",
    "day",
    "days",
    "length",
    "mass",
    "u",
    "flag",
    "number",
    "fact",
    "case",
    "source",
    "act",
]


@dataclass(frozen=True)
class Column:
    """One column: its heading, the member of a row that it shows, and how that is written."""

    heading: str
    name: str
    kind: Kind = "words"


def told(columns: Sequence[Column], rows: Sequence[Mapping[str, Any]]) -> list[Column]:
    """The columns in which at least one row says something; nothing of nothing is left out."""
    return [column for column in columns if any(row[column.name] not in _NOTHING for row in rows)]


_NOTHING: Final[tuple[Any, ...]] = (None, False, 0, "0", "", [])


@dataclass(frozen=True)
class Table:
    """A report as a page: the question it answers, its columns, and what to say and do where it has no row.

    ``act`` is the one action that clears a row.
    """

    report: Report
    question: str
    columns: Sequence[Column]
    empty: str
    act: str = ""
    #: What the report is asked for beside the moments.
    asked: Mapping[str, Any] = field(default_factory=dict)
    #: What clears one row, by who reads it; and the member by which the desk puts the oldest first.
    clears: Callable[[Mapping[str, Any], Actor], Act | None] | None = None
    age: str = ""

    @property
    def path(self) -> str:
        """Its address."""
        return f"/reports/{self.report.name}"


_ITEM: Final = (Column("Item", "item", "item"), Column("What", "what"))
_HELD: Final = (Column("With", "certain", "party"), Column("Said to be with", "claimed", "party"))
_DUE: Final = (Column("Loan", "loan", "loan"), Column("Owed by", "owed_by", "party"), Column("Due", "due_on", "day"))


class CaseLine(BaseModel):
    """A case that nobody has decided, as a row of a file."""

    code: str
    kind: str
    what: str
    state: str
    owner: str
    items: list[str]
    found_at: datetime
    decide_by: datetime
    overdue: bool


UNDECIDED: Final = Table(
    Report("undecided-cases", desk.undecided_cases, 2, CaseLine, Reported),
    "Cases that nobody has decided",
    (
        Column("Case", "code", "case"),
        Column("Kind", "kind", "word"),
        Column("What", "what"),
        Column("About", "items", "items"),
        Column("State", "state", "word"),
        Column("Decide by", "decide_by", "instant"),
        Column("Late", "overdue", "flag"),
    ),
    "No case waits to be decided.",
    "Decide what becomes of it, with the reason.",
    clears=clearing.of_case,
)
ALARMS: Final = Table(
    Report("sensor-alarms", desk.sensor_alarms, 4, AlarmRow, Reported),
    "Places beyond their limits, and sensors that are silent",
    (
        Column("What", "kind", "word"),
        Column("Sensor", "about", "source"),
        Column("Place", "place"),
        Column("Of", "quantity", "word"),
        Column("Furthest", "peak", "days"),
        Column("Since", "since", "instant"),
        Column("Until", "until", "instant"),
    ),
    "Every place is within its limits, and every sensor speaks.",
    "Look at what was read, then at the place; what lies there may have to be moved.",
    clears=clearing.of_alarm,
    age="since",
)
DUE_SOON: Final = Table(
    Report("due-soon", reports.due_soon, 2, OutstandingLine, Reported),
    "What is due within 60 days",
    (*_ITEM, *_DUE, Column("Days left", "days_left", "days"), *_HELD),
    "Nothing is due within 60 days.",
    "Remind the borrower, or extend the loan before the day.",
    clears=clearing.of_loan,
)
LATE_LATELY: Final = Table(
    Report("told-late-lately", desk.told_late_lately, 2, ToldLate, Reported),
    "What was told late in the last two weeks",
    (
        Column("About", "about", "items"),
        Column("What", "kind", "word"),
        Column("Happened", "happened_at", "instant"),
        Column("Told", "recorded_at", "instant"),
        Column("So late", "late_s", "length"),
        Column("For", "acting_for", "party"),
    ),
    "Nothing was told late in the last two weeks.",
    "Read it: what was answered before it was told may have been wrong.",
    clears=clearing.of_late,
)
TABLES: Final = (
    Table(
        api_reports.OVERDUE,
        "What is overdue",
        (
            *_ITEM,
            *_DUE,
            Column("Days late", "days_overdue", "days"),
            Column("Days without a due date", "uncovered_days", "days"),
            *_HELD,
        ),
        "Nothing is overdue.",
        "Ask the borrower, extend the loan, or recall it.",
        clears=clearing.of_loan,
        age="due_on",
    ),
    Table(
        api_reports.HANDOVERS,
        "Handovers that one side has still to speak to",
        (
            *_ITEM,
            Column("State", "state", "word"),
            *_HELD,
            Column("Since", "since", "instant"),
            Column("Whom to ask", "ask", "words"),
        ),
        "Every handover has both of its words.",
        "Have the side that is silent tell its word.",
        clears=clearing.of_handover,
        age="since",
    ),
    Table(
        api_reports.SILENT,
        "Shipments without word",
        (
            Column("Shipment", "shipment", "shipment"),
            Column("From", "consignor", "party"),
            Column("To", "addressee", "party"),
            Column("Expected by", "expected_by", "instant"),
            Column("Silent since", "silent_since", "instant"),
        ),
        "No shipment is late without word.",
        "Call the courier and the addressee.",
        clears=clearing.of_shipment,
        age="silent_since",
    ),
    Table(
        api_reports.DISCREPANCIES,
        "Masses that do not agree with the book",
        (
            *_ITEM,
            Column("Weighed", "happened_at", "instant"),
            Column("Book", "book_mg", "mass"),
            Column("Found", "observed_mg", "mass"),
            Column("Difference", "difference_mg", "mass"),
            Column("u", "u_mg", "u"),
            Column("Verdict", "verdict", "word"),
            Column("Beside it", "marks", "words"),
            Column("Dried again", "re_dried_verdict", "word"),
        ),
        "All weighings agree with the book, or were settled.",
        "Weigh it again dry, or post the weighing with a reason.",
        {"settled": False},
        clears=clearing.of_mass,
        age="happened_at",
    ),
    Table(
        api_reports.UNCONFIRMED,
        "What a second person has still to confirm",
        (
            Column("About", "about", "items"),
            Column("What", "event_id", "fact"),
            Column("Why", "why"),
            Column("Told for", "acting_for", "party"),
            Column("Since", "recorded_at", "instant"),
        ),
        "Nothing waits for a second person.",
        "Somebody else, not the custodian, looks at it and confirms it.",
        clears=clearing.of_waiting,
        age="recorded_at",
    ),
    Table(
        api_reports.ONE_DEVICE,
        "Handovers of which one device told both sides",
        (
            Column("About", "about", "items"),
            Column("From", "acting_for", "party"),
            Column("Signed for", "party", "party"),
            Column("How", "how", "word"),
            Column("Answers what was handed over", "counts", "flag"),
            Column("When", "happened_at", "instant"),
        ),
        "No handover was signed on the giver's device.",
        "Ask the side that signed whether it did.",
    ),
    Table(
        api_reports.TOLD_LATE,
        "What was told late",
        (
            Column("About", "about", "items"),
            Column("What", "kind", "word"),
            Column("Happened", "happened_at", "instant"),
            Column("Told", "recorded_at", "instant"),
            Column("So late", "late_s", "length"),
            Column("For", "acting_for", "party"),
        ),
        "Everything was told in time.",
    ),
    Table(
        api_reports.OUTSTANDING,
        "What is out on loan",
        (
            *_ITEM,
            *_DUE,
            Column("Days left", "days_left", "days"),
            *_HELD,
            Column("Place", "place"),
            Column("Out, at least", "at_least_s", "length"),
            Column("at most", "at_most_s", "length"),
        ),
        "Nothing is out on loan.",
    ),
    Table(
        api_reports.TIME_OUT,
        "How long samples were out of storage",
        (
            *_ITEM,
            Column("At least", "at_least_s", "length"),
            Column("At most", "at_most_s", "length"),
            Column("Longest, at least", "longest_at_least_s", "length"),
            Column("at most", "longest_at_most_s", "length"),
            Column("Before accession", "before_accession_s", "length"),
            Column("Profile", "profile"),
            Column("Budgets", "state", "word"),
            Column("With", "certain", "party"),
        ),
        "There is no sample to tell of.",
    ),
)
HOLDINGS: Final = Table(
    api_reports.HOLDINGS,
    "What an institution holds",
    (
        *_ITEM,
        Column("Held", "held", "word"),
        Column("Since", "since", "instant"),
        Column("Place", "place"),
        Column("Status", "status", "word"),
        Column("In", "inside", "item"),
        Column("Mass", "mass_mg", "mass"),
        *_DUE,
    ),
    "It holds nothing that is yours to see.",
)
#: What the first page asks about, by danger: what may be lost or spoilt, what is missing, what is late, what is not
#: certain yet, and what is to come.
URGENT: Final = (
    UNDECIDED,
    ALARMS,
    *(
        table
        for name in ("silent-shipments", "open-handovers", "mass-discrepancies", "overdue", "unconfirmed")
        for table in TABLES
        if table.report.name == name
    ),
    LATE_LATELY,
    DUE_SOON,
)
#: Of these the API has no report.
OF_PAGES: Final = (UNDECIDED, ALARMS, LATE_LATELY, DUE_SOON)
#: What it leads to besides.
OTHERS: Final = (*(table for table in TABLES if table not in URGENT), HOLDINGS)
#: By the last part of the address.
BY_NAME: Final = {table.report.name: table for table in (*TABLES, HOLDINGS, *URGENT)}
