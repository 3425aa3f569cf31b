"""The net of a weighing that told its gross alone: less what the container of the sample weighed empty."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain import taring
from shipsvc.store import spans


def netted(connection: sa.Connection, number: str, at: datetime, body: Mapping[str, Any]) -> dict[str, Any]:
    """The body of a weighing of a sample at an instant with its net, as the fold comes to it; as it is where it tells
    that itself, or where no tare is known."""
    if not taring.needs_tare_of(body):
        return dict(body)
    parent = spans.one(connection, number, at).parent
    return taring.netted(body, spans.one(connection, parent, at).tare if parent else None)
