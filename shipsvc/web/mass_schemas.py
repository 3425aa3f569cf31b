"""Decisions on the book of a sample, in JSON: posted, re-based, written off."""

from typing import Annotated

from pydantic import Field

from shipsvc.web.item_schemas import EXAMPLE_ID, EventId, MassShown, NumberShown, example
from shipsvc.web.schemas import Instant, Strict, Words

WeighingId = Annotated[
    str,
    Field(
        pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$",
        description="Id of the fact that told of the weighing",
        examples=[EXAMPLE_ID],
    ),
]


class MassPosting(Strict):
    """The book of a sample is set to one of its weighings."""

    model_config = example({"weighing": EXAMPLE_ID, "because": "Reconciled on return"})
    weighing: WeighingId
    because: Words = Field(description="Why", examples=["Reconciled on return"])
    posted_at: Instant | None = Field(None, description="When it was decided; now, if left out")


class PostedShown(Strict):
    """A book that was set to a weighing."""

    model_config = example(
        {
            "event_id": EXAMPLE_ID,
            "number": "BRM-0010-J",
            "weighing": EXAMPLE_ID,
            "before_mg": "655.74",
            "mass_mg": "655.2",
            "unexplained_mg": "0.54",
            "posted_at": "2026-03-24T10:00:00Z",
            "recorded_at": "2026-03-24T10:00:00Z",
        }
    )
    event_id: EventId
    number: NumberShown
    weighing: EventId
    before_mg: MassShown | None = Field(description="What the book held, in mg", examples=["655.74"])
    mass_mg: MassShown = Field(description="What it holds now, in mg", examples=["655.2"])
    unexplained_mg: MassShown | None = Field(
        description="What goes to unexplained, in mg; missing is positive", examples=["0.54"]
    )
    posted_at: Instant = Field(description="From when on it holds")
    recorded_at: Instant = Field(description="When it was told")


class Rebasing(Strict):
    """A weighing takes the place of an estimate."""

    model_config = example({"weighing": EXAMPLE_ID, "because": "Weighed on taking in"})
    weighing: WeighingId
    because: Words = Field(description="Why", examples=["Weighed on taking in"])
    rebased_at: Instant | None = Field(None, description="When it was decided; now, if left out")


class RebasedShown(Strict):
    """A book that rests on a weighing instead of an estimate."""

    model_config = example(
        {
            "event_id": EXAMPLE_ID,
            "number": "BRM-0001-L",
            "weighing": EXAMPLE_ID,
            "before_mg": "220000",
            "mass_mg": "221408",
            "rebasis_mg": "1408",
            "rebased_at": "2025-01-27T13:20:00Z",
            "recorded_at": "2025-01-27T13:20:00Z",
        }
    )
    event_id: EventId
    number: NumberShown
    weighing: EventId
    before_mg: MassShown = Field(description="What it was estimated at, in mg", examples=["220000"])
    mass_mg: MassShown = Field(description="What it was weighed at, in mg", examples=["221408"])
    rebasis_mg: MassShown = Field(
        description="By how much the accession is more than was estimated, in mg; no gain", examples=["1408"]
    )
    rebased_at: Instant = Field(description="From when on it holds")
    recorded_at: Instant = Field(description="When it was told")


class WriteOff(Strict):
    """The account of a sample is closed."""

    model_config = example({"lost": True, "because": "Not found in two counts"})
    lost: bool = Field(
        strict=True, description="Lost; else given up: thrown away, given away, exchanged", examples=[True]
    )
    because: Words = Field(description="Why", examples=["Not found in two counts"])
    decided_at: Instant | None = Field(None, description="When it was decided; now, if left out")


class WrittenOffShown(Strict):
    """A sample that was written off."""

    model_config = example(
        {
            "event_id": EXAMPLE_ID,
            "number": "BRM-0020-F",
            "lost": True,
            "written_off_mg": "251.06",
            "decided_at": "2026-11-25T12:00:00Z",
            "recorded_at": "2026-11-25T12:00:00Z",
            "unconfirmed": True,
        }
    )
    event_id: EventId
    number: NumberShown
    lost: bool = Field(description="Lost; else given up", examples=[True])
    written_off_mg: MassShown | None = Field(description="What its book held, in mg", examples=["251.06"])
    decided_at: Instant = Field(description="From when on it holds")
    recorded_at: Instant = Field(description="When it was told")
    unconfirmed: bool = Field(description="It takes effect once a second person confirms `event_id`", examples=[True])
