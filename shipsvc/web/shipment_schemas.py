"""What shipments look like in JSON."""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from shipsvc.web.answered import MOMENT, VersionAt
from shipsvc.web.body_texts import ItemNumber
from shipsvc.web.document_schemas import Listing
from shipsvc.web.loan_schemas import FreeWords, NumberShown
from shipsvc.web.schemas import DocumentCode, Instant, InstitutionCode, Party, Strict, Words

#: Facts name shipments by codes of at most 32 characters.
ShipmentCode = Annotated[DocumentCode, Field(max_length=32, examples=["T-01"])]
ParcelState = Literal["preparing", "moving", "held", "turned_round", "rejected", "arrived", "confirmed"]
STATE_MEANS = (
    "From its own facts: preparing; moving; held by an authority; turned_round; rejected by the addressee; arrived by"
    " another's word, which is presumed; confirmed by the addressee"
)
Contents = Annotated[list[ItemNumber], Field(max_length=200, description="Parcels, or whatever travels by itself")]

_ROUTE: dict[str, Any] = {
    "addressee": "TSI",
    "carrier": "CRK",
    "expected_by": "2025-03-14T12:00:00Z",
    "handling": "Keep upright and dry. Do not open outside a glovebox.",
}
_NEW: dict[str, Any] = {"code": "T-01", "consignor": "TRP", **_ROUTE, "loan": "L-01", "why": "L-01 out"}


def _example(*parts: dict[str, Any]) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": [{k: v for part in parts for k, v in part.items()}]})


class RouteContent(Strict):
    """What may change about a shipment."""

    addressee: Party = Field(description="Who is to have it: an institution or a desk of one", examples=["TSI"])
    carrier: InstitutionCode = Field(description="Who carries it", examples=["CRK"])
    expected_by: Instant | None = Field(
        None, description="When it should have arrived", examples=["2025-03-14T12:00:00Z"]
    )
    handling: FreeWords = Field("", description="What to mind at the door", examples=["Keep upright and dry."])


class ShipmentNew(RouteContent):
    """A shipment not yet known."""

    model_config = _example(_NEW, {"contents": ["P-001-5"]})
    code: ShipmentCode | None = Field(
        None, description="A code of one's own; made here, if left out", examples=["T-01"]
    )
    consignor: InstitutionCode = Field(description="Who sends it", examples=["TRP"])
    loan: DocumentCode | None = Field(None, description="The loan that it travels under", examples=["L-01"])
    why: FreeWords = Field("", description="What it is sent for", examples=["L-01 out"])
    contents: Contents = Field(default_factory=list, examples=[["P-001-5"]])


class RouteChange(RouteContent):
    """A new version of a shipment, from now on."""

    model_config = _example(_ROUTE, {"because": "The laboratory is closed that week"})
    because: Words = Field(description="Why", examples=["The laboratory is closed that week"])


class ContentsNew(Strict):
    """More things in a shipment."""

    model_config = _example({"contents": ["P-002-3"], "because": "A second box"})
    contents: Contents = Field(min_length=1, examples=[["P-002-3"]])
    because: Words = Field(description="Why", examples=["A second box"])


class TurnRound(Strict):
    """Back to the consignor."""

    model_config = _example({"turned_at": "2026-08-15T02:00:00Z", "acting_for": "CRK", "because": "L-06 was recalled"})
    turned_at: Instant | None = Field(
        None, description="When it was turned round; now, if left out", examples=["2026-08-15T02:00:00Z"]
    )
    acting_for: InstitutionCode | None = Field(
        None, description="Consignor or carrier; the one that you act for, if left out", examples=["CRK"]
    )
    because: Words = Field(description="Why", examples=["L-06 was recalled"])


_LAST: dict[str, Any] = {
    "event_id": "0195a3c2-6f00-7000-8000-000000000001",
    "kind": "accepted",
    "happened_at": "2025-03-14T00:10:00Z",
    "recorded_at": "2025-03-14T00:12:00Z",
    "acting_for": "TSI",
}
_PARCEL: dict[str, Any] = {
    "number": "P-001-5",
    "kind": "parcel",
    "form": "overpack",
    "what": "",
    "state": "confirmed",
    "confirmed_at": "2025-03-14T00:10:00Z",
    "holder": None,
    "claimed": None,
    "handover": "agreed",
    "last": _LAST,
}
_SHIPMENT: dict[str, Any] = {
    **_NEW,
    "turned_at": None,
    "overdue": False,
    "contents": [_PARCEL],
    "version": 1,
    "valid_from": "2025-03-07T09:00:00Z",
    "recorded_at": "2025-03-07T09:00:00Z",
    "actor": "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10",
    "because": "Written down",
    **MOMENT,
}
_PACKED: dict[str, Any] = {
    "number": "P-001-5",
    "kind": "parcel",
    "form": "overpack",
    "what": "",
    "mass_mg": None,
    "seals": [
        {"seal": "S-1002", "put_on_at": "2025-03-10T08:40:00Z", "state": "intact", "state_at": "2025-03-14T01:20:00Z"}
    ],
    "contents": [],
}


class LastWord(Strict):
    """The last fact about a thing."""

    model_config = _example(_LAST)
    event_id: str = Field(description="Its id", examples=["0195a3c2-6f00-7000-8000-000000000001"])
    kind: str = Field(description="What was told", examples=["accepted"])
    happened_at: Instant
    recorded_at: Instant
    acting_for: str = Field(description="Who told it", examples=["TSI"])


class Thing(Strict):
    """What a number names."""

    number: NumberShown
    kind: Literal["sample", "container", "parcel"] = Field(description="What kind of thing", examples=["parcel"])
    form: str = Field(description="Its form", examples=["overpack"])
    what: str = Field(description="In words", examples=["glass vials"])


class ParcelShown(Thing):
    """One thing that a shipment holds, and how far it has come."""

    model_config = _example(_PARCEL)
    state: ParcelState = Field(description=STATE_MEANS, examples=["moving"])
    confirmed_at: Instant | None = Field(
        None, description="When its addressee had it, by the words of both sides", examples=["2025-03-14T00:10:00Z"]
    )
    holder: str | None = Field(None, description="Who has it for certain, until it is confirmed", examples=["TRP"])
    claimed: str | None = Field(None, description="Who has it by one side's word only", examples=["CRK"])
    handover: str | None = Field(None, description="How far the sides agree", examples=["giver_only"])
    last: LastWord | None = Field(None, description="The last fact about it until it was confirmed; not told in lists")


class ShipmentShown(RouteContent, VersionAt):
    """A shipment at a moment."""

    model_config = _example(_SHIPMENT)
    code: ShipmentCode
    consignor: InstitutionCode
    expected_by: Instant | None = Field(
        None, description="When it should have arrived", examples=["2025-03-14T12:00:00Z"]
    )
    handling: FreeWords = Field(description="What to mind at the door", examples=["Keep upright and dry."])
    loan: str | None = Field(
        None, description="The loan that it travels under; not told to the carrier", examples=["L-01"]
    )
    why: str = Field(description="What it is sent for; not told to the carrier", examples=["L-01 out"])
    turned_at: Instant | None = Field(
        None, description="Since when it is on its way back to the consignor", examples=["2026-08-15T02:00:00Z"]
    )
    overdue: bool = Field(
        description="Whether it was expected before `as_of` and is not confirmed wholly", examples=[False]
    )
    contents: list[ParcelShown] = Field(description="What it holds, in the order of their numbers")


class ShipmentPage(Listing):
    """Shipments in the order of their codes."""

    model_config = _example({"items": [{**_SHIPMENT, "contents": [{**_PARCEL, "last": None}]}], "next": None})
    items: list[ShipmentShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


class SealShown(Strict):
    """A seal as it was last told of."""

    seal: str = Field(description="Its number", examples=["S-1002"])
    put_on_at: Instant | None = Field(
        None, description="Null where nobody told of it", examples=["2025-03-10T08:40:00Z"]
    )
    state: Literal["put_on", "intact", "broken", "missing", "replaced", "opened"] = Field(
        description="As last told", examples=["intact"]
    )
    state_at: Instant


class PackedShown(Thing):
    """A thing, its seals, and what is packed in it."""

    model_config = _example(_PACKED)
    mass_mg: str | None = Field(None, description="The book mass of a sample", examples=["1204.3"])
    seals: list[SealShown] = Field(description="In the order they were told of")
    contents: list["PackedShown"] = Field(description="What is in it, in the order of their numbers")


class PackingListShown(VersionAt):
    """What is in what."""

    model_config = _example(
        {k: v for k, v in _SHIPMENT.items() if k in {*VersionAt.model_fields, "code", "consignor", "addressee"}},
        {"packed_at": "2025-03-10T10:05:00Z", "contents": [_PACKED]},
    )
    code: ShipmentCode
    consignor: InstitutionCode
    addressee: Party
    packed_at: Instant = Field(description="When the first of it left; `as_of`, while none has")
    contents: list[PackedShown]


class ArrivingShown(ShipmentShown):
    """A shipment that is coming, with what is packed in it."""

    model_config = _example(_SHIPMENT, {"answers": "TSI", "packed": [_PACKED]})
    answers: InstitutionCode = Field(
        description="The institution of the addressee, or the one that took over from it", examples=["TSI"]
    )
    packed: list[PackedShown] = Field(description="What is in what, as it is now")


class ArrivingPage(Listing):
    """What is coming, the first expected in front."""

    model_config = _example({"items": [{**_SHIPMENT, "answers": "TSI", "packed": [_PACKED]}], "next": None})
    items: list[ArrivingShown] = Field(description="Shipments that are not confirmed wholly")
