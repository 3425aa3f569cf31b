"""What the history of an item, the posting of its mass and its time out look like in JSON."""

from typing import Any, Final, Literal

from pydantic import Field

from shipsvc.web.answered import MOMENT
from shipsvc.web.document_schemas import Listing
from shipsvc.web.item_schemas import (
    EXAMPLE_ID,
    NEXT,
    PERSON,
    AsTold,
    EventId,
    Moment,
    NumberShown,
    PersonId,
    example,
)
from shipsvc.web.schemas import Instant, Strict

_CONTENT: Final[dict[str, Any]] = {
    "kind": "weighed",
    "happened_at": "2025-04-01T01:00:00Z",
    "subjects": ["BRM-0011-H"],
    "body": {"mass": "51.2 mg", "balance": "B7"},
}


class ContentShown(Strict):
    """What a fact says in one version."""

    model_config = example(_CONTENT)
    kind: str = Field(description="The kind of fact or decision", examples=["weighed"])
    happened_at: Instant = Field(description="When it happened")
    subjects: list[str] = Field(
        description="What it was told of, as far as that is yours to see: numbers, or codes of the labels seen",
        examples=[["BRM-0011-H"]],
    )
    body: dict[str, Any] = Field(description="What was said of it", examples=[{"mass": "51.2 mg", "balance": "B7"}])


_AMENDMENT: Final[dict[str, Any]] = {
    "event_id": "0195f2a1-1c00-7000-8000-000000000014",
    "told_at": "2025-04-02T23:30:00Z",
    "told_late_s": 167_400,
    "by": PERSON,
    "acting_for": "MRL",
    "because": "decimal slip, printout attached",
    "before": _CONTENT,
}


class AmendmentShown(Strict):
    """One amendment of a fact."""

    model_config = example(_AMENDMENT)
    event_id: EventId
    told_at: Instant = Field(description="When it was told")
    told_late_s: int = Field(description="How long after what it says had happened, in seconds", examples=[167_400])
    by: PersonId
    acting_for: AsTold = Field(description="For whom it was told", examples=["MRL"])
    because: str = Field(description="Why", examples=["decimal slip, printout attached"])
    before: ContentShown | None = Field(
        description="What the fact said before; null where it had been withdrawn", examples=[_CONTENT]
    )


_ENTRY: Final[dict[str, Any]] = {
    **_CONTENT,
    "body": {"mass": "512.3 mg", "balance": "B7"},
    "event_id": EXAMPLE_ID,
    "told_at": "2025-04-01T02:10:00Z",
    "told_late_s": 4_200,
    "told_late": False,
    "by": PERSON,
    "acting_for": "MRL",
    "party": "MRL",
    "own_word": True,
    "by_parent": "J-0001-J",
    "shipment": "T-02",
    "stands": True,
    "amendments": [_AMENDMENT],
}


class HistoryEntry(ContentShown):
    """One fact about the item, or about what it was in, in the version that counts."""

    model_config = example(_ENTRY)
    event_id: EventId
    told_at: Instant = Field(description="When it was first told")
    told_late_s: int = Field(description="How long after it happened that was, in seconds", examples=[4_200])
    told_late: bool = Field(description="Whether that is more than the collection allows", examples=[False])
    by: PersonId
    acting_for: AsTold = Field(description="For whom it was told", examples=["MRL"])
    party: AsTold = Field(description="Whose word it is", examples=["MRL"])
    own_word: bool = Field(description="False where it was told for that party by another: declared", examples=[True])
    by_parent: NumberShown | None = Field(description="What the item was in, where told of that", examples=["J-0001-J"])
    shipment: AsTold | None = Field(description="The shipment it was told on", examples=["T-02"])
    stands: bool = Field(
        description="False where it was withdrawn, or is no longer held to be about this item", examples=[True]
    )
    amendments: list[AmendmentShown] = Field(description="Oldest first", examples=[[_AMENDMENT]])


class HistoryPage(Listing, Moment):
    """Facts in the order in which they happened."""

    model_config = example({"items": [_ENTRY], "next": NEXT}, MOMENT)
    items: list[HistoryEntry] = Field(description="As known", examples=[[_ENTRY]])


# ------------------------------------------------------------------------------------------------ mass and time out


_STRETCH: Final[dict[str, Any]] = {"start": "2025-02-18T10:00:00Z", "end": "2025-02-18T10:30:00Z", "proven": True}


class Stretch(Strict):
    """One time out of storage."""

    model_config = example(_STRETCH)
    start: Instant = Field(description="From when on")
    end: Instant = Field(description="Until when")
    proven: bool = Field(description="True where it was out for sure, False where nobody proved it in", examples=[True])


_BUDGET: Final[dict[str, Any]] = {
    "state": "within",
    "budget_s": 259_200,
    "left_s": 0,
    "warned_percent": None,
    "perhaps_percent": 100,
}
_CHARGED: Final[dict[str, Any]] = {
    "profile": "N",
    "described": True,
    "at_least_s": 8_700,
    "at_most_s": 259_200,
    "longest_at_least_s": 5_400,
    "longest_at_most_s": 28_000,
    "state": "within",
    "lifetime": _BUDGET,
    "single": {**_BUDGET, "budget_s": 28_800, "left_s": 800, "perhaps_percent": 90},
}
BudgetStateName = Literal["within", "exceeded", "cannot_be_told", "no_budget"]


class BudgetSpent(Strict):
    """A budget, and how much of it is gone."""

    model_config = example(_BUDGET)
    state: BudgetStateName = Field(
        description="`exceeded` once surely more was out, `within` while nothing could be more, between them "
        "`cannot_be_told`, as where nobody described the profile; `no_budget` where it is only recorded",
        examples=["within"],
    )
    budget_s: int | None = Field(description="How long it may be out", examples=[259_200])
    left_s: int | None = Field(
        description="What is surely left of it; below 0, by how much it may be exceeded", examples=[0]
    )
    warned_percent: int | None = Field(
        description="The highest of 50, 75, 90 and 100 percent of it that was surely out", examples=[50]
    )
    perhaps_percent: int | None = Field(description="The same of what nobody has proven to be in", examples=[100])


class ChargedShown(Strict):
    """What is charged to one storage profile: the time out while it was in force."""

    model_config = example(_CHARGED)
    profile: str | None = Field(description="Its code; null: while none was in force", examples=["N"])
    described: bool = Field(description="Whether somebody has described that profile", examples=[True])
    at_least_s: int = Field(description="Out for sure", examples=[8_700])
    at_most_s: int = Field(description="Not proven to be in", examples=[259_200])
    longest_at_least_s: int = Field(description="The longest single stretch out for sure", examples=[5_400])
    longest_at_most_s: int = Field(description="The longest single stretch not proven to be in", examples=[28_000])
    state: BudgetStateName = Field(description="The worse of its two budgets", examples=["within"])
    lifetime: BudgetSpent = Field(description="Its budget for a whole life", examples=[_BUDGET])
    single: BudgetSpent = Field(description="Its budget for one stretch", examples=[_BUDGET])


class TimeOutShown(Moment):
    """Time out of storage over a whole life, parents' share before birth included. Seconds, rounded against comfort."""

    model_config = example(
        {
            "number": "BRM-0010-J",
            "at_least_s": 8_700,
            "at_most_s": 321_600,
            "longest_at_least_s": 5_400,
            "longest_at_most_s": 312_900,
            "before_accession_s": 154_680,
            "state": "within",
            "charged": [_CHARGED],
            "stretches": [_STRETCH],
        },
        MOMENT,
    )
    number: NumberShown
    at_least_s: int = Field(description="Out for sure", examples=[8_700])
    at_most_s: int = Field(description="Not proven to be in", examples=[321_600])
    longest_at_least_s: int = Field(description="The longest single stretch out for sure", examples=[5_400])
    longest_at_most_s: int = Field(description="The longest single stretch not proven to be in", examples=[312_900])
    before_accession_s: int = Field(description="Before legal charge was taken; not charged", examples=[154_680])
    state: BudgetStateName = Field(
        description="The worst of all its budgets: for a person to decide on, never a refusal", examples=["within"]
    )
    charged: list[ChargedShown] = Field(
        description="The same by the storage profile that was in force, each with its own budgets; of several parents, "
        "the worst one for each figure",
        examples=[[_CHARGED]],
    )
    stretches: list[Stretch] = Field(
        description="The stretches that `at_most_s` is the sum of, cut where they are proven; of several parents, the"
        " worst one's",
        examples=[[_STRETCH]],
    )
