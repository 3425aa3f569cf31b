"""What may happen to the masses of a collection without anybody being to blame, in JSON."""

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from shipsvc.domain.mass import Mass
from shipsvc.domain.rulebook import USUAL, Allowances, read_allowances, write_allowances
from shipsvc.web.document_schemas import TOLD, VERSION, Listing, Version, example
from shipsvc.web.schemas import DocumentCode, InstitutionCode, Ppm, Strict, Told

Material = Literal["sealed", "chip", "powder"]
MoistureClass = Literal["CI", "CM", "other"]
LeastMass = Annotated[
    str,
    Field(
        pattern=r"^(0|[1-9][0-9]{0,5})(\.[0-9]{1,6})?$",
        description="A mass in mg as decimal digits, 0 or more",
        examples=["0.05"],
    ),
]
_PROCESS = r"^[a-z][a-z ]{0,39}$"


def _named(shares: dict[str, int]) -> dict[str, int]:
    for name in shares:
        if not re.match(_PROCESS, name):
            raise PydanticCustomError("string_pattern_mismatch", "A process is one of small letters and spaces")
    return shares


Shares = Annotated[dict[str, Ppm], AfterValidator(_named)]
_HANDLING: dict[str, Any] = {"least_mg": "0.05", "share_ppm": 1_000}
_CONTENT: dict[str, Any] = {
    "handling": {"chip": _HANDLING},
    "working_ppm": {"chip": 5_000, "sieving": 50_000},
    "moisture_ppm": {"CM": 20_000},
}


class Handling(Strict):
    """The larger of the two may get lost when such material is moved."""

    model_config = example(_HANDLING)
    least_mg: LeastMass
    share_ppm: Ppm = Field(description="A share of the expected mass, in parts per million", examples=[1_000])


class AllowanceContent(Strict):
    """What a collection allows."""

    handling: dict[Material, Handling] = Field(
        default_factory=dict,
        description="What moving may lose, by material. What is left out is as usual (see README)",
        examples=[{"chip": _HANDLING}],
    )
    working_ppm: Shares = Field(
        default_factory=dict,
        max_length=50,
        description="What work may lose where nobody said how much it lost, in parts per million of the mass worked: by"
        " the process that a split or a mixture names, and by material where it names none of these",
        examples=[{"chip": 5_000, "sieving": 50_000}],
        json_schema_extra={"propertyNames": {"pattern": _PROCESS}},
    )
    moisture_ppm: dict[MoistureClass, Ppm] = Field(
        default_factory=dict,
        description="What air may add to the expected mass, by class of material, in parts per million",
        examples=[{"CM": 20_000}],
    )

    def columns(self) -> dict[str, Any]:
        """The columns of a version: all that is allowed, what is left out as usual."""
        handling: dict[str, tuple[int, int]] = {}
        for name, one in self.handling.items():
            handling[name] = Mass.parse(f"{one.least_mg} mg").ng, one.share_ppm
        moisture: dict[str, int] = dict(self.moisture_ppm.items())
        whole = Allowances(handling, self.working_ppm, moisture).over(USUAL)
        return {"rules": write_allowances(whole)}


def shown(row: Mapping[str, Any]) -> dict[str, Any]:
    """A version row as the members of an answer."""
    found = read_allowances(row["rules"])
    handling = {
        name: {"least_mg": Mass(ng).digits("mg"), "share_ppm": ppm} for name, (ng, ppm) in found.handling.items()
    }
    members = {"handling": handling, "working_ppm": dict(found.working_ppm), "moisture_ppm": dict(found.moisture_ppm)}
    return {**{name: value for name, value in row.items() if name != "rules"}, **members}


class AllowanceChange(AllowanceContent, Told):
    """A new version of what a collection allows, the whole of it."""

    model_config = example(_CONTENT, TOLD, {"because": "Chips are moved by vacuum tweezers now"})


class AllowanceNew(AllowanceContent, Told):
    """What a collection allows, said for the first time."""

    model_config = example({"code": "BRAITHMOSS"}, _CONTENT, TOLD)
    code: DocumentCode = Field(description="The collection", examples=["BRAITHMOSS"])


class AllowanceShown(AllowanceContent, Version):
    """What a collection allows, in one version, with all that is as usual."""

    model_config = example({"code": "BRAITHMOSS", "owner": "TRP"}, _CONTENT, VERSION)
    code: DocumentCode = Field(description="The collection", examples=["BRAITHMOSS"])
    owner: InstitutionCode


class AllowancePage(Listing):
    """Allowances in the order of their collections."""

    model_config = example({"items": [{"code": "BRAITHMOSS", "owner": "TRP"} | _CONTENT | VERSION], "next": None})
    items: list[AllowanceShown] = Field(description="As they were at `as_of`, by what was known on `known_on`")
