"""Forms whose fields depend on what they are about: their fields by name, and ids that follow from that of the form."""

import hashlib
import re
from collections.abc import Mapping
from typing import Annotated, Final

from fastapi import Depends, Request

from shipsvc.domain import errors
from shipsvc.web.pages import language

Fields = Mapping[str, str]
FIELDS_MAX: Final = 2000
FIELD_CHARACTERS_MAX: Final = 400
TYPED_SHOWN_MAX: Final = 60
_WITH_COMMA: Final = re.compile(r"(?<![0-9.,])([0-9]+),([0-9]+)(?![0-9.,])")


async def _fields(request: Request) -> Fields:
    async with request.form(max_files=0, max_fields=FIELDS_MAX) as form:
        found = {name: value for name, value in form.items() if isinstance(value, str)}
    for name, value in found.items():
        if len(value) > FIELD_CHARACTERS_MAX:
            too_long = "{name} is longer than {most} characters"
            raise errors.Malformed(why=errors.Text(too_long, name=name[:60], most=FIELD_CHARACTERS_MAX))
    return found


FieldsDep = Annotated[Fields, Depends(_fields)]


def mass_typed(typed: str, pointer: str = "/body/mass") -> str:
    """A mass as facts have it, with a point. A comma is the decimal sign where the page is in a language of which it is
    that, and parts no thousands anywhere; figures with more than one mark stay, and are no mass. AmbiguousComma where
    the page is in another language."""
    if language.decimal_sign() == ",":
        return _WITH_COMMA.sub(r"\1.\2", typed)
    if _WITH_COMMA.search(typed):
        raise errors.AmbiguousComma(typed=f'"{typed[:TYPED_SHOWN_MAX]}"', pointer=pointer)
    return typed


def id_of(first: str, place: int) -> str:
    """An id that follows from another one: its time (RFC 9562, 5.7: the first 48 bits), and a hash for what is random.
    Of what is no id it is none either, which the check of the fact finds."""
    made = hashlib.sha256(f"{first}/{place}".encode()).hexdigest()
    return f"{first[:13]}-7{made[:3]}-8{made[3:6]}-{made[6:18]}"
