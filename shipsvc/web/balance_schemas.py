"""The material balance and the family of a sample in JSON; the rows of the balance are those of its CSV too."""

from typing import Annotated, Any, Final, Literal

from pydantic import Field

from shipsvc.web.answered import MOMENT
from shipsvc.web.item_schemas import EventId, MassShown, Moment, NumberShown, example
from shipsvc.web.loan_schemas import LineStateName
from shipsvc.web.report_examples import AT
from shipsvc.web.report_schemas import Reported, Verdict
from shipsvc.web.schemas import Instant, Strict

LineName = Literal[
    "opening",
    "received",
    "rebased",
    "moved_in",
    "moved_out",
    "used_weighed",
    "used_estimated",
    "worked_loss",
    "embedded",
    "written_off",
    "unexplained",
    "closing",
    "counted",
    "not_counted",
    "difference",
]
BALANCE_LINE: Final[dict[str, Any]] = {
    "line": "difference",
    "mass_mg": "-0.35",
    "u_mg": "4.336",
    "samples": 14,
}


class BalanceLine(Strict):
    """One line of a material balance.

    closing = opening + received + rebased + moved_in - moved_out - used_weighed - used_estimated - worked_loss -
    embedded - written_off - unexplained, and counted + not_counted = closing + difference, to the nanogram.
    """

    model_config = example(BALANCE_LINE)
    line: LineName = Field(
        description="Moved in and out: from and to other samples. Counted: weighed again in the period"
    )
    mass_mg: MassShown = Field(description="In mg; missing mass is unexplained above 0, and a difference below 0")
    u_mg: MassShown | None = Field(description="Of the difference: its standard uncertainty (k = 1), in mg")
    samples: int | None = Field(description="How many samples hold anything, or were counted", examples=[14])


class BalanceReport(Reported):
    """A material balance, line by line."""

    model_config = example({**AT, "next": None, "items": [BALANCE_LINE]})
    items: list[BalanceLine]


_SHARE: Final[dict[str, Any]] = {"numerator": 1000, "denominator": 5001, "percent": "20.00"}


class Share(Strict):
    """A share, as an exact fraction and rounded."""

    model_config = example(_SHARE)
    numerator: int = Field(examples=[1000])
    denominator: int = Field(ge=1, examples=[5001])
    percent: str = Field(description="Rounded to two decimals", examples=["20.00"])


_MEMBER: Final[dict[str, Any]] = {
    "number": "BRM-0024-7",
    "what": "composite powder",
    "ended": False,
    "mass_mg": "1997.9",
    "used_weighed_mg": "0",
    "used_estimated_mg": "0",
}
_STEP: Final[dict[str, Any]] = {
    "child": "BRM-0024-7",
    "parent": "BRM-0009-5",
    "event_id": "01957f5e-0000-7000-8000-000000000008",
    "born_at": "2025-11-12T10:00:00Z",
    "mass_mg": "400",
    "share": _SHARE,
}
_ORIGIN: Final[dict[str, Any]] = {"number": "BRM-0001-L", "share": _SHARE, "via": ["BRM-0009-5"]}


class FamilyMember(Strict):
    """One sample of a family. What somebody else has meanwhile is null to whoever does not own it."""

    model_config = example(_MEMBER)
    number: NumberShown
    what: str = Field(examples=["composite powder"])
    ended: bool | None = Field(description="Whether nothing is left of it", examples=[False])
    mass_mg: MassShown | None = Field(description="Its book, in mg")
    used_weighed_mg: MassShown | None = Field(description="What was used of it, by weighing, in mg")
    used_estimated_mg: MassShown | None = Field(description="What was used of it, as told, in mg")


class FamilyStep(Strict):
    """That a sample was made from another."""

    model_config = example(_STEP)
    child: NumberShown
    parent: NumberShown
    event_id: EventId
    born_at: Instant
    mass_mg: MassShown | None = Field(description="How much of the parent went into it, in mg")
    share: Share | None = Field(description="How much of the child comes from this parent; null if not known")


class FamilyOrigin(Strict):
    """A first sample that the one asked about comes from."""

    model_config = example(_ORIGIN)
    number: NumberShown
    share: Share = Field(description="How much of the one asked about comes from it")
    via: list[NumberShown] = Field(description="By way of these, the nearest to the first one first")


class FamilyShown(Moment):
    """The family of a sample: what it was made of, and what was made of it."""

    model_config = example(
        {"number": "BRM-0024-7", "members": [_MEMBER], "steps": [_STEP], "origins": [_ORIGIN]}, MOMENT
    )
    number: NumberShown
    members: list[FamilyMember] = Field(description="In the order of their numbers")
    steps: list[FamilyStep] = Field(description="How they were made of each other")
    origins: list[FamilyOrigin] = Field(description="The first samples it comes from, the largest share first")


DRIFT: Final[dict[str, Any]] = {
    "by": "sample",
    "group": "BRM-0016-7",
    "item": "BRM-0016-7",
    "what": "powder stock",
    "samples": 1,
    "steps": 6,
    "first_at": "2025-04-02T18:00:00Z",
    "last_at": "2026-09-18T18:00:00Z",
    "difference_mg": "-2.26",
    "u_mg": "0.316109",
    "r": -7.15,
    "chart_low": 4.35,
    "chart_high": 0.0,
    "alarm": "both",
}


class DriftRow(Strict):
    """The running sum of what postings said, of one sample or of all that belong to one group."""

    model_config = example(DRIFT)
    by: Literal["sample", "family", "holder", "balance", "person", "operation"]
    group: str = Field(
        description="A number; the borrowers or else the holder since the book was set before; a balance; the id of who"
        " weighed; or what was done to it meanwhile (`kept`: nothing)",
        examples=["BRM-0016-7"],
    )
    item: NumberShown | None = Field(description="The sample, or that which the family began with")
    what: str | None = Field(description="What that is", examples=["powder stock"])
    samples: int = Field(ge=1, description="How many samples", examples=[1])
    steps: int = Field(ge=1, description="How many postings, since a re-basis if there was one", examples=[6])
    first_at: Instant
    last_at: Instant
    difference_mg: MassShown = Field(description="All differences together, in mg: a loss is below 0")
    u_mg: MassShown = Field(
        description="Its standard uncertainty: weighings that steps share count once at each end, not at every step"
    )
    r: float | None = Field(description="Difference over uncertainty; null where that is 0", examples=[-7.15])
    chart_low: float = Field(
        description="One-sided cumulative sum of losses (k = 0.5) at the end: over the steps of one sample, else over"
        " stretches of steps that follow each other in one sample",
        examples=[4.35],
    )
    chart_high: float = Field(description="The same for gains", examples=[0.0])
    alarm: Literal["none", "sum", "chart", "both"] = Field(
        description="sum: |r| is over 3. chart: a cumulative sum was over 4; made for independent events"
    )


class DriftReport(Reported):
    """Running sums, in the order of their groups."""

    model_config = example({**AT, "next": None, "items": [DRIFT]})
    items: list[DriftRow]


RECONCILED: Final[dict[str, Any]] = {
    "item": "BRM-0010-J",
    "what": "chip",
    "state": "returned",
    "sent_mg": "1204.3",
    "received_mg": "1204.2",
    "received_expected_mg": "1204.3",
    "received_difference_mg": "-0.1",
    "received_u_mg": "0.219173",
    "received_r": -0.456,
    "received_e_n": None,
    "received_verdict": "agrees",
    "received_marks": [],
    "used_weighed_mg": "540.46",
    "used_estimated_mg": "0",
    "worked_loss_mg": "8.1",
    "embedded_mg": "0",
    "to_pieces_mg": "0",
    "written_off_mg": "0",
    "returned_mg": "655.2",
    "returned_expected_mg": "655.74",
    "returned_difference_mg": "-0.54",
    "returned_u_mg": "0.312",
    "returned_r": -1.73,
    "returned_e_n": None,
    "returned_verdict": "agrees",
    "returned_marks": [],
}
Marks = Annotated[list[str], Field(description="What stands beside the verdict", examples=[["below_least_mass"]])]
Ratio = Annotated[float | None, Field(description="Difference over uncertainty", examples=[-1.73])]


Score = Annotated[
    float | None,
    Field(description="E_n, where both sides state expanded uncertainties: below 1, either way, is satisfactory"),
]


class ReconciledLine(Strict):
    """One line of a loan: what went out, what was told of it, what came back. Null: not yet."""

    model_config = example(RECONCILED)
    item: NumberShown
    what: str = Field(examples=["chip"])
    state: LineStateName = Field(description="How far the line has come")
    sent_mg: MassShown | None = Field(description="Its book when it went out, or was born on loan, in mg")
    received_mg: MassShown | None = Field(description="What the borrower first weighed")
    received_expected_mg: MassShown | None
    received_difference_mg: MassShown | None
    received_u_mg: MassShown | None
    received_r: Ratio
    received_e_n: Score
    received_verdict: Verdict | None
    received_marks: Marks
    used_weighed_mg: MassShown = Field(description="Told as used while it was out, by a weighing")
    used_estimated_mg: MassShown = Field(description="Told as used while it was out, not weighed")
    worked_loss_mg: MassShown
    embedded_mg: MassShown
    to_pieces_mg: MassShown = Field(description="Went into other samples: lines of their own, if they were split off")
    written_off_mg: MassShown
    returned_mg: MassShown | None = Field(description="What the lender last weighed after it came back")
    returned_expected_mg: MassShown | None
    returned_difference_mg: MassShown | None
    returned_u_mg: MassShown | None
    returned_r: Ratio
    returned_e_n: Score
    returned_verdict: Verdict | None
    returned_marks: Marks


class ReconciliationReport(Reported):
    """The lines of a loan, in the order of item numbers."""

    model_config = example({**AT, "next": None, "items": [RECONCILED]})
    items: list[ReconciledLine]


RESERVE: Final[dict[str, Any]] = {
    "collection": "BRAITHMOSS",
    "accession_mg": "486200",
    "floor_ppm": 700_000,
    "floor_mg": "340340",
    "reserve_mg": "354176",
    "samples": 4,
    "promised_mg": "0",
    "headroom_mg": "13836",
    "take_mg": "16000",
    "allowed": False,
}


class ReserveRow(Strict):
    """The reserve of a collection. Null where it has no floor, or nothing was to be taken."""

    model_config = example(RESERVE)
    collection: str = Field(examples=["BRAITHMOSS"])
    accession_mg: MassShown = Field(description="What was taken in, as weighed, in mg")
    floor_ppm: int | None = Field(
        description="Which share of that has to stay, in parts per million", examples=[700_000]
    )
    floor_mg: MassShown | None = Field(description="How much that is, in mg")
    reserve_mg: MassShown = Field(description="What the samples marked as reserve hold by their books, in mg")
    samples: int = Field(description="How many those are", examples=[4])
    promised_mg: MassShown = Field(description="What is promised of it on requests, in mg")
    headroom_mg: MassShown | None = Field(description="How much of it may go, in mg; below 0 it is too little already")
    take_mg: MassShown | None = Field(description="What was asked to be taken, in mg")
    allowed: bool | None = Field(description="Whether that leaves the floor whole", examples=[False])


class ReserveReport(Reported):
    """The reserve of a collection."""

    model_config = example({**AT, "next": None, "items": [RESERVE]})
    items: list[ReserveRow]
