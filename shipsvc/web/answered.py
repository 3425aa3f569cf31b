"""What every answer about a state says of the moment that it is about."""

from datetime import datetime
from typing import Any

from pydantic import Field

from shipsvc.app import documents
from shipsvc.web.document_schemas import Version
from shipsvc.web.schemas import Instant, Moments


class VersionAt(Version):
    """A version of a document and what had become of it at a moment."""

    as_of: Instant = Field(description="The moment that this tells of")
    known_on: Instant = Field(description="What was recorded later does not count")


#: For examples.
MOMENT: dict[str, Any] = {
    "as_of": "2026-11-25T12:00:00Z",
    "known_on": "2026-11-25T12:00:00Z",
    "provisional": True,
}


def of_moment(moments: Moments, now: datetime) -> dict[str, Any]:
    """The members as_of, known_on and provisional. Of the present more may still be recorded, so it is provisional."""
    known_on = moments.known_on or now
    provisional = documents.is_provisional(known_on, now)
    return {"as_of": moments.as_of or now, "known_on": known_on, "provisional": provisional}
