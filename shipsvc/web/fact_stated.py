"""What a fact states beside a mass: the air it was read in, and how well a laboratory knows it."""

from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from shipsvc.domain import errors
from shipsvc.domain.errors import Text
from shipsvc.domain.weighing import contradiction
from shipsvc.web.body_texts import WidthText, only_a_float


class RoomAir(BaseModel):
    """The air at a balance."""

    model_config = ConfigDict(extra="forbid")
    temperature_c: Annotated[float, Field(ge=-40, le=60, examples=[20.5]), BeforeValidator(only_a_float)]
    pressure_hpa: Annotated[float, Field(ge=300, le=1100, examples=[1008.2]), BeforeValidator(only_a_float)]
    humidity_percent: Annotated[float, Field(ge=0, le=100, examples=[41]), BeforeValidator(only_a_float)]


def refuse(found: tuple[Text, str] | None) -> None:
    """Refuse a body for what it says against itself, as (why, member)."""
    if found is not None:
        why, member = found
        raise PydanticCustomError(
            errors.Malformed.code, "{said}", {"said": Text("{member}: {why}.", member=member, why=why)}
        )


class Stated(BaseModel):
    """What a laboratory states of a mass by its own budget or certificate."""

    model_config = ConfigDict(extra="forbid")
    expanded_uncertainty: WidthText | None = Field(
        None, description="U, with its unit: U / k is then the standard uncertainty of the mass.", examples=["0.06 mg"]
    )
    coverage_factor: Annotated[float, Field(ge=1, le=10), BeforeValidator(only_a_float)] | None = Field(
        None, description="k, 2 unless told.", examples=[2]
    )

    @model_validator(mode="after")
    def _fits_itself(self) -> Self:
        """What contradicts itself is refused; what contradicts the record is not."""
        refuse(contradiction(self.model_dump(exclude_unset=True)))
        return self
