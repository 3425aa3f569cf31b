"""What items and their state look like in JSON."""

from typing import Annotated, Any, Final, Literal

from pydantic import ConfigDict, Field

from shipsvc.web.answered import MOMENT
from shipsvc.web.document_schemas import Listing
from shipsvc.web.schemas import Day, DocumentCode, Instant, InstitutionCode, Strict, Words

EXAMPLE_ID: Final = "0195a3c2-6f00-7000-8000-000000000001"
NEXT: Final = "WyJpdGVtIiwiQlJNMDAxMCJd"
PERSON: Final = "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"
Kind = Literal["sample", "container", "parcel"]
Form = Literal["material", "vial", "bag", "jar", "box", "overpack", "other"]
StatusName = Literal["unknown", "stored", "taken_out", "packed", "in_transit", "received", "ended"]
HandoverName = Literal[
    "none", "agreed", "giver_only", "taker_only", "declared", "disputed", "rejected", "held", "ended"
]
LineName = Literal["promised", "sent", "held", "part_used", "returning", "returned", "used_up", "lost_decided"]
NumberShown = Annotated[
    str, Field(max_length=40, description="A number with its check character", examples=["BRM-0010-J"])
]
EventId = Annotated[str, Field(description="Id of a fact or decision", examples=[EXAMPLE_ID])]
PersonId = Annotated[str, Field(description="Id of a person", examples=[PERSON])]
MassShown = Annotated[
    str,
    Field(pattern=r"^-?[0-9]+(\.[0-9]+)?$", description="A mass in mg as decimal digits", examples=["1204.3"]),
]
#: As wide as what anybody may have told: it is not ours to refuse now.
AsTold = Annotated[str, Field(description="As told", examples=["GB1"])]


def example(*parts: dict[str, Any]) -> ConfigDict:
    """The parts together as the example of a model."""
    merged = {name: value for part in parts for name, value in part.items()}
    return ConfigDict(json_schema_extra={"examples": [merged]})


class Moment(Strict):
    """What the answer is about."""

    as_of: Instant = Field(description="The moment that this tells of")
    known_on: Instant = Field(description="What was recorded later does not count")
    provisional: bool = Field(description="Whether more may still be recorded as known by then", examples=[False])


_DESCRIBED: Final[dict[str, Any]] = {
    "number": "BRM-0010-J",
    "kind": "sample",
    "form": "material",
    "what": "interior chip",
    "owner": "TRP",
    "collection": "BRAITHMOSS",
    "registered": True,
}


class Described(Strict):
    """What an item is."""

    number: NumberShown
    kind: Kind = Field(description="Material, what it is kept in, or what is sent", examples=["sample"])
    form: Form = Field(description="What it looks like", examples=["material"])
    what: str = Field(description="What it is, in words", examples=["interior chip"])
    owner: AsTold = Field(description="Whose it is", examples=["TRP"])
    collection: str | None = Field(description="The collection; null for packaging", examples=["BRAITHMOSS"])
    registered: bool = Field(
        description="False while it is only provisional: told of, but not registered", examples=[True]
    )


_PROVENANCE: Final[dict[str, Any]] = {"since": "2025-03-14T01:20:00Z", "event_id": EXAMPLE_ID, "by_parent": "J-0001-J"}


class Provenance(Strict):
    """Since when something is so, and how it is known."""

    since: Instant | None = Field(description="Since when; null: since before it was yours to see")
    event_id: EventId | None = Field(description="The fact it began with; null as `since` is")
    by_parent: NumberShown | None = Field(
        description="What the item was in, where the fact was told of that; null where it was told of the item itself",
        examples=["J-0001-J"],
    )


_CUSTODY: Final[dict[str, Any]] = {
    "certain": "TRP",
    "certain_since": "2025-02-18T10:30:00Z",
    "claimed": "CRK",
    "handover": "giver_only",
}


class CustodyShown(Provenance):
    """Who holds it: for certain by the words of both sides, and by claim of one."""

    model_config = example(_CUSTODY, _PROVENANCE)
    certain: AsTold | None = Field(description="The certain holder", examples=["TSI"])
    certain_since: Instant | None = Field(
        description="Since when for certain; null also where that was before it was yours to see"
    )
    claimed: AsTold | None = Field(description="Who holds it by the word of one side", examples=["CRK"])
    handover: HandoverName = Field(description="Which words are there, and which are missing", examples=["agreed"])


_WHERE: Final[dict[str, Any]] = {"status": "stored", "place": "TSI-N1"}


class WhereShown(Provenance):
    """Where it is by the custody record."""

    model_config = example(_WHERE, _PROVENANCE)
    status: StatusName = Field(description="In store or not", examples=["stored"])
    place: AsTold | None = Field(description="The storage place it is in, or was last", examples=["TSI-N1"])


_STEP: Final[dict[str, Any]] = {
    "number": "V-0001-5",
    "kind": "container",
    "form": "vial",
    "what": "4 ml, steel cap",
    "since": "2025-02-18T10:30:00Z",
    "event_id": EXAMPLE_ID,
}


class NestStep(Strict):
    """A container that it is in, directly or by way of the one before."""

    model_config = example(_STEP)
    number: NumberShown
    kind: Kind | None = Field(description="null where the container is not yours to see", examples=["container"])
    form: Form | None = Field(description="null where the container is not yours to see", examples=["vial"])
    what: str | None = Field(description="null where the container is not yours to see", examples=["4 ml, steel cap"])
    since: Instant | None = Field(description="Since when it is in there; null: since before it was yours to see")
    event_id: EventId | None = Field(description="The fact it began with; null as `since` is")


_BOOK: Final[dict[str, Any]] = {"mass_mg": "1204.3", "u_mg": "0.216333", "estimated_u_mg": "0", "how": "weighed"}


class BookShown(Provenance):
    """The mass that a sample has by the book."""

    model_config = example(_BOOK, _PROVENANCE)
    mass_mg: MassShown
    u_mg: MassShown = Field(description="Its standard uncertainty (k = 1), in mg", examples=["0.216333"])
    estimated_u_mg: MassShown = Field(description="The part of that which rests on estimates, in mg", examples=["0"])
    how: str = Field(
        description="How it is known: weighed, estimated, declared, computed, posted or rebased", examples=["weighed"]
    )


_LOAN: Final[dict[str, Any]] = {
    "loan": "L-01",
    "lender": "TRP",
    "borrower": "TSI",
    "owed_by": "TSI",
    "line": "held",
    "since": "2025-03-14T00:10:00Z",
    "due_on": "2026-03-14",
    "due_at": "2026-03-14T15:00:00Z",
}


class LoanLine(Strict):
    """The loan that a sample is on, or was on last."""

    model_config = example(_LOAN)
    loan: AsTold = Field(description="The loan", examples=["L-01"])
    lender: AsTold | None = Field(description="Who lends", examples=["TRP"])
    borrower: AsTold | None = Field(description="Who borrows", examples=["TSI"])
    owed_by: AsTold | None = Field(description="The borrower, or who took over from it", examples=["TSI"])
    line: LineName = Field(description="How far it has come", examples=["held"])
    since: Instant | None = Field(description="Since when it is so far")
    due_on: Day | None = Field(description="The last local day")
    due_at: Instant | None = Field(description="The end of that day")


_ROW: Final[dict[str, Any]] = {
    **_DESCRIBED,
    "status": "stored",
    "place": "TSI-N1",
    "certain": "TSI",
    "claimed": "CRK",
    "handover": "giver_only",
    "inside": "V-0001-5",
    "mass_mg": "1204.3",
}


class ItemRow(Described):
    """An item in a list. Where it is and who holds it are null where that is not yours to see, or not known."""

    model_config = example(_ROW)
    status: StatusName | None = Field(description="In store or not", examples=["stored"])
    place: AsTold | None = Field(description="The storage place it is in, or was last", examples=["TSI-N1"])
    certain: AsTold | None = Field(description="The certain holder", examples=["TSI"])
    claimed: AsTold | None = Field(description="Who holds it by the word of one side", examples=["CRK"])
    handover: HandoverName | None = Field(description="Which words are there", examples=["agreed"])
    inside: NumberShown | None = Field(description="What it is directly in", examples=["V-0001-5"])
    mass_mg: MassShown | None = Field(description="Its book mass in mg", examples=["1204.3"])


class ItemPage(Listing, Moment):
    """Items in the order of their numbers."""

    model_config = example({"items": [_ROW], "next": NEXT}, MOMENT)
    items: list[ItemRow] = Field(description="As they stood", examples=[[_ROW]])


_INSIDE: Final[dict[str, Any]] = {
    "number": "BRM-0011-H",
    "kind": "sample",
    "form": "material",
    "what": "interior chip",
    "status": "stored",
}


class Inside(Strict):
    """Something that is directly in an item."""

    model_config = example(_INSIDE)
    number: NumberShown
    kind: Kind = Field(description="Material, what it is kept in, or what is sent", examples=["sample"])
    form: Form = Field(description="What it looks like", examples=["material"])
    what: str = Field(description="What it is, in words", examples=["interior chip"])
    status: StatusName = Field(description="In store or not", examples=["stored"])


class ContentsPage(Listing, Moment):
    """What is directly in an item, in the order of numbers, as far as it is yours to see."""

    model_config = example({"items": [_INSIDE], "next": NEXT}, MOMENT)
    items: list[Inside] = Field(description="As they stood", examples=[[_INSIDE]])


_ALIAS: Final[dict[str, Any]] = {
    "institution": "SMP",
    "alias": "Anna-3",
    "number": "BRM-0021-D",
    "recorded_at": "2025-06-20T19:25:00Z",
    "actor": PERSON,
}


class AliasShown(Strict):
    """Another name of an item at an institution."""

    model_config = example(_ALIAS)
    institution: InstitutionCode
    alias: str = Field(description="The name", examples=["Anna-3"])
    number: NumberShown
    recorded_at: Instant = Field(description="When it was told")
    actor: PersonId


class AliasNew(Strict):
    """Another name that an item goes by at an institution: in a paper, on a bench."""

    model_config = example({"institution": "SMP", "alias": "Anna-3"})
    institution: InstitutionCode
    alias: Words = Field(
        max_length=100, description="The name; it never means another thing there", examples=["Anna-3"]
    )


_FLAG: Final[dict[str, Any]] = {
    "code": "seen_elsewhere",
    "detail": "it was held to be in J0001",
    "event_id": EXAMPLE_ID,
    "recorded_at": "2025-02-20T13:00:00Z",
}


class FlagShown(Strict):
    """Something about a fact that a person should look at."""

    model_config = example(_FLAG)
    code: str = Field(description="What it is, for programs", examples=["seen_elsewhere"])
    detail: str = Field(description="What it is, for people", examples=["it was held to be in J0001"])
    event_id: EventId
    recorded_at: Instant = Field(description="When it came up")


_CARRIED: Final[dict[str, Any]] = {
    "kind": "restriction",
    "words": "Not for aluminium, not face A",
    "since": "2025-02-01T09:00:00Z",
    "event_id": EXAMPLE_ID,
    "of": "BRM-0004-F",
}


class CarriedShown(Strict):
    """Something that stays with the material, whatever is made of it."""

    model_config = example(_CARRIED)
    kind: Literal["contamination", "restriction"] = Field(description="What it is", examples=["restriction"])
    words: str = Field(description="As it was told", examples=["Not for aluminium, not face A"])
    since: Instant = Field(description="When it was noted or set")
    event_id: EventId
    of: NumberShown | None = Field(
        description="The sample that it was told of; null where that is not yours to see", examples=["BRM-0004-F"]
    )


class ItemShown(Described, Moment):
    """An item as it stood. State is null where nothing was told by then, or where it is not yours to see."""

    model_config = example(
        _DESCRIBED,
        MOMENT,
        {
            "aliases": [],
            "custody": {**_CUSTODY, **_PROVENANCE},
            "where": {**_WHERE, **_PROVENANCE},
            "nest": [_STEP],
            "contents": [],
            "contents_more": False,
            "profile": "N",
            "closed": False,
            "book": {**_BOOK, **_PROVENANCE},
            "loan": _LOAN,
            "flags": [],
            "carries": [],
            "label": "BRM0010J.1",
            "on_hold": [],
        },
    )
    aliases: list[AliasShown] = Field(description="Its other names", examples=[[_ALIAS]])
    custody: CustodyShown | None = Field(description="Who holds it", examples=[{**_CUSTODY, **_PROVENANCE}])
    where: WhereShown | None = Field(description="Where it is", examples=[{**_WHERE, **_PROVENANCE}])
    nest: list[NestStep] = Field(description="What it is in, innermost first", examples=[[_STEP]])
    contents: list[Inside] = Field(description="What is directly in it: the first 50", examples=[[_INSIDE]])
    contents_more: bool = Field(description="Whether there is more in it than that", examples=[False])
    profile: str | None = Field(
        description="The storage profile that a sample is to be kept under: set by a curator, inherited, or that of "
        "the place where it was first stored",
        examples=["N"],
    )
    closed: bool | None = Field(
        description="Whether it is closed itself, by the words `sealed` and `opened` told of it; a vial also once a "
        "sample was packed into it",
        examples=[False],
    )
    book: BookShown | None = Field(description="Its mass, for a sample", examples=[{**_BOOK, **_PROVENANCE}])
    loan: LoanLine | None = Field(description="Its loan, for those it concerns", examples=[_LOAN])
    flags: list[FlagShown] = Field(description="What to look at", examples=[[_FLAG]])
    carries: list[CarriedShown] = Field(
        description="Contaminations and restrictions of its own and, from before it was made of them, of its forebears",
        examples=[[_CARRIED]],
    )
    label: str | None = Field(description="Code of the label print that is live", examples=["BRM0010J.1"])
    on_hold: list[DocumentCode] = Field(
        description="Cases that hold it: it is not to be promised, lent or sent but home", examples=[["C-7K2M9QXD"]]
    )
