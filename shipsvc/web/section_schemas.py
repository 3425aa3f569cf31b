"""Areas and thicknesses as they are told, and the account of a section in JSON."""

from typing import Annotated, Any, Final

from pydantic import Field

from shipsvc.web.answered import MOMENT
from shipsvc.web.document_schemas import example
from shipsvc.web.item_schemas import EXAMPLE_ID, EventId, Moment, NumberShown
from shipsvc.web.schemas import Instant, Strict

_CHANGE: Final[dict[str, Any]] = {
    "event_id": EXAMPLE_ID,
    "kind": "used",
    "happened_at": "2025-09-01T10:00:00Z",
    "area_mm2": "0.5",
    "thickness_um": None,
}
_SECTION: Final[dict[str, Any]] = {
    "number": "BRM-0014-B",
    "event_id": EXAMPLE_ID,
    "since": "2025-04-22T09:00:01Z",
    "resin": "epoxy",
    "area_mm2": "126",
    "used_mm2": "0.5",
    "left_mm2": "125.5",
    "below_zero": False,
    "first_thickness_um": "150",
    "thickness_um": "150",
    "ended": False,
    "changes": [_CHANGE],
}
AreaShown = Annotated[str, Field(description="In mm2, as decimal digits", examples=["125.5"])]
ThicknessShown = Annotated[str, Field(description="In um, as decimal digits", examples=["150"])]


class SectionChange(Strict):
    """Something that was done to a section."""

    model_config = example(_CHANGE)
    event_id: EventId
    kind: str = Field(description="The kind of fact", examples=["used"])
    happened_at: Instant
    area_mm2: AreaShown | None = Field(description="What it took, as far as it says")
    thickness_um: ThicknessShown | None = Field(description="How thick it was afterwards, as far as it says")


class SectionShown(Moment):
    """The account of a section."""

    model_config = example(_SECTION, MOMENT)
    number: NumberShown
    event_id: EventId = Field(description="The fact that began it")
    since: Instant = Field(description="When it was made")
    resin: str | None = Field(description="What it is embedded in", examples=["epoxy"])
    area_mm2: AreaShown | None = Field(description="Its area at first; null where nobody said")
    used_mm2: AreaShown = Field(description="What was taken of that")
    left_mm2: AreaShown | None = Field(description="What is left; below zero where more was told taken than there was")
    below_zero: bool = Field(description="Whether that is so", examples=[False])
    first_thickness_um: ThicknessShown | None = Field(description="Its thickness at first")
    thickness_um: ThicknessShown | None = Field(description="Its thickness now")
    ended: bool = Field(description="Whether nothing is left of it", examples=[False])
    changes: list[SectionChange] = Field(description="What was done to it, oldest first", examples=[[_CHANGE]])
