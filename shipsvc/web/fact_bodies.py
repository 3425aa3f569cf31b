"""What each kind of fact may say: one model a kind, so that the API description tells all of it."""

from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from shipsvc.domain.errors import Text
from shipsvc.domain.weighing import incomplete
from shipsvc.web.body_texts import (
    AreaText,
    Code,
    ItemNumber,
    MassText,
    Party,
    PersonId,
    Sha256,
    ThicknessText,
    Whole,
    WidthText,
    Words,
)
from shipsvc.web.fact_stated import RoomAir, Stated, refuse

_RELEASE = "0195a3c2-6f00-7000-8000-000000000002"


class Body(BaseModel):
    """What every fact may say beside what its kind is about."""

    model_config = ConfigDict(extra="forbid")
    shipment: Code | None = None
    party: Party | None = Field(
        None, description="Whose word this is, where told for another. It then counts as declared.", examples=["CRK"]
    )
    why: Words | None = None
    files_sha256: list[Sha256] | None = Field(
        None,
        max_length=50,
        description="Evidence: photographs, papers, by the hash under which `POST /v1/files` keeps them. The file may "
        "follow later; until it is there, the fact is flagged `file_missing`.",
    )


class Measured(Stated, Body):
    """How a mass is known."""

    balance: Code | None = Field(None, examples=["B6"])
    method: Literal["weighed", "estimated", "declared", "by_difference"] = "weighed"
    plus_minus: WidthText | None = None
    gross: MassText | None = Field(None, description="With container and cap.", examples=["5124.4 mg"])
    tare: MassText | None = Field(None, description="Container and cap alone.", examples=["3920.2 mg"])
    repeats: Whole | None = Field(None, description="How many readings `mass` is the mean of.", examples=[3])
    readings: list[MassText] | None = Field(
        None, min_length=2, max_length=100, description="Those readings, of the net.", examples=[["1204.2 mg"] * 2]
    )
    dryness: Literal["as_found", "equilibrated", "re_dried"] | None = None
    dried_h: Whole | None = Field(None, description="How long it stood in dry gas, in hours.", examples=[48])
    air: RoomAir | None = Field(None, description="The air at the balance, as read there.")
    witness: PersonId | None = Field(None, description="Who watched; to sign they tell `confirmed` themselves.")


class Weighing(Measured):
    """A mass, and how it is known."""

    mass: MassText


class Consumed(Measured):
    """What left a sample: a mass, or of a section an area; and of that, how thick it is afterwards."""

    mass: MassText | None = None
    area_mm2: AreaText | None = None
    thickness_um: ThicknessText | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.mass is None and (self.gross or self.tare or self.repeats):
            refuse((Text("it was weighed, so say it"), "mass"))
        if self.mass is None and self.area_mm2 is None and self.thickness_um is None:
            refuse((Text("say it, or of a section area_mm2 or thickness_um"), "mass"))
        return self


WithCap = Annotated[bool | None, Field(strict=True, description="Whether the cap was on.", examples=[True])]


class Weighed(Measured):
    """A sample on a balance: its net mass, or its gross, which the tare of its container is taken from."""

    mass: MassText | None = None
    with_cap: WithCap = None

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        refuse(incomplete(self.model_dump(exclude_unset=True)))
        return self


class Tared(Weighing):
    """A container on a balance, empty: what weighings that tell their gross alone are taken less of."""

    with_cap: WithCap = None


class Registered(Stated, Body):
    """A thing gets its number: what it is, whose, and for a sample what it weighs."""

    item: Literal["sample", "container", "parcel"] = "container"
    form: Literal["material", "vial", "bag", "jar", "box", "overpack", "other"] | None = None
    what: Words | None = None
    made_of: Words | None = Field(
        None,
        description="Of a container: what touches the sample in it. Packed into what its profile does not approve, the "
        "fact is flagged `contact_not_approved`.",
        examples=["PTFE"],
    )
    owner: Code | None = Field(None, examples=["TRP"])
    material: Literal["chip", "powder", "sealed"] | None = None
    moisture_class: Literal["CI", "CM", "other"] | None = None
    reserve: bool | None = Field(None, strict=True, description="Whether it is kept for later", examples=[False])
    mass: MassText | None = None
    balance: Code | None = Field(None, examples=["B1"])
    method: Literal["weighed", "estimated", "declared", "by_difference"] | None = None
    plus_minus: WidthText | None = None


class Accessioned(Registered):
    """Legal charge is taken of a sample."""


class Released(Body):
    """The giver lets go."""

    to: Party


class Signature(BaseModel):
    """The taker signed on the giver's device, for what one release handed over."""

    model_config = ConfigDict(extra="forbid")
    release: Annotated[str, Field(pattern="^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$", examples=[_RELEASE])] = Field(
        description="The release that it answers, told by `acting_for` at most an hour before"
    )
    how: Literal["drawn"] = Field("drawn", description="Drawn with a finger or pen, into a file that the fact names")


class Taken(Body):
    """What is said of taking, and of not taking."""

    from_: Party | None = Field(None, alias="from", examples=["CRK"])
    seal_states: list[Words] | None = Field(None, max_length=50)


class Accepted(Taken):
    """The taker takes. ``signed``: on the giver's device, by ``party``, which makes it that party's own word."""

    signed: Signature | None = None

    @model_validator(mode="after")
    def _is_signed_by_somebody(self) -> Self:
        """A signature is somebody's, for what somebody gave, and can be looked at."""
        if self.signed and not (self.party and self.from_ and self.files_sha256):
            refuse((Text("a signature needs party, from, and the file of what was drawn"), "signed"))
        return self


class Rejected(Taken):
    """The addressee will not take it."""


class Held(Body):
    """An authority stops it."""

    authority: Party


class Freed(Body):
    """An authority lets it go on."""

    authority: Party | None = None
    to: Party | None = None


class Packed(Body):
    """A thing is put into a container. ``material``: the sample itself changes its vial."""

    into: ItemNumber
    material: bool = False


class Unpacked(Body):
    """A thing is taken out of what it was in."""

    material: bool = False


class Sealed(Body):
    """Seals are put on."""

    seals: list[Words] = Field(min_length=1, max_length=50, examples=[["S-1001"]])


class SealState(BaseModel):
    """One seal, as found."""

    model_config = ConfigDict(extra="forbid")
    seal: Words = Field(examples=["S-1001"])
    state: Literal["intact", "broken", "missing", "replaced"]


class SealChecked(Body):
    """Seals are looked at."""

    seals: list[SealState] = Field(min_length=1, max_length=50)


class Placed(Body):
    """Something about a place."""

    place: Code | None = Field(None, examples=["TSI-N1"])


class Stored(Body):
    """A thing is put in its storage place."""

    place: Code = Field(examples=["TSI-N1"])


class Used(Consumed):
    """Material is consumed. ``all``: nothing is left of the sample."""

    all: bool = False
    technique: Words | None = None


class Lost(Consumed):
    """A loss in work, such as kerf or polishing."""

    process: Words | None = None


class Part(Stated):
    """One part of a mixture."""

    number: ItemNumber
    mass: MassText | None = None
    balance: Code | None = Field(None, examples=["B5"])
    method: Literal["weighed", "estimated", "declared", "by_difference"] = "weighed"
    plus_minus: WidthText | None = None
    material: Literal["chip", "powder", "sealed"] | None = None
    area_mm2: AreaText | None = None
    thickness_um: ThicknessText | None = None


class Piece(Part):
    """One piece of a split."""

    used: bool = Field(
        False, strict=True, description="Whether it was used up at once: taken and used in one act", examples=[False]
    )


class Loss(Stated):
    """What a split lost in work."""

    mass: MassText
    balance: Code | None = Field(None, examples=["B5"])
    method: Literal["weighed", "estimated", "declared", "by_difference"] = "by_difference"
    plus_minus: WidthText | None = None


class Rest(Stated):
    """What was left under the old number, as it was weighed."""

    mass: MassText
    balance: Code | None = Field(None, examples=["B5"])
    method: Literal["weighed", "estimated", "declared", "by_difference"] = "weighed"
    plus_minus: WidthText | None = None


class Pieces(Body):
    """What a sample becomes."""

    children: list[Part] = Field(min_length=1, max_length=200)
    loss: Loss | None = None
    process: Words | None = None
    ends: bool = False


class Divided(Pieces):
    """A sample is split; the rest keeps its number unless it ends. With ``rest``, or where it ends, the sheet is
    summed: one that does not close beyond what such work may lose is flagged `does_not_close`."""

    children: list[Piece] = Field(min_length=1, max_length=200)  # type: ignore[assignment]  # pieces are parts, and more
    rest: Rest | None = Field(None, description="What the rest was weighed at; it moves no book.")
    air: RoomAir | None = Field(None, description="The air at the balance, as read there.")


class Embedded(Pieces):
    """A sample is put into resin, and becomes blocks and sections: its mass account ends."""

    resin: Words | None = Field(None, description="Which, and how it was cured.", examples=["epoxy, 60 C, 12 h"])


class Combined(Registered):
    """A sample is made of parts of others."""

    parents: list[Part] = Field(min_length=1, max_length=50)
    process: Words | None = None
    air: RoomAir | None = Field(None, description="The air at the balance, as read there.")


class Dried(Body):
    """A sample stood in dry gas."""

    hours: Whole


class LabelAttached(Body):
    """A printed label is stuck on a container; the subject is the print."""

    to: ItemNumber


class Logger(Body):
    """A logger is put in or taken out."""

    logger: Code = Field(examples=["LG-090"])


class Noted(Body):
    """Something is seen and noted."""

    words: Words | None = None


class Confirmed(Body):
    """A second person confirms a fact."""

    fact: Annotated[str, Field(pattern="^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$")]


#: Kinds with a model of their own; ``amended`` is told in web.fact_schemas.
BODIES: dict[str, type[Body]] = {
    "registered": Registered,
    "accessioned": Accessioned,
    "released": Released,
    "accepted": Accepted,
    "rejected": Rejected,
    "held": Held,
    "freed": Freed,
    "packed": Packed,
    "unpacked": Unpacked,
    "sealed": Sealed,
    "seal_checked": SealChecked,
    "opened": Noted,
    "stored": Stored,
    "taken_out": Placed,
    "seen": Placed,
    "not_seen": Placed,
    "found": Placed,
    "weighed": Weighed,
    "tared": Tared,
    "dried": Dried,
    "divided": Divided,
    "combined": Combined,
    "embedded": Embedded,
    "used": Used,
    "loss_noted": Lost,
    "label_attached": LabelAttached,
    "logger_placed": Logger,
    "logger_removed": Logger,
    "refilled": Noted,
    "photographed": Noted,
    "condition_noted": Noted,
    "contamination_noted": Noted,
    "confirmed": Confirmed,
}
