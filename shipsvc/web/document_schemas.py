"""What collections, places and balances look like in JSON."""

import json
from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from shipsvc.domain import errors
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import parse_instant
from shipsvc.web.identity_schemas import PERSON, PersonId
from shipsvc.web.schemas import (
    Count,
    Day,
    DocumentCode,
    Instant,
    InstitutionCode,
    PositiveMassText,
    Ppm,
    Prefix,
    Strict,
    Told,
    Words,
    ZoneName,
)

SignedMassText = Annotated[
    str,
    Field(
        pattern=r"^-?(0|[1-9][0-9]{0,5})(\.[0-9]{1,6})?$",
        description="A mass in mg as decimal digits, above or below 0",
        examples=["-0.03"],
    ),
]
VERSION: dict[str, Any] = {
    "version": 1,
    "valid_from": "2025-01-01T00:00:00Z",
    "recorded_at": "2025-01-20T09:00:00Z",
    "actor": "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10",
    "because": "First entry",
    "provisional": False,
}
#: Columns that hold a list as JSON.
LISTS = frozenset({"limits", "as_strict_as", "contact_materials"})
TOLD: dict[str, Any] = {"valid_from": "2025-01-01T00:00:00Z", "because": "First entry"}


def example(*parts: Mapping[str, Any]) -> ConfigDict:
    """An example for the description, put together from parts."""
    merged = {name: value for part in parts for name, value in part.items()}
    return ConfigDict(json_schema_extra={"examples": [merged]})


class Version(Strict):
    """What every answer with a document says of the version in it."""

    version: int = Field(ge=1, description="Counted from 1; If-Match names it", examples=[1])
    valid_from: Instant = Field(description="Since when it holds")
    recorded_at: Instant = Field(description="When it was told")
    actor: str = Field(description="Id of the person who told it", examples=["6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"])
    because: str = Field(description="Why it was told", examples=["First entry"])
    provisional: bool = Field(
        description="Whether `known_on` is so near that a change still under way could alter this answer",
        examples=[False],
    )


class Listing(Strict):
    """One page of a list."""

    next: str | None = Field(
        None,
        description="Send it as `cursor` for the next page; null on the last one",
        examples=["WyJwbGFjZSIsIlRSUC1HQjEiXQ"],
    )


_COLLECTION: dict[str, Any] = {
    "name": "Braithmoss",
    "zone": "Europe/London",
    "late_after_s": 86_400,
    "reserve_floor_ppm": 700_000,
    "cut_overshoot_ppm": 50_000,
    "fell_at": "2025-01-18T19:42:00Z",
}
_PLACE: dict[str, Any] = {"what": "nitrogen glovebox and shelf", "profile": "N", "custodian": PERSON}
_BALANCE: dict[str, Any] = {
    "what": "semi-micro",
    "readability_mg": "0.01",
    "repeatability_mg": "0.02",
    "good_until": "2027-01-31",
    "calibrated_on": "2026-02-03",
    "calibration_load_mg": "20000",
    "error_of_indication_mg": "-0.03",
    "calibration_u_mg": "0.02",
    "linearity_mg": "0.02",
}


class CollectionContent(Strict):
    """What may change about a collection."""

    name: Words = Field(description="What people call it", examples=["Braithmoss"])
    zone: ZoneName = Field(description="The IANA zone of its owner's days", examples=["Europe/London"])
    late_after_s: Count = Field(
        86_400, description="A fact told more than this many seconds after it happened is late", examples=[86_400]
    )
    reserve_floor_ppm: Ppm | None = Field(
        None,
        description="The share of what was taken in that must stay in its reserve, in parts per million; null: none",
        examples=[700_000],
    )
    cut_overshoot_ppm: Ppm = Field(
        50_000,
        description="By how much a piece may be heavier than what was granted, in parts per million of that",
        examples=[50_000],
    )
    fell_at: Instant | None = Field(
        None,
        description="When its material fell: time before it was first stored counts from then; null: from registration",
        examples=["2025-01-18T19:42:00Z"],
    )


class CollectionChange(CollectionContent, Told):
    """A new version of a collection."""

    model_config = example(_COLLECTION, TOLD, {"late_after_s": 172_800, "because": "Couriers report every other day"})


class CollectionNew(CollectionContent, Told):
    """A collection not yet known. Owner and prefix stay for good, since numbers are never reused."""

    model_config = example({"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM"}, _COLLECTION, TOLD)
    code: DocumentCode
    owner: InstitutionCode
    prefix: Prefix


class CollectionShown(CollectionContent, Version):
    """A collection in one version."""

    model_config = example({"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM"}, _COLLECTION, VERSION)
    code: DocumentCode
    owner: InstitutionCode
    prefix: Prefix
    late_after_s: Count = Field(description="A fact told more than this many seconds late is flagged")
    reserve_floor_ppm: Ppm | None = Field(
        description="What must stay in its reserve, in parts per million; null: it keeps none", examples=[700_000]
    )
    cut_overshoot_ppm: Ppm = Field(description="By how much more than granted a piece may weigh", examples=[50_000])
    fell_at: Instant | None = Field(
        description="When its material fell; null: nobody said", examples=["2025-01-18T19:42:00Z"]
    )


class CollectionPage(Listing):
    """Collections in the order of their codes."""

    model_config = example(
        {"items": [{"code": "BRAITHMOSS", "owner": "TRP", "prefix": "BRM"} | _COLLECTION | VERSION], "next": None}
    )
    items: list[CollectionShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


class PlaceContent(Strict):
    """What may change about a storage place."""

    what: Words = Field(description="What it is", examples=["nitrogen glovebox and shelf"])
    profile: DocumentCode = Field(description="The storage profile that it keeps", examples=["N"])
    custodian: PersonId | None = Field(
        None,
        description="Who keeps what is in it, and so cannot be the second person for it",
        examples=[PERSON],
    )


class PlaceChange(PlaceContent, Told):
    """A new version of a storage place."""

    model_config = example(_PLACE, TOLD, {"profile": "C", "because": "Now cooled to -20 °C"})


class PlaceNew(PlaceContent, Told):
    """A storage place not yet known."""

    model_config = example({"code": "TRP-GB1", "institution": "TRP"}, _PLACE, TOLD)
    code: DocumentCode
    institution: InstitutionCode


class PlaceShown(PlaceContent, Version):
    """A storage place in one version."""

    model_config = example({"code": "TRP-GB1", "institution": "TRP"}, _PLACE, VERSION, {"profile_known": True})
    code: DocumentCode
    institution: InstitutionCode
    profile_known: bool = Field(
        description="Whether anybody has described that profile: if not, what is kept here cannot be judged",
        examples=[True],
    )


class PlacePage(Listing):
    """Places in the order of their codes."""

    model_config = example(
        {"items": [{"code": "TRP-GB1", "institution": "TRP"} | _PLACE | VERSION | {"profile_known": True}]}
    )
    items: list[PlaceShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


class BalanceContent(Strict):
    """What the latest check of a balance found."""

    what: Words = Field(description="What class it is", examples=["semi-micro"])
    readability_mg: PositiveMassText = Field(description="The step of its display, d, in mg", examples=["0.01"])
    repeatability_mg: PositiveMassText = Field(
        description="Standard deviation of ten weighings, s, in mg", examples=["0.02"]
    )
    good_until: Day = Field(description="The last local day of its calibration", examples=["2027-01-31"])
    calibrated_on: Day | None = Field(None, description="When it was calibrated", examples=["2026-02-03"])
    calibration_load_mg: PositiveMassText | None = Field(
        None, description="The load that the next two are stated for, in mg", examples=["20000"]
    )
    error_of_indication_mg: SignedMassText | None = Field(
        None,
        description="By how much it reads too much at that load, in mg. No weighing is corrected for it: it counts as"
        " one standard uncertainty, in proportion to the mass",
        examples=["-0.03"],
    )
    calibration_u_mg: PositiveMassText | None = Field(
        None, description="Standard uncertainty (k = 1) of the calibration at that load, in mg", examples=["0.02"]
    )
    linearity_mg: PositiveMassText | None = Field(
        None, description="Half-width within which its readings may bend between loads, in mg", examples=["0.02"]
    )

    @model_validator(mode="after")
    def _of_a_load(self) -> Self:
        if self.calibration_load_mg is None and (self.error_of_indication_mg or self.calibration_u_mg):
            said = "calibration_load_mg: an error or uncertainty of the calibration is that of a load. Name the load."
            raise PydanticCustomError(errors.Malformed.code, "{said}", {"said": said})
        return self


class BalanceChange(BalanceContent, Told):
    """A new version of a balance, mostly after a check."""

    model_config = example(_BALANCE, TOLD, {"good_until": "2028-01-31", "because": "Yearly check"})


class BalanceNew(BalanceContent, Told):
    """A balance not yet known."""

    model_config = example({"code": "B2", "institution": "TRP"}, _BALANCE, TOLD)
    code: DocumentCode
    institution: InstitutionCode


class BalanceShown(BalanceContent, Version):
    """A balance in one version."""

    model_config = example({"code": "B2", "institution": "TRP"}, _BALANCE, VERSION)
    code: DocumentCode
    institution: InstitutionCode


class BalancePage(Listing):
    """Balances in the order of their codes."""

    model_config = example({"items": [{"code": "B2", "institution": "TRP"} | _BALANCE | VERSION]})
    items: list[BalanceShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")


def content_of(body: Told) -> dict[str, Any]:
    """The columns that a request fills, masses in ng, lists as JSON."""
    said = body.model_dump(exclude={"code", "valid_from", "because"})
    return {_column(name): _stored(name, value) for name, value in said.items()}


def _column(name: str) -> str:
    return name.removesuffix("_mg") + "_ng" if name.endswith("_mg") else name


def _stored(name: str, value: Any) -> Any:
    if isinstance(value, list):
        return json.dumps(value, default=date.isoformat)
    if name.endswith("_at") and isinstance(value, str):
        return parse_instant(value)
    return Mass.parse(f"{value} mg").ng if name.endswith("_mg") and value is not None else value


def fields_of(row: Mapping[str, Any]) -> dict[str, Any]:
    """A version row as the members of an answer, masses in mg."""
    return {_member(name): _written(name, value) for name, value in row.items()}


def _member(name: str) -> str:
    return name.removesuffix("_ng") + "_mg" if name.endswith("_ng") else name


def _written(name: str, value: Any) -> Any:
    if name in LISTS:
        return json.loads(value)
    return Mass(value).digits("mg") if name.endswith("_ng") and value is not None else value
