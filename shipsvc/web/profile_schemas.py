"""What storage profiles look like in JSON: limits in any unit of their quantity, answered in one."""

from typing import Annotated, Any, Final, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from shipsvc.domain import quantities
from shipsvc.domain.profiles import Limit
from shipsvc.web.document_schemas import TOLD, VERSION, Listing, Version, example
from shipsvc.web.schemas import WHOLE_MAX, Count, Day, DocumentCode, InstitutionCode, Strict, Told, Words, saying

Quantity = Literal["temperature", "relative_humidity", "frost_point", "oxygen", "pressure", "shock", "light"]
_PROFILE: Final[dict[str, Any]] = {
    "what": "dry nitrogen, room temperature",
    "limits": [
        {"quantity": "temperature", "unit": "Cel", "lower": 15, "upper": 25},
        {"quantity": "frost_point", "unit": "Cel", "lower": None, "upper": -40},
        {"quantity": "oxygen", "unit": "[ppm]", "lower": None, "upper": 100},
    ],
    "decisive": "frost_point",
    "lifetime_budget_s": 259_200,
    "single_budget_s": 28_800,
    "least_readings": 2,
    "max_gap_s": None,
    "spike_allowance_s": 0,
    "as_strict_as": [],
    "contact_materials": [{"material": "PTFE", "since": "2025-01-02"}],
}
_OF: Final[dict[str, Any]] = {"code": "N", "institution": "TRP"}


def _figure(value: Any) -> Any:
    if isinstance(value, str | bool):
        raise ValueError("a limit is written without quotation marks")
    return value


Figure = Annotated[
    float,
    Field(ge=-1e9, le=1e9, allow_inf_nan=False, description="A value in that unit", examples=[15]),
    BeforeValidator(_figure),
]


def _whole(value: Any) -> Any:
    if isinstance(value, str | bool):
        raise ValueError("a whole number is written without quotation marks")
    return value


Readings = Annotated[int, Field(ge=1, le=1000), BeforeValidator(_whole)]
Gap = Annotated[int, Field(ge=1, le=WHOLE_MAX), BeforeValidator(_whole)]


class LimitShown(Strict):
    """Between which values a quantity has to stay; strictly beyond is outside."""

    quantity: Quantity = Field(description="What is measured", examples=["temperature"])
    unit: str = Field(
        min_length=1,
        max_length=20,
        description="Its unit by UCUM; answers give limits in one unit for each quantity",
        examples=["Cel"],
    )
    lower: Figure | None = Field(None, description="Not below this; null: no matter how low", examples=[15])
    upper: Figure | None = Field(None, description="Not above this; null: no matter how high", examples=[25])

    @model_validator(mode="after")
    def _in_one_unit(self) -> Self:
        """As the service keeps it; a contradiction is said in our own words."""
        saying(self._convert)("")
        return self

    def _convert(self, _: str) -> None:
        line = quantities.conversion(self.quantity, self.unit)
        self.lower = None if self.lower is None else line.to(self.lower)
        self.upper = None if self.upper is None else line.to(self.upper)
        self.unit = quantities.QUANTITIES[self.quantity]
        Limit(self.quantity, self.unit, self.lower, self.upper)


class ContactShown(Strict):
    """A material that may touch the sample."""

    material: Words = Field(description="Which", examples=["PTFE"])
    since: Day = Field(description="The first day on which it was approved", examples=["2025-01-02"])


class ProfileContent(Strict):
    """What may change about a storage profile."""

    what: Words = Field(description="What it is", examples=["dry nitrogen, room temperature"])
    limits: list[LimitShown] = Field(max_length=7, description="Each quantity once; what is not named may be anything")
    decisive: Quantity | None = Field(
        None,
        description="The quantity whose readings prove that a sample was in; null: none does",
        examples=["frost_point"],
    )
    lifetime_budget_s: Count | None = Field(
        None, description="How long it may be out in its whole life, in s; null: only recorded", examples=[259_200]
    )
    single_budget_s: Count | None = Field(
        None, description="How long it may be out at one time, in s; null: only recorded", examples=[28_800]
    )
    least_readings: Readings = Field(
        2, description="With fewer readings beyond a limit, a stretch is out at most, not at least", examples=[2]
    )
    max_gap_s: Gap | None = Field(
        None,
        description="How far apart readings may be and still cover the time between, in s; null: three intervals of "
        "the source, at least 1800 s",
        examples=[1800],
    )
    spike_allowance_s: Count = Field(
        0, description="A stretch beyond a limit that is no longer than this is not charged, in s", examples=[0]
    )
    as_strict_as: list[DocumentCode] = Field(
        default_factory=list,
        max_length=50,
        description="Profiles that a place with this one keeps as well",
        examples=[["S"]],
    )
    contact_materials: list[ContactShown] = Field(
        default_factory=list,
        max_length=100,
        description="What may touch the sample, since when; none named: anything may",
    )


class ProfileChange(ProfileContent, Told):
    """A new version of a storage profile."""

    model_config = example(_PROFILE, TOLD, {"single_budget_s": 14_400, "because": "Half of it after the water gain"})


class ProfileNew(ProfileContent, Told):
    """A storage profile not yet known."""

    model_config = example(_OF, _PROFILE, TOLD)
    code: DocumentCode = Field(description="A code that people chose; never reused", examples=["N"])
    institution: InstitutionCode


class ProfileShown(ProfileContent, Version):
    """A storage profile in one version."""

    model_config = example(_OF, _PROFILE, VERSION)
    code: DocumentCode
    institution: InstitutionCode
    spike_allowance_s: Count = Field(description="A stretch no longer than this is not charged, in s", examples=[0])
    as_strict_as: list[DocumentCode] = Field(description="What a place with it keeps as well", examples=[["S"]])
    contact_materials: list[ContactShown] = Field(description="What may touch the sample, since when")


class ProfilePage(Listing):
    """Storage profiles in the order of their codes."""

    model_config = example({"items": [_OF | _PROFILE | VERSION], "next": None})
    items: list[ProfileShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")
