"""What loans look like in JSON."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field

from shipsvc.web.answered import MOMENT, VersionAt
from shipsvc.web.body_texts import ItemNumber
from shipsvc.web.document_schemas import Listing
from shipsvc.web.schemas import Count, Day, DocumentCode, Instant, InstitutionCode, Strict, Words, ZoneName, _whole

ReturnRule = Literal["received_by_lender", "handed_to_carrier"]
LoanState = Literal["running", "recalled", "being_returned", "closed"]
LineStateName = Literal[
    "promised", "sent", "held", "part_used", "returning", "returned", "used_up", "transferred", "lost_decided"
]
Months = Annotated[
    int,
    Field(ge=1, le=1200, description="Calendar months from the borrower's acceptance", examples=[18]),
    BeforeValidator(_whole),
]
NumberShown = Annotated[str, Field(max_length=40, description="With check character", examples=["BRM-0022-B"])]
#: Words on one line, or none.
FreeWords = Annotated[str, Field(max_length=500, pattern=r"^[^\x00-\x1f\x7f]*$")]


class LoanTerms(Strict):
    """What is agreed for good."""

    code: DocumentCode = Field(description="A code that people chose; never reused", examples=["L-08"])
    lender: InstitutionCode
    borrower: InstitutionCode = Field(description="Who will answer for the lines", examples=["TSI"])
    responsible: Words = Field(description="Who answers at the borrower: a person's id or a name", examples=["p08"])
    purpose: FreeWords = Field("", description="What it is lent for", examples=["noble gas"])
    returned_when: ReturnRule = Field(
        "received_by_lender", description="What counts as returned", examples=["received_by_lender"]
    )
    term_months: Months | None = Field(None, description="Or `due_on`, or neither", examples=[18])
    confidential_until: Day | None = Field(
        None,
        description="Up to the end of that day, in the collection's zone, nobody but the two sides hears of the loan",
        examples=["2027-02-01"],
    )


_TERMS: dict[str, Any] = {
    "code": "L-08",
    "lender": "TRP",
    "borrower": "TSI",
    "responsible": "p08",
    "purpose": "noble gas",
    "returned_when": "received_by_lender",
    "term_months": None,
    "confidential_until": None,
}


class LoanNew(LoanTerms):
    """A signed agreement."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {**_TERMS, "lines": ["BRM-0022-B"], "due_on": "2026-12-31", "signed_at": "2025-09-22T09:00:00Z"}
            ]
        }
    )
    lines: list[ItemNumber] = Field(
        min_length=1, max_length=500, description="Samples of the lender", examples=[["BRM-0022-B"]]
    )
    zone: ZoneName | None = Field(
        None, description="In which the due date ends; the borrower's, if left out", examples=["Asia/Tokyo"]
    )
    due_on: Day | None = Field(
        None, description="The last day, in `zone`; or `term_months`, or neither", examples=["2026-12-31"]
    )
    signed_at: Instant | None = Field(
        None, description="When it was signed; now, if left out", examples=["2025-09-22T09:00:00Z"]
    )
    because: Words = Field("Signed", description="Why it is told", examples=["Signed"])


class DueNew(Strict):
    """A further due date, granted."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "due_on": "2026-10-31",
                    "granted_at": "2026-05-22T15:00:00Z",
                    "asked_on": "2026-05-22",
                    "because": "Two aliquots still in use",
                }
            ]
        }
    )
    due_on: Day = Field(description="The last day from now on, in the loan's zone", examples=["2026-10-31"])
    granted_at: Instant | None = Field(
        None,
        description="When it was granted, which may be told late; now, if left out",
        examples=["2026-05-22T15:00:00Z"],
    )
    asked_on: Day | None = Field(None, description="The day on which the borrower asked", examples=["2026-05-22"])
    because: Words = Field(description="Why", examples=["Two aliquots still in use"])


class RecallNew(Strict):
    """The lender wants it back."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"due_on": "2026-09-30", "because": "New decision on the reserve"}]}
    )
    due_on: Day = Field(description="The day by which, in the loan's zone", examples=["2026-09-30"])
    because: Words = Field(description="Why", examples=["New decision on the reserve"])


class ClosingNew(Strict):
    """Nothing more is owed."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"because": "Reconciled"}]})
    because: Words = Field(description="Why", examples=["Reconciled"])


_LINE: dict[str, Any] = {
    "number": "BRM-0022-B",
    "state": "held",
    "since": "2025-10-10T01:30:00Z",
    "holder": "TSI",
    "claimed": None,
    "due_on": "2026-12-31",
    "due_at": "2026-12-31T15:00:00Z",
    "handed_at": None,
    "received_at": None,
    "returned_at": None,
    "ended_at": None,
    "in_time": None,
    "overdue": False,
    "days_left": 36,
    "days_overdue": 0,
    "uncovered_days": 0,
    "dispatch_blocked_from": "2027-01-30",
}
_ANSWERS: dict[str, Any] = {"why": "named", "institution": "TSI", "person": None}
_LOAN: dict[str, Any] = {
    **_TERMS,
    "zone": "Asia/Tokyo",
    "owed_by": "TSI",
    "answers": _ANSWERS,
    "agreed_due_on": "2026-12-31",
    "signed_at": "2025-09-22T09:00:00Z",
    "recalled_at": None,
    "closed_at": None,
    "state": "running",
    "due_on": "2026-12-31",
    "lines": [_LINE],
    "version": 1,
    "valid_from": "2025-09-22T09:00:00Z",
    "recorded_at": "2025-09-22T09:00:00Z",
    "actor": "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10",
    "because": "Signed",
    **MOMENT,
}


class LineShown(Strict):
    """One sample under a loan. Days are whole local days in the loan's zone."""

    model_config = ConfigDict(json_schema_extra={"examples": [_LINE]})
    number: NumberShown
    state: LineStateName = Field(description="How far it has come", examples=["held"])
    since: Instant | None = Field(None, description="Since when it is in this state", examples=["2025-10-10T01:30:00Z"])
    holder: str | None = Field(None, description="Who has it for certain", examples=["TSI"])
    claimed: str | None = Field(None, description="Who has it by one side's word only", examples=["CRK"])
    due_on: Day | None = Field(
        None, description="The due date in force; where it ended, the one in force then", examples=["2026-12-31"]
    )
    due_at: Instant | None = Field(
        None, description="The first instant that is late", examples=["2026-12-31T15:00:00Z"]
    )
    handed_at: Instant | None = Field(
        None, description="When the borrower said that it was on its way back", examples=["2026-02-27T06:00:00Z"]
    )
    received_at: Instant | None = Field(
        None, description="When the lender said that it was back", examples=["2026-03-05T10:00:00Z"]
    )
    returned_at: Instant | None = Field(
        None, description="Whichever of the two the agreement counts", examples=["2026-03-05T10:00:00Z"]
    )
    ended_at: Instant | None = Field(
        None, description="Since when nothing more is owed on it", examples=["2026-03-05T10:00:00Z"]
    )
    in_time: bool | None = Field(
        None, description="Whether it ended before it was late; null while it has not", examples=[True]
    )
    overdue: bool = Field(description="Whether it is late and still owed", examples=[False])
    days_left: int | None = Field(
        None, description="Days to the due date, negative when past; null once it ended", examples=[36]
    )
    days_overdue: Count = Field(description="Days past the due date until its end, or until today")
    uncovered_days: Count = Field(description="Days on which no due date was in force; an extension takes none away")
    dispatch_blocked_from: Day | None = Field(
        None, description="The day on which nothing new is sent to a late borrower", examples=["2027-01-30"]
    )


class AnswersShown(Strict):
    """Who answers for a loan at `as_of`, and why."""

    model_config = ConfigDict(json_schema_extra={"examples": [_ANSWERS]})
    why: Literal["named", "deputy", "institution"] = Field(
        description="As `responsible` was named; that person left and has a deputy; or left and has none",
        examples=["named"],
    )
    institution: InstitutionCode
    person: str | None = Field(
        None,
        description="Id of the person; null where the institution answers, or `responsible` is no id of a person there",
        examples=["6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"],
    )


class LoanShown(LoanTerms, VersionAt):
    """A loan at a moment."""

    model_config = ConfigDict(json_schema_extra={"examples": [_LOAN]})
    zone: ZoneName = Field(description="In which its due dates end", examples=["Asia/Tokyo"])
    confidential_zone: ZoneName | None = Field(
        None, description="In which the day of `confidential_until` ends", examples=["Europe/London"]
    )
    owed_by: InstitutionCode = Field(
        description="Who answers for it at `as_of`: the borrower, or who took over from it", examples=["TSI"]
    )
    answers: AnswersShown
    agreed_due_on: Day | None = Field(None, description="The due date as signed, if one was", examples=["2026-12-31"])
    signed_at: Instant = Field(description="When it was signed")
    recalled_at: Instant | None = Field(
        None, description="When the lender last called it back", examples=["2026-08-12T09:00:00Z"]
    )
    closed_at: Instant | None = Field(None, description="When it was closed", examples=["2026-03-24T10:00:00Z"])
    state: LoanState = Field(description="Being returned: nothing is left with the borrower", examples=["running"])
    due_on: Day | None = Field(None, description="The earliest due date of its open lines", examples=["2026-12-31"])
    lines: list[LineShown] = Field(description="What was signed for, and pieces of it, in the order of their numbers")


class LoanPage(Listing):
    """Loans in the order of their codes."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"items": [_LOAN], "next": None}]})
    items: list[LoanShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")
