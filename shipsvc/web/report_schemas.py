"""What the rows of reports look like in JSON; the same fields, in the same order, are the columns of the CSV."""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from shipsvc.web import report_examples as examples
from shipsvc.web.history_schemas import BudgetStateName
from shipsvc.web.schemas import Day, Instant, Strict

ItemNumber = Annotated[str, Field(description="Number with its check character", examples=["BRM-0010-J"])]
What = Annotated[str, Field(description="What it is, in words; may be empty", examples=["chip"])]
# Not checked again on the way out: what was once accepted must always be answered.
Party = Annotated[str, Field(description="An institution or, after a slash, a desk of it", examples=["LSC/mail-room"])]
MassText = Annotated[str, Field(description="A mass in mg as decimal digits", examples=["512.46"])]
Days = Annotated[int, Field(description="Whole local days in the zone of the loan", examples=[25])]
Seconds = Annotated[int, Field(ge=0, description="A length of time in seconds", examples=[309_900])]
Code = Annotated[str, Field(examples=["L-05"])]
Handover = Annotated[str, Field(description="How far the last handover has come", examples=["giver_only"])]
Line = Literal["sent", "held", "part_used", "returning"]
Verdict = Literal[
    "agrees",
    "watch",
    "loss_within_allowance",
    "unexplained_loss",
    "likely_water",
    "unexplained_gain",
    "cannot_be_confirmed",
    "likely_slip",
]
VerdictAsked = Verdict | Literal["all"]


def _example(**fields: Any) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": [fields]})


class Reported(Strict):
    """What every report says of itself."""

    as_of: Instant = Field(description="The moment that the rows tell of")
    known_on: Instant = Field(description="What had been recorded by then counts")
    provisional: bool = Field(
        description="Whether `known_on` is so near that a change still under way could alter this answer",
        examples=[True],
    )
    next: str | None = Field(
        None, description="Send it as `cursor` for the next page; null on the last one", examples=["WyJ4IiwieSJd"]
    )


class OutstandingLine(Strict):
    """One line of a loan that is out."""

    model_config = _example(**examples.OUTSTANDING)
    item: ItemNumber
    what: What
    loan: Code | None
    lender: Party | None
    borrower: Party | None
    owed_by: Party | None = Field(description="Who answers for it: the borrower, or who took over from it")
    line: Line = Field(description="How far the line has come")
    line_since: Instant | None
    certain: Party | None = Field(description="Who has it by the words of both sides")
    certain_since: Instant | None = Field(description="Told to its owner and to its holder; else null")
    claimed: Party | None = Field(description="Who has it by the word of one side, where that is another")
    handover: Handover
    place: Code | None = Field(description="The storage place that it is in, or was last", examples=["LSU-D1"])
    status: str = Field(description="What is being done with it", examples=["stored"])
    due_on: Day | None = Field(description="The last local day, in the zone of the loan; null before the term begins")
    days_left: Days | None = Field(description="Days to that; negative when it is past")
    at_least_s: Seconds = Field(description="Time out of storage over its whole life: proven")
    at_most_s: Seconds = Field(description="The same and all that nobody has proven to be in")


class OutstandingReport(Reported):
    """What is out on loan, in the order of item numbers."""

    model_config = _example(**examples.report(examples.OUTSTANDING))
    items: list[OutstandingLine]


class OverdueLine(Strict):
    """One line of a loan that is past its due date."""

    model_config = _example(**examples.OVERDUE)
    item: ItemNumber
    what: What
    loan: Code | None
    lender: Party | None
    borrower: Party | None
    owed_by: Party | None = Field(description="Who answers for it: the borrower, or who took over from it")
    line: Line
    line_since: Instant | None
    certain: Party | None
    certain_since: Instant | None = Field(description="Told to its owner and to its holder; else null")
    claimed: Party | None
    handover: Handover
    place: Code | None
    status: str = Field(examples=["stored"])
    due_on: Day = Field(description="The due date in force, a day in the zone of the loan")
    days_overdue: Days = Field(description="Days since then, the due day itself not counted")
    uncovered_days: Days = Field(description="Days without a due date in force, over all due dates the line ever had")


class OverdueReport(Reported):
    """What is past its due date; what fell due last comes first."""

    model_config = _example(**examples.report(examples.OVERDUE))
    items: list[OverdueLine]


class Holding(Strict):
    """One thing that an institution holds."""

    model_config = _example(**examples.HOLDING)
    item: ItemNumber
    what: What
    kind: Literal["sample", "container", "parcel"]
    owner: Party
    held: Literal["certain", "claimed"] = Field(description="By the words of both sides, or of one")
    holder: Party = Field(description="The institution, or the desk of it")
    answers: Party = Field(description="The institution of the holder, or the one that took over from it")
    since: Instant | None = Field(description="Told to its owner and to its holder; else null")
    certain: Party | None
    claimed: Party | None
    handover: Handover
    place: Code | None
    status: str = Field(examples=["stored"])
    inside: ItemNumber | None = Field(description="What it lies in")
    mass_mg: MassText | None = Field(description="Book mass")
    mass_known: str | None = Field(description="How the mass is known; embedded: it has none", examples=["weighed"])
    loan: Code | None = Field(description="The loan that owes it, if one does")
    borrower: Party | None = Field(description="Who signed for it")
    owed_by: Party | None = Field(description="Who answers for it: the borrower, or who took over from it")
    due_on: Day | None


class HoldingsReport(Reported):
    """All that an institution holds, in the order of item numbers."""

    model_config = _example(**examples.report(examples.HOLDING))
    items: list[Holding]


class OpenHandover(Strict):
    """A handover that somebody has still to speak to."""

    model_config = _example(**examples.OPEN_HANDOVER)
    item: ItemNumber
    what: What
    state: Literal["giver_only", "taker_only", "declared", "disputed", "held", "rejected"]
    certain: Party | None
    certain_since: Instant | None = Field(description="Told to its owner and to its holder; else null")
    claimed: Party | None
    since: Instant = Field(description="Since when it is in this state")
    days_open: int = Field(ge=0, description="Whole times 24 hours since then", examples=[3])
    silent_sides: list[Literal["giver", "taker"]] = Field(description="Which side has not spoken for itself")
    waiting_for: list[Party] = Field(description="Who that is")
    ask: list[Party] = Field(description="Whom to ask: those, or who took over from them")
    event_id: str = Field(description="The fact that brought it into this state")
    shipment: Code | None
    loan: Code | None
    contents: list[ItemNumber] = Field(description="What lies in it and is in the same state")


class OpenHandoversReport(Reported):
    """Open handovers, each parcel with what lies in it as one, in the order of item numbers."""

    model_config = _example(**examples.report(examples.OPEN_HANDOVER))
    items: list[OpenHandover]


class SilentShipment(Strict):
    """A shipment that is overdue and of which nothing is heard."""

    model_config = _example(**examples.SILENT_SHIPMENT)
    shipment: Code
    consignor: Party
    addressee: Party
    answers: Party = Field(description="Who answers for the addressee: itself, or who took over from it")
    carrier: str = Field(examples=["CRK"])
    loan: Code | None
    expected_by: Instant
    silent_since: Instant = Field(description="A day after it was expected")
    last_word_at: Instant | None
    last_word: str | None = Field(description="The kind of the last fact about it or anything in it")
    last_word_by: Party | None
    event_id: str | None
    age_s: Seconds | None = Field(description="How long ago that was")
    certain: list[Party] = Field(description="The last certain holders of what is outermost")
    claimed: list[Party]
    ask: list[Party] = Field(description="Whom to ask: those who have it or are said to, or who took over from them")
    items: list[ItemNumber] = Field(description="What is outermost in it")


class SilentShipmentsReport(Reported):
    """Silent shipments, in the order of their codes."""

    model_config = _example(**examples.report(examples.SILENT_SHIPMENT))
    items: list[SilentShipment]


class TimeOutRow(Strict):
    """How long one sample was out of storage, over its whole life."""

    model_config = _example(**examples.TIME_OUT)
    item: ItemNumber
    what: What
    owner: Party
    certain: Party | None
    claimed: Party | None
    place: Code | None
    status: str = Field(examples=["stored"])
    at_least_s: Seconds = Field(description="Proven")
    at_most_s: Seconds = Field(description="Proven, and all that nobody has proven to be in")
    longest_at_least_s: Seconds = Field(description="The longest single stretch, proven")
    longest_at_most_s: Seconds
    before_accession_s: Seconds = Field(description="Before legal charge was taken: shown, not charged")
    profile: Code | None = Field(description="The storage profile in force; null: none", examples=["N"])
    state: BudgetStateName = Field(
        description="The worst of the budgets of all profiles that it was kept under", examples=["within"]
    )
    warned_percent: int | None = Field(
        description="The highest of 50, 75, 90 and 100 percent of any budget that was surely out", examples=[50]
    )


class TimeOutReport(Reported):
    """Time out of storage, in the order of item numbers."""

    model_config = _example(**examples.report(examples.TIME_OUT))
    items: list[TimeOutRow]


class Discrepancy(Strict):
    """One weighing held against the book."""

    model_config = _example(**examples.DISCREPANCY)
    item: ItemNumber
    what: What
    of: Literal["weighing", "split_sheet"] = Field(description="What was held against the book")
    event_id: str = Field(description="The weighing, or the split")
    happened_at: Instant
    by_party: Party
    balance: Code | None
    method: str = Field(examples=["weighed"])
    dryness: str | None
    book_mg: MassText = Field(description="What the book expected")
    observed_mg: MassText
    difference_mg: MassText = Field(
        description="Observed less expected: a loss is negative; corrected for the air where it was read both times"
    )
    u_mg: MassText = Field(description="Standard uncertainty of the difference (k = 1)")
    r: float | None = Field(description="Difference over uncertainty; null where the uncertainty is 0", examples=[-0.5])
    e_n: float | None = Field(
        description="Difference over the expanded uncertainties (ISO/IEC 17043), where both sides state them: below 1,"
        " either way, is satisfactory",
        examples=[0.9],
    )
    buoyancy_mg: MassText = Field(description="What the difference was corrected by for the air, in mg")
    verdict: Verdict
    next_step: Literal["re_dry"] | None = Field(
        description="re_dry: likely water. Dry it for 24 to 48 h, tell `dried`, and weigh it again"
    )
    re_dried_by: str | None = Field(description="The first weighing since that was made dry")
    re_dried_verdict: Verdict | None = Field(description="What that came to, which is the verdict of the two")
    settled_by: str | None = Field(description="The decision that set the book since, if one did")
    marks: list[str] = Field(
        description="What stands beside the verdict: below_least_mass, calibration_lapsed (so unsure),"
        " balance_unknown, stated_u_odd (far from what the balance does), dryness_differs (not like with like),"
        " buoyancy_corrected, swap_suspected",
        examples=[["below_least_mass"]],
    )


class DiscrepanciesReport(Reported):
    """Weighings that do not agree with the book, in the order of item numbers and times."""

    model_config = _example(**examples.report(examples.DISCREPANCY))
    items: list[Discrepancy]


class ToldLate(Strict):
    """One thing that was told late."""

    model_config = _example(**examples.TOLD_LATE)
    event_id: str | None = Field(description="The fact; null for institutions and roles, which are documents")
    kind: str = Field(examples=["released"])
    amends: str | None
    amended_kind: str | None = Field(description="What an amendment puts in the place of the original")
    about: list[str] = Field(description="Item numbers, or what document", examples=[["BRM-0010-J"]])
    happened_at: Instant
    recorded_at: Instant
    late_s: Seconds = Field(description="Told so long after it happened; a bare date counts from its end")
    limit_s: Seconds = Field(description="Told later than this is told late")
    actor: str = Field(description="Id of the person who told it")
    acting_for: Party
    party: Party | None = Field(description="Whose word it is, where told for another")


class ToldLateReport(Reported):
    """What was told late, the last told first."""

    model_config = _example(**examples.report(examples.TOLD_LATE))
    items: list[ToldLate]


class Unconfirmed(Strict):
    """One person's word that a second person has still to confirm."""

    model_config = _example(**examples.UNCONFIRMED)
    event_id: str = Field(description="What to confirm: a fact of kind `confirmed` names it in `fact`")
    kind: str = Field(examples=["amended"])
    amends: str | None
    amended_kind: str | None = Field(description="What an amendment puts in the place of the original")
    about: list[str] = Field(description="Item numbers", examples=[["BRM-0018-3"]])
    why: str = Field(description="What makes it need a second person", examples=[examples.UNCONFIRMED["why"]])
    happened_at: Instant
    recorded_at: Instant = Field(description="Waiting since")
    actor: str = Field(description="Id of the person who told it, and so cannot confirm it")
    acting_for: Party


class UnconfirmedReport(Reported):
    """What a second person has still to confirm, the longest waiting first."""

    model_config = _example(**examples.report(examples.UNCONFIRMED))
    items: list[Unconfirmed]


class OneDevice(Strict):
    """A taker's word that was signed on the device of who handed the things over."""

    model_config = _example(**examples.ONE_DEVICE)
    event_id: str = Field(description="The acceptance")
    about: list[str] = Field(description="Item numbers", examples=[["P-01-K"]])
    happened_at: Instant
    recorded_at: Instant
    actor: str = Field(description="Id of the person whose device it was")
    acting_for: Party = Field(description="Who handed them over")
    party: Party | None = Field(description="In whose name it was signed")
    how: str | None = Field(description="`drawn` on that device, or by a `link` on the taker's own", examples=["drawn"])
    counts: bool = Field(description="False where it answers no release of who had it: only declared", examples=[True])


class OneDeviceReport(Reported):
    """Acceptances signed on the giver's device, in the order in which they were recorded."""

    model_config = _example(**examples.report(examples.ONE_DEVICE))
    items: list[OneDevice]


class OneSidedStretch(Strict):
    """A stretch of an item's custody that only one side told of."""

    since: Instant
    until: Instant | None = Field(description="null: it goes on at `as_of`")
    duration_s: Seconds
    state: str = Field(examples=["giver_only"])
    certain: Party | None
    claimed: Party | None
    event_id: str = Field(description="The fact that it begins with")


class OneSidedReport(Strict):
    """The stretches of one item that only one side told of, oldest first."""

    model_config = _example(
        item="BRM-0010-J",
        **examples.AT,
        total_s=309_900,
        stretches=[
            {
                "since": "2025-03-10T10:05:00Z",
                "until": "2025-03-14T00:10:00Z",
                "duration_s": 309_900,
                "state": "giver_only",
                "certain": "TRP",
                "claimed": "CRK",
                "event_id": "01957f5e-0000-7000-8000-000000000002",
            }
        ],
    )
    item: ItemNumber
    as_of: Instant
    known_on: Instant
    provisional: bool
    total_s: Seconds
    stretches: list[OneSidedStretch]
