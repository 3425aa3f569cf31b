"""Where the readings of one source lay beyond the limits of a profile, whatever was around it at the time."""

from collections.abc import Sequence
from datetime import datetime
from functools import partial
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents, sources
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.app.surroundings import in_seconds, instant, opened, rule_for, stored_chunks
from shipsvc.domain import errors, readings
from shipsvc.domain.placing import max_gap_s
from shipsvc.domain.profiles import Profile, Version, pieces
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.domain.readings import Excursion
from shipsvc.domain.times import Pair, format_instant
from shipsvc.store import profiles
from shipsvc.store import readings as kept
from shipsvc.store.documents import When
from shipsvc.store.readings import Placement
from shipsvc.store.tables import FOREVER


def excursions(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    source: str,
    profile: str,
    since: datetime | None,
) -> list[Entry]:
    """The excursions of a source from a profile from ``since`` up to ``as_of``, in the order of time and quantity;
    past time by the version of the profile in force then. NotFound for what is unknown or not theirs to see."""
    when = When(asked.as_of, asked.moment.known_on or FOREVER)
    row = documents.read(connection, actor, sources.SOURCE, source, when)
    versions = profiles.described(connection, [profile], when).get(profile)
    if not versions:
        raise errors.NotFound(what="profile", name=profile)
    window = (since or EARLIEST, asked.as_of)
    found = sorted(of_source(connection, row, versions, window, when), key=lambda entry: entry.key)
    return [entry for entry in found if after is None or entry.key > after][:limit]


#: Before any reading there is.
EARLIEST = datetime(1970, 1, 1, tzinfo=FOREVER.tzinfo)


def of_source(
    connection: sa.Connection, source: Any, versions: Sequence[Version], window: Pair, when: When
) -> list[Entry]:
    """The excursions of a source, by its document, from the versions of a profile within a window."""
    gap_s = max_gap_s(source["interval_s"], source["max_gap_s"])
    placed = Placement(source["code"], None, None, *window, gap_s, source["interval_s"])
    measured = source["quantities"].split()
    chunks = stored_chunks(kept.chunks(connection, [source["code"]], measured, *window, when.known_on))
    return [
        _entry(source["code"], held, quantity, one)
        for start, end, held in pieces(versions, *window)
        if held is not None
        for quantity in measured
        if held.limit_of(quantity)
        for one in readings.hear(
            chunks.get((source["code"], quantity), ()),
            partial(opened, connection),
            rule_for(placed, quantity, held),
            in_seconds((start, end)),
        ).excursions
    ]


def _entry(source: str, profile: Profile, quantity: str, one: Excursion) -> Entry:
    start, end = instant(one.begin_s), instant(one.end_s)
    fields = {
        "source": source,
        "profile": profile.code,
        "quantity": quantity,
        "unit": QUANTITIES[quantity],
        "start": start,
        "end": end,
        "length_s": round(one.end_s - one.begin_s),
        "readings": one.readings,
        "peak": round(one.peak, 6),
        "area_h": round(one.area, 6),
        "counts": one.weight.value,
    }
    return Entry((f"{one.begin_s:020.6f}", quantity, format_instant(end)), fields)
