"""What giving out numbers looks like in JSON: things that are registered, prefixes, blocks."""

from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, ConfigDict, Field, StrictBool

from shipsvc.web.body_texts import ItemNumber
from shipsvc.web.document_schemas import Listing
from shipsvc.web.item_schemas import EXAMPLE_ID, NEXT, PERSON, EventId, Form, Kind, NumberShown, PersonId, example
from shipsvc.web.schemas import Instant, InstitutionCode, Prefix, Strict, Words, _whole

ISSUED_MAX: Final = 200
BLOCK_MAX: Final = 500
BlockId = Annotated[
    str, Field(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$", description="A block", examples=[EXAMPLE_ID])
]


class IssueNew(Strict):
    """Things that are to get numbers: so many new ones under a prefix, or those named, out of a block."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "kind": "container",
                    "form": "vial",
                    "what": "4 ml, steel cap",
                    "acting_for": "TRP",
                    "prefix": "V",
                    "count": 4,
                    "print_labels": True,
                }
            ],
            "oneOf": [{"required": ["prefix", "count"]}, {"required": ["numbers"]}],
        }
    )
    kind: Kind = Field(description="Material, what it is kept in, or what is sent", examples=["container"])
    form: Form | None = Field(
        None, description="What it looks like: material for samples, and only for them", examples=["vial"]
    )
    what: Words = Field(description="What it is, in words; printed on the label", examples=["4 ml, steel cap"])
    acting_for: InstitutionCode = Field(description="For whom you speak", examples=["TRP"])
    prefix: Prefix | None = Field(None, description="Of a collection for samples, else of packaging", examples=["V"])
    count: Annotated[int, Field(ge=1, le=ISSUED_MAX), BeforeValidator(_whole)] | None = Field(
        None, description="How many new numbers", examples=[4]
    )
    numbers: list[ItemNumber] | None = Field(
        None, min_length=1, max_length=ISSUED_MAX, description="Numbers out of a block", examples=[["BRM-0021-D"]]
    )
    happened_at: Instant | None = Field(None, description="Since when they go by it; now, if left out")
    material: Literal["chip", "powder", "sealed"] | None = Field(
        None, description="Of a sample: what handling may lose of it", examples=["chip"]
    )
    moisture_class: Literal["CI", "CM", "other"] | None = Field(
        None, description="Of a sample: what air may add to it", examples=["CM"]
    )
    reserve: StrictBool | None = Field(None, description="Of a sample: whether it is kept for later", examples=[False])
    print_labels: StrictBool = Field(
        False, description="Whether a first label of each is printed at once", examples=[True]
    )


_ISSUED: Final[dict[str, Any]] = {"number": "V-0001-5", "print": "V00015.1"}


class IssuedOne(Strict):
    """A number that was given out."""

    model_config = example(_ISSUED)
    number: NumberShown
    print: str | None = Field(description="Code of its label, if one was printed", examples=["V00015.1"])


class IssuedShown(Strict):
    """Things that were registered, by one fact."""

    model_config = example(
        {
            "event_id": EXAMPLE_ID,
            "happened_at": "2025-02-18T10:30:00Z",
            "recorded_at": "2025-02-18T10:30:00Z",
            "flags": [],
            "items": [_ISSUED],
        }
    )
    event_id: EventId
    happened_at: Instant = Field(description="Since when they go by their numbers")
    recorded_at: Instant = Field(description="When it was told")
    flags: list[str] = Field(description="What a person should look at", examples=[[]])
    items: list[IssuedOne] = Field(description="In order", examples=[[_ISSUED]])


_PREFIX: Final[dict[str, Any]] = {"prefix": "V", "institution": "TRP", "because": "Vials"}


class PrefixNew(Strict):
    """A prefix for an institution's containers and parcels."""

    model_config = example(_PREFIX)
    prefix: Prefix
    institution: InstitutionCode
    because: Words = Field(description="What for", examples=["Vials"])


class PrefixShown(PrefixNew):
    """A prefix that is an institution's for good."""

    model_config = example(_PREFIX, {"recorded_at": "2025-01-20T09:00:00Z", "actor": PERSON})
    recorded_at: Instant = Field(description="When it was told")
    actor: PersonId


class PrefixPage(Listing):
    """Packaging prefixes in their order."""

    model_config = example(
        {"items": [{**_PREFIX, "recorded_at": "2025-01-20T09:00:00Z", "actor": PERSON}], "next": NEXT}
    )
    items: list[PrefixShown] = Field(
        description="Of your institutions",
        examples=[[{**_PREFIX, "recorded_at": "2025-01-20T09:00:00Z", "actor": PERSON}]],
    )


class BlockNew(Strict):
    """Numbers that an institution is to use when it likes, also without a network."""

    model_config = example({"prefix": "BRM", "count": 10, "institution": "SMP"})
    prefix: Prefix
    count: Annotated[int, Field(ge=1, le=BLOCK_MAX), BeforeValidator(_whole)] = Field(
        description="How many", examples=[10]
    )
    institution: InstitutionCode = Field(description="Who is to use them", examples=["SMP"])


_BLOCK: Final[dict[str, Any]] = {
    "id": EXAMPLE_ID,
    "prefix": "BRM",
    "institution": "SMP",
    "first": "BRM-0021-D",
    "last": "BRM-0030-B",
    "count": 10,
    "recorded_at": "2025-03-24T09:00:00Z",
    "actor": PERSON,
}


class BlockShown(Strict):
    """A block of numbers."""

    model_config = example(_BLOCK)
    id: BlockId
    prefix: Prefix
    institution: InstitutionCode = Field(description="Who may use them", examples=["SMP"])
    first: NumberShown = Field(description="The first of them", examples=["BRM-0021-D"])
    last: NumberShown = Field(description="The last of them", examples=["BRM-0030-B"])
    count: int = Field(description="How many there are; some in between are never given out", examples=[10])
    recorded_at: Instant = Field(description="When it was given out")
    actor: PersonId


_NUMBER: Final[dict[str, Any]] = {"number": "BRM-0021-D", "used": True}


class BlockNumber(Strict):
    """One number of a block."""

    model_config = example(_NUMBER)
    number: NumberShown
    used: bool = Field(description="Whether something goes by it", examples=[True])


class BlockWhole(BlockShown):
    """A block with all of its numbers."""

    model_config = example(_BLOCK, {"numbers": [_NUMBER]})
    numbers: list[BlockNumber] = Field(description="In order", examples=[[_NUMBER]])


class BlockPage(Listing):
    """Blocks in the order of prefix and number."""

    model_config = example({"items": [_BLOCK], "next": NEXT})
    items: list[BlockShown] = Field(description="Given or received by your institutions", examples=[[_BLOCK]])
