"""Forms whose fields depend on what they are about: their fields by name, and ids that follow from that of the form."""

import hashlib
from collections.abc import Mapping
from typing import Annotated, Final

from fastapi import Depends, Request

from shipsvc.domain import errors

Fields = Mapping[str, str]
FIELDS_MAX: Final = 2000
FIELD_CHARACTERS_MAX: Final = 400


async def _fields(request: Request) -> Fields:
    async with request.form(max_files=0, max_fields=FIELDS_MAX) as form:
        found = {name: value for name, value in form.items() if isinstance(value, str)}
    for name, value in found.items():
        if len(value) > FIELD_CHARACTERS_MAX:
            raise errors.Malformed(why=f"{name[:60]} is longer than {FIELD_CHARACTERS_MAX} characters")
    return found


FieldsDep = Annotated[Fields, Depends(_fields)]


def id_of(first: str, place: int) -> str:
    """An id that follows from another one: its time (RFC 9562, 5.7: the first 48 bits), and a hash for what is random.
    Of what is no id it is none either, which the check of the fact finds."""
    made = hashlib.sha256(f"{first}/{place}".encode()).hexdigest()
    return f"{first[:13]}-7{made[:3]}-8{made[3:6]}-{made[6:18]}"
