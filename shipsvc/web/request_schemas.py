"""What requests, promises and the headroom of a reserve look like in JSON."""

from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, StrictBool

from shipsvc.web.answered import MOMENT, VersionAt
from shipsvc.web.body_texts import ItemNumber
from shipsvc.web.document_schemas import VERSION, Listing, example
from shipsvc.web.item_schemas import EXAMPLE_ID, EventId, MassShown, NumberShown
from shipsvc.web.schemas import (
    DocumentCode,
    Instant,
    InstitutionCode,
    PositiveMassText,
    Strict,
    Words,
    _whole,
)

EXAMPLE_REQUEST: Final = "R-7K2M9QXD"
Status = Literal["in_review", "approved", "refused", "withdrawn", "fulfilled"]
Pieces = Annotated[int, Field(ge=1, le=100, description="How many pieces", examples=[1]), BeforeValidator(_whole)]
Line = Annotated[
    int, Field(ge=1, le=100, description="Which piece of the grant, from 1", examples=[1]), BeforeValidator(_whole)
]
_ASKED: Final[dict[str, Any]] = {
    "collection": "BRAITHMOSS",
    "institution": "TSI",
    "responsible": "p08",
    "what": "interior chip",
    "samples": ["BRM-0011-H"],
    "pieces": 1,
    "wanted_mg": "130",
    "least_mg": "90",
    "purpose": "isotopes",
    "destructive": True,
}


class RequestNew(Strict):
    """Somebody asks for material."""

    model_config = example(_ASKED)
    collection: DocumentCode = Field(description="Of which collection", examples=["BRAITHMOSS"])
    institution: InstitutionCode = Field(description="Who asks, and will answer for it", examples=["TSI"])
    responsible: Words = Field(description="Who answers there: a person's id or a name", examples=["p08"])
    what: Words = Field(description="Which material, in words", examples=["interior chip"])
    samples: list[ItemNumber] = Field(
        [],
        max_length=50,
        description="Of which samples, where that matters. Whether there are such is not said",
        examples=[["BRM-0011-H"]],
    )
    pieces: Pieces = 1
    wanted_mg: PositiveMassText | None = Field(
        None, description="How much each piece should be, in mg; left out: the thing as it is", examples=["130"]
    )
    least_mg: PositiveMassText | None = Field(
        None, description="The least of each that is of use, in mg", examples=["90"]
    )
    purpose: Words = Field(description="What for, and how", examples=["isotopes"])
    destructive: StrictBool = Field(description="Whether it is used up or changed by that", examples=[True])
    asked_at: Instant | None = Field(None, description="When it was asked; now, if left out")
    because: Words = Field("Asked", description="Why it is told", examples=["Asked"])


class GrantNew(Strict):
    """One piece that is granted."""

    model_config = example({"sample": "BRM-0011-H", "mass_mg": "120"})
    sample: ItemNumber = Field(description="Of which sample", examples=["BRM-0011-H"])
    mass_mg: PositiveMassText | None = Field(
        None,
        description="How much, in mg; left out: the thing as it is, which lowers no book",
        examples=["120"],
    )


class ApprovalNew(Strict):
    """A request is granted, whole or in part."""

    model_config = example({"grants": [{"sample": "BRM-0011-H", "mass_mg": "120"}], "because": "Enough for two runs"})
    grants: list[GrantNew] = Field(
        min_length=1,
        max_length=100,
        description="One for each piece; all or none",
        examples=[[{"sample": "BRM-0011-H", "mass_mg": "120"}]],
    )
    because: Words = Field(description="Why, and why less than was wanted", examples=["Enough for two runs"])
    approved_at: Instant | None = Field(None, description="When it was decided; now, if left out")
    expires_at: Instant | None = Field(
        None, description="Until when it is promised; left out: without end", examples=["2027-03-28T00:00:00Z"]
    )


class RefusalNew(Strict):
    """A request is refused."""

    model_config = example({"because": "There is not so much that may be given"})
    because: Words = Field(description="Why", examples=["There is not so much that may be given"])
    refused_at: Instant | None = Field(None, description="When it was decided; now, if left out")


class WithdrawalNew(Strict):
    """A request is taken back."""

    model_config = example({"because": "Measured on another piece"})
    because: Words = Field(description="Why", examples=["Measured on another piece"])
    withdrawn_at: Instant | None = Field(None, description="When; now, if left out")


class CutNew(Strict):
    """A piece was cut for a grant."""

    model_config = example({"line": 1, "piece": "BRM-0022-B", "because": "Cut and weighed"})
    line: Line
    piece: ItemNumber = Field(description="The piece, which was made of that sample", examples=["BRM-0022-B"])
    because: Words = Field("Cut", description="Why it is told", examples=["Cut and weighed"])
    cut_at: Instant | None = Field(None, description="When; now, if left out")


_PROMISE: Final[dict[str, Any]] = {
    "line": 1,
    "sample": "BRM-0011-H",
    "mass_mg": "120",
    "state": "promised",
    "since": "2026-03-10T12:00:00Z",
    "expires_at": None,
    "piece": None,
    "cut_mg": None,
}


class PromiseShown(Strict):
    """What is promised for one piece, and what became of that."""

    model_config = example(_PROMISE)
    line: Line
    sample: NumberShown
    mass_mg: MassShown | None = Field(description="How much, in mg; null: the thing as it is", examples=["120"])
    state: Literal["promised", "freed", "cut"] = Field(
        description="freed: withdrawn; cut: what was cut counts instead", examples=["promised"]
    )
    since: Instant = Field(description="Since when it is so")
    expires_at: Instant | None = Field(description="Until when it is promised", examples=[None])
    piece: NumberShown | None = Field(description="What was cut for it", examples=[None])
    cut_mg: MassShown | None = Field(description="What that weighed, in mg", examples=[None])


_REQUEST: Final[dict[str, Any]] = {
    **_ASKED,
    "code": EXAMPLE_REQUEST,
    "status": "approved",
    "reduced": True,
    "promises": [_PROMISE],
    **VERSION,
    **MOMENT,
}


class RequestShown(VersionAt):
    """A request in one version."""

    model_config = example(_REQUEST)
    code: DocumentCode = Field(description="Drawn by the service", examples=[EXAMPLE_REQUEST])
    collection: DocumentCode
    institution: InstitutionCode
    responsible: Words
    what: Words
    samples: list[NumberShown] = Field(description="Of which samples", examples=[["BRM-0011-H"]])
    pieces: Pieces
    wanted_mg: MassShown | None = Field(description="Of each piece, in mg", examples=["130"])
    least_mg: MassShown | None = Field(description="Of each piece, in mg", examples=["90"])
    purpose: Words
    destructive: bool = Field(description="Whether it is used up or changed by that", examples=[True])
    status: Status = Field(description="How far it has come", examples=["approved"])
    reduced: bool = Field(description="Whether less was granted than was wanted", examples=[True])
    promises: list[PromiseShown] = Field(description="What was granted", examples=[[_PROMISE]])


class RequestPage(Listing):
    """Requests in the order of their codes."""

    model_config = example({"items": [_REQUEST], "next": None})
    items: list[RequestShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


class ReserveSetting(Strict):
    """A sample is put into the reserve, or taken out."""

    model_config = example({"reserve": True, "because": "Set aside for later"})
    reserve: StrictBool = Field(description="Whether it belongs to the reserve", examples=[True])
    over_floor: StrictBool = Field(
        False,
        description="Take it out although less would be left than must stay: it is flagged once it takes effect",
        examples=[False],
    )
    because: Words = Field(description="Why", examples=["Set aside for later"])
    decided_at: Instant | None = Field(None, description="When it was decided; now, if left out")


class ReserveSet(Strict):
    """A sample that was put into the reserve, or is to leave it."""

    model_config = example(
        {
            "event_id": EXAMPLE_ID,
            "number": "BRM-0003-H",
            "reserve": True,
            "decided_at": "2025-01-28T15:00:00Z",
            "recorded_at": "2025-01-28T15:00:00Z",
            "unconfirmed": False,
        }
    )
    event_id: EventId
    number: NumberShown
    reserve: bool = Field(description="Whether it belongs to the reserve by that", examples=[True])
    decided_at: Instant = Field(description="From when on it holds")
    recorded_at: Instant = Field(description="When it was told")
    unconfirmed: bool = Field(
        description="Whether it takes effect only once a second person confirms `event_id`", examples=[False]
    )


# ------------------------------------------------------------------------------------------------------------- headroom
_STANDING: Final[dict[str, Any]] = {
    "collection": "BRAITHMOSS",
    "accession_mg": "486200",
    "floor_ppm": 700_000,
    "floor_mg": "340340",
    "reserve_mg": "354176",
    "promised_mg": "0",
    "headroom_mg": "13836",
    "below_floor": False,
}
_OPEN: Final[dict[str, Any]] = {
    "request": EXAMPLE_REQUEST,
    "line": 1,
    "institution": "CVH",
    "sample": "BRM-0016-7",
    "mass_mg": "500",
    "of_reserve": False,
    "since": "2026-09-28T10:00:00Z",
    "expires_at": None,
}


class OpenPromise(Strict):
    """Something that is promised and neither cut nor freed."""

    model_config = example(_OPEN)
    request: DocumentCode = Field(description="On which request", examples=[EXAMPLE_REQUEST])
    line: Line
    institution: InstitutionCode = Field(description="To whom", examples=["CVH"])
    sample: NumberShown
    mass_mg: MassShown | None = Field(description="How much, in mg; null: the thing as it is", examples=["500"])
    of_reserve: bool = Field(description="Whether it lowers the headroom", examples=[False])
    since: Instant = Field(description="Since when")
    expires_at: Instant | None = Field(description="Until when", examples=[None])


class StandingShown(Strict):
    """How the reserve of a collection stands."""

    model_config = example(_STANDING, MOMENT)
    as_of: Instant = Field(description="The moment that this tells of")
    known_on: Instant = Field(description="What was recorded later does not count")
    provisional: bool = Field(description="Whether a change still under way could alter this answer", examples=[True])
    collection: DocumentCode
    accession_mg: MassShown = Field(description="What was taken in, after re-basis, in mg", examples=["486200"])
    floor_ppm: int | None = Field(
        description="The share of that which must stay, in parts per million; null: no reserve is kept",
        examples=[700_000],
    )
    floor_mg: MassShown = Field(description="What must stay, in mg", examples=["340340"])
    reserve_mg: MassShown = Field(description="What the samples of the reserve hold, in mg", examples=["354176"])
    promised_mg: MassShown = Field(description="What is promised of them, in mg", examples=["0"])
    headroom_mg: MassShown = Field(
        description="reserve - promised - floor, in mg; below zero where too much is promised or gone",
        examples=["13836"],
    )
    below_floor: bool = Field(description="Whether less is there than must stay", examples=[False])


class HeadroomShown(StandingShown):
    """Whether so much can be approved, and the most that can."""

    model_config = example(
        _STANDING,
        MOMENT,
        {
            "sample": "BRM-0003-H",
            "of_reserve": True,
            "sample_mg": "64037",
            "sample_promised_mg": "0",
            "asked_mg": "16000",
            "allowed": False,
            "largest_mg": "13836",
            "promises": [_OPEN],
        },
    )
    sample: NumberShown | None = Field(description="The sample asked about", examples=["BRM-0003-H"])
    of_reserve: bool | None = Field(description="Whether that belongs to the reserve", examples=[True])
    sample_mg: MassShown | None = Field(description="What it holds, in mg", examples=["64037"])
    sample_promised_mg: MassShown | None = Field(description="What is promised of it, in mg", examples=["0"])
    asked_mg: MassShown | None = Field(description="What was asked about, in mg", examples=["16000"])
    allowed: bool | None = Field(description="Whether that can be approved now; null: not asked", examples=[False])
    largest_mg: MassShown = Field(description="The most that can be approved, in mg", examples=["13836"])
    promises: list[OpenPromise] = Field(description="What is promised of the collection", examples=[[_OPEN]])


_EFFECT: Final[dict[str, Any]] = {
    "request": EXAMPLE_REQUEST,
    "institution": "CVH",
    "what": "0012-type chip",
    "samples": ["BRM-0012-F"],
    "wanted_mg": "100",
    "least_mg": "50",
    "of_reserve": False,
    "headroom_after_wanted_mg": "13836",
    "headroom_after_least_mg": "13836",
    "fits": True,
    "competing": [],
}


class EffectShown(Strict):
    """What saying yes to one request costs, once all before it were approved as well."""

    model_config = example(_EFFECT)
    request: DocumentCode = Field(description="The request", examples=[EXAMPLE_REQUEST])
    institution: InstitutionCode = Field(description="Who asks", examples=["CVH"])
    what: Words
    samples: list[NumberShown] = Field(description="Of which samples", examples=[["BRM-0012-F"]])
    wanted_mg: MassShown | None = Field(description="All pieces as wanted, in mg", examples=["100"])
    least_mg: MassShown | None = Field(description="All pieces at the least, in mg", examples=["50"])
    of_reserve: bool | None = Field(
        description="Whether it would come from the reserve; null: it names no sample", examples=[False]
    )
    headroom_after_wanted_mg: MassShown = Field(
        description="What headroom is left when all so far get what they want, in mg", examples=["13836"]
    )
    headroom_after_least_mg: MassShown = Field(
        description="What headroom is left when all so far get the least, in mg", examples=["13836"]
    )
    fits: bool = Field(description="Whether the headroom covers what is wanted so far", examples=[True])
    competing: list[DocumentCode] = Field(
        description="Other requests, pending or approved, for the same samples", examples=[[]]
    )


class EffectsShown(StandingShown):
    """What saying yes to all pending requests costs, in the order in which they were asked."""

    model_config = example(_STANDING, MOMENT, {"effects": [_EFFECT]})
    effects: list[EffectShown] = Field(description="One for each request in review", examples=[[_EFFECT]])
