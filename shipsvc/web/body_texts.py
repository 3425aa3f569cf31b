"""How the words in the bodies of facts are written: numbers, masses, areas, codes, and what is wrong with one."""

from collections.abc import Callable
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from shipsvc.domain import codes, errors
from shipsvc.domain.mass import Estimate, Mass


def checked(parse: Callable[[str], Any], *, keep_text: bool = False) -> AfterValidator:
    """A validator that says what is wrong in the words and with the code of our own error tree."""

    def run(text: str) -> Any:
        try:
            found = parse(text)
        except errors.ShipsvcError as error:
            raise PydanticCustomError(error.code, "{said}", {"said": error.said}) from None
        return text if keep_text else found

    return AfterValidator(run)


def only_a_number(value: Any) -> Any:
    """The value, unless it is a text or a truth."""
    # JSON is strict where Python is not: true is no 1, and "5" is no 5.
    if isinstance(value, bool | str):
        raise PydanticCustomError("int_type", "Input should be a whole number")
    return value


def only_a_float(value: Any) -> Any:
    """The same, for numbers with a fraction."""
    if isinstance(value, bool | str):
        raise PydanticCustomError("float_type", "Input should be a number")
    return value


def _estimate(text: str) -> Any:
    return Estimate.parse(f"1 mg +- {text}")


#: What domain.mass reads, for the description only: what is wrong with a mass is said in our own words.
_MASS = r"[0-9]{1,30}(\.[0-9]{1,30})?\s*(kg|g|mg|ug|µg|μg|ng)\s*$"

ItemNumber = Annotated[
    str,
    Field(max_length=40, description="An item number with its check character.", examples=["BRM-0010-J"]),
    checked(codes.parse),
]
MassText = Annotated[
    str,
    Field(
        max_length=40,
        description="A mass with its unit, as read.",
        examples=["1204.2 mg"],
        json_schema_extra={"pattern": rf"^\s*[+−-]?{_MASS}"},
    ),
    checked(Mass.parse, keep_text=True),
]
WidthText = Annotated[
    str,
    Field(
        max_length=40,
        description="Half-width of an estimate, with its unit.",
        examples=["10 mg"],
        json_schema_extra={"pattern": rf"^\s*[+]?{_MASS}"},
    ),
    checked(_estimate, keep_text=True),
]
Code = Annotated[str, Field(pattern=r"^[A-Z0-9][A-Z0-9-]{0,31}$", description="A code of ours.", examples=["T-01"])]
Party = Annotated[
    str,
    Field(
        pattern=r"^[A-Z0-9][A-Z0-9-]{0,31}(/[a-z0-9][a-z0-9-]{0,31})?$",
        description="An institution, or a desk of one.",
        examples=["TSI", "LSC/mail-room"],
    ),
]
#: Any characters but the one that PostgreSQL cannot keep in a text.
NO_NUL = r"^[^\x00]*$"
Words = Annotated[str, Field(max_length=400, pattern=NO_NUL, description="A few words.", examples=["packing"])]
PersonId = Annotated[
    str,
    Field(
        pattern="^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$",
        description="Id of a person.",
        examples=["6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"],
    ),
]
Whole = Annotated[int, Field(ge=0, le=1_000_000, examples=[48]), BeforeValidator(only_a_number)]


Sha256 = Annotated[
    str,
    Field(
        pattern="^[0-9a-f]{64}$",
        description="SHA-256 of a file, in hexadecimal.",
        examples=["ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"],
    ),
]


AreaText = Annotated[
    str,
    Field(
        pattern=r"^[0-9]{1,6}(\.[0-9]{1,6})?$",
        description="An area in mm2, as decimal digits: of a section, or what was taken of it.",
        examples=["0.5"],
    ),
]
ThicknessText = Annotated[
    str,
    Field(
        pattern=r"^[0-9]{1,6}(\.[0-9]{1,3})?$",
        description="The thickness of a section in um, as decimal digits: that which it has afterwards.",
        examples=["150"],
    ),
]
