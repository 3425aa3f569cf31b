"""Types that several requests and answers share: how instants, codes, masses and words are written in JSON.

JSON has fewer types than we mean, and pydantic is generous: 0 passes for a time and "5" for a number unless it is
told otherwise. Constraints come first and validators last: the other way round the JSON Schema is wrong.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Final, Literal, TypeVar

from fastapi import Depends, Query
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, WithJsonSchema
from pydantic_core import PydanticCustomError

from shipsvc.domain import errors
from shipsvc.domain.times import as_utc, format_instant, parse_date, parse_instant

Parsed = TypeVar("Parsed")
#: What fits the 32-bit columns of PostgreSQL.
WHOLE_MAX: Final = 2**31 - 1


def saying(rule: Callable[[str], Parsed]) -> Callable[[str], Parsed]:
    """The rule, with our errors turned into what pydantic gathers and gives a place in the request."""

    def _checked(text: str) -> Parsed:
        try:
            return rule(text)
        except errors.Malformed as error:
            raise PydanticCustomError(error.code, "{said}", {"said": error.said}) from None

    return _checked


def _instant(value: Any) -> datetime:
    if isinstance(value, datetime):
        return as_utc(value)
    if not isinstance(value, str):
        raise ValueError("a time is a string such as 2025-03-10T08:40:00Z")
    return saying(parse_instant)(value)


def _day(value: Any) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if not isinstance(value, str):
        raise ValueError("a day is a string such as 2026-06-30")
    return saying(parse_date)(value)


def _whole(value: Any) -> Any:
    if isinstance(value, str | bool):
        raise ValueError("a whole number is written without quotation marks")
    return value


Instant = Annotated[
    datetime,
    Field(description="A time with its offset (RFC 3339); answers give it in UTC", examples=["2025-03-10T08:40:00Z"]),
    BeforeValidator(_instant),
    PlainSerializer(format_instant, return_type=str),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
Day = Annotated[
    date,
    Field(description="A local day (RFC 3339 full-date)", examples=["2026-06-30"]),
    BeforeValidator(_day),
    WithJsonSchema({"type": "string", "format": "date"}),
]
Count = Annotated[int, Field(ge=0, le=WHOLE_MAX, description="A whole number", examples=[4]), BeforeValidator(_whole)]
Ppm = Annotated[
    int,
    Field(ge=0, le=1_000_000, description="A share in parts per million", examples=[700_000]),
    BeforeValidator(_whole),
]
Altitude = Annotated[
    int,
    Field(ge=-1000, le=11_000, description="Metres above sea level, for what the air carries", examples=[40]),
    BeforeValidator(_whole),
]
#: One line of words: at least one visible character, none that controls.
Words = Annotated[
    str,
    Field(
        min_length=1,
        max_length=500,
        pattern=r"^[^\x00-\x1f\x7f]*[^\x00-\x20\x7f][^\x00-\x1f\x7f]*$",
        description="Words on one line",
        examples=["Corrected after the yearly check"],
    ),
]
InstitutionCode = Annotated[
    str,
    Field(pattern=r"^[A-Z][A-Z0-9]{1,15}$", description="The code of an institution", examples=["TRP"]),
]
Party = Annotated[
    str,
    Field(
        pattern=r"^[A-Z][A-Z0-9]{1,15}(/[a-z0-9][a-z0-9-]{0,31})?$",
        description="An institution or, after a slash, a desk of it",
        examples=["LSC/mail-room"],
    ),
]
DocumentCode = Annotated[
    str,
    Field(
        pattern=r"^[A-Z][A-Z0-9]{0,15}(-[A-Z0-9]{1,16}){0,3}$",
        description="A code that people chose; never reused",
        examples=["TRP-GB1"],
    ),
]
Prefix = Annotated[
    str,
    Field(
        pattern=r"^[A-HJ-NP-Z]{1,6}$",
        description="The letters that item numbers begin with: neither O nor I, which look like digits",
        examples=["BRM"],
    ),
]
ZoneName = Annotated[
    str,
    Field(
        max_length=64,
        pattern=r"^[A-Za-z0-9_+/-]+$",
        description="An IANA time zone",
        examples=["Europe/London"],
    ),
]
MassText = Annotated[
    str,
    Field(
        pattern=r"^-?[0-9]{1,12}(\.[0-9]{1,6})?$",
        description="A mass in mg as decimal digits; a string, since a JSON number may lose some",
        examples=["512.46"],
    ),
]
_FRACTIONS = "|".join(f"0{{{zeros}}}[1-9][0-9]{{0,{5 - zeros}}}" for zeros in range(6))
#: Above zero, written so that the pattern alone says it.
PositiveMassText = Annotated[
    str,
    Field(
        pattern=rf"^([1-9][0-9]{{0,9}}(\.[0-9]{{1,6}})?|0\.({_FRACTIONS}))$",
        description="A mass above zero in mg as decimal digits",
        examples=["0.01"],
    ),
]
RoleName = Literal[
    "administrator",
    "analyst",
    "auditor",
    "clerk",
    "curator",
    "deputy",
    "device",
    "driver",
    "mail_room",
    "preparator",
    "receiver",
    "registrar",
    "responsible",
    "reviewer",
    "witness",
]
PartyKind = Literal["lender", "borrower", "deposit", "courier", "authority", "requester", "other"]


class Strict(BaseModel):
    """A request or an answer: no member beyond those described, so that a misspelt one is not lost in silence."""

    model_config = ConfigDict(extra="forbid")


class Told(Strict):
    """What every change of a document says besides its content."""

    valid_from: Instant | None = Field(
        None, description="Since when this holds; now, if left out", examples=["2026-07-01T00:00:00Z"]
    )
    because: Words = Field(description="Why this is told", examples=["Renamed by its council"])


@dataclass(frozen=True)
class Moments:
    """``as_of`` and ``known_on`` of a question, as they were asked; None where left out."""

    as_of: datetime | None
    known_on: datetime | None


async def _when(
    as_of: Annotated[
        Instant | None, Query(description="The moment asked about; now, if left out", examples=["2026-03-10T12:00:00Z"])
    ] = None,
    known_on: Annotated[
        Instant | None,
        Query(description="Go by what had been recorded by then; all, if left out", examples=["2026-03-13T12:00:00Z"]),
    ] = None,
) -> Moments:
    return Moments(as_of, known_on)


MomentsDep = Annotated[Moments, Depends(_when)]
