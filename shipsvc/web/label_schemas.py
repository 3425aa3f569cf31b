"""What label prints look like in JSON."""

from typing import Any, Final, Literal

from pydantic import ConfigDict, Field

from shipsvc.web.answered import MOMENT
from shipsvc.web.item_schemas import EXAMPLE_ID, PERSON, EventId, Moment, NumberShown, PersonId, example
from shipsvc.web.schemas import Instant, InstitutionCode, Strict, Words

StateName = Literal["live", "replaced", "void"]


class LabelNew(Strict):
    """One more label of an item."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"because": "The old one came off in the cold"}, {}]})
    because: Words | None = Field(
        None, description="Why; needed from the second print on", examples=["The old one came off in the cold"]
    )
    acting_for: InstitutionCode | None = Field(
        None, description="The owner, if left out; or the holder", examples=["TRP"]
    )


class LabelVoiding(Strict):
    """A print must not be on anything."""

    model_config = example({"because": "Found on the wrong lid"})
    because: Words = Field(description="Why", examples=["Found on the wrong lid"])
    acting_for: InstitutionCode | None = Field(
        None, description="The owner, if left out; or the holder", examples=["TRP"]
    )


_ACT: Final[dict[str, Any]] = {
    "at": "2025-03-20T09:00:00Z",
    "by": PERSON,
    "because": "The old one came off in the cold",
    "event_id": EXAMPLE_ID,
}


class LabelAct(Strict):
    """When, by whom and why something was done with a label."""

    model_config = example(_ACT)
    at: Instant = Field(description="When it was told")
    by: PersonId
    because: str = Field(description="Why, if that was said", examples=["The old one came off in the cold"])
    event_id: EventId


_REPLACED: Final[dict[str, Any]] = {"code": "BRM0011H.2", "serial": 2, **_ACT}


class Replacing(LabelAct):
    """The print that took the place of another."""

    model_config = example(_REPLACED)
    code: str = Field(description="Its code", examples=["BRM0011H.2"])
    serial: int = Field(description="Its serial", examples=[2])


_LABEL: Final[dict[str, Any]] = {
    "code": "BRM0011H.1",
    "number": "BRM-0011-H",
    "serial": 1,
    "state": "void",
    "printed": {**_ACT, "because": "First label"},
    "replaced_by": _REPLACED,
    "voided": {**_ACT, "because": "Found on the wrong lid"},
    "unconfirmed": False,
}


class LabelShown(Strict):
    """A print and what became of it."""

    model_config = example(_LABEL)
    code: str = Field(description="What the symbol and the scanner say", examples=["BRM0011H.1"])
    number: NumberShown
    serial: int = Field(ge=1, description="Which print of the number, counted from 1", examples=[1])
    state: StateName = Field(description="One print of an item is live at a time, at most", examples=["replaced"])
    printed: LabelAct = Field(description="How it was made", examples=[_ACT])
    replaced_by: Replacing | None = Field(description="The next print, if there is one", examples=[_REPLACED])
    voided: LabelAct | None = Field(description="How it was voided, if it was", examples=[_ACT])
    unconfirmed: bool = Field(
        description="Whether that waits for a second person, who tells `confirmed` of its event; live until then",
        examples=[False],
    )


class LabelList(Moment):
    """All prints of an item, oldest first."""

    model_config = example({"items": [_LABEL]}, MOMENT)
    items: list[LabelShown] = Field(description="As they stood", examples=[[_LABEL]])


class LabelScanned(LabelShown, Moment):
    """A scanned label, explained."""

    model_config = example(
        _LABEL,
        {
            "said": "This label is void since 2025-03-20T09:00:00Z: Found on the wrong lid.",
            "attached_to": "V-0001-5",
            "authentic": True,
        },
        MOMENT,
    )
    said: str = Field(
        description="What to tell whoever scanned it",
        examples=["This label was replaced by print 2 on 2025-03-20T09:00:00Z: The old one came off in the cold."],
    )
    attached_to: NumberShown | None = Field(description="What it was last told to be stuck on", examples=["V-0001-5"])
    authentic: bool | None = Field(
        description="Whether the tag behind the code is one of ours; null where no tag was read", examples=[True]
    )
