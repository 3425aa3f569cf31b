"""What wants looking at now: places beyond their limits, sensors that are silent, shipments without word.

Nothing of it is stored: it is asked of what was read and told, at whichever moment, so an alarm ends by itself.
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import documents, excursions, reports_custody, sources
from shipsvc.app.access import Actor
from shipsvc.app.documents import PLACE
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain.placing import max_gap_s
from shipsvc.domain.times import format_instant
from shipsvc.store import documents as stored
from shipsvc.store import profiles, readings
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: How far back a breach is still told of once it is over.
RECENT: Final = timedelta(days=1)
#: More sensors or shipments than anybody looks through.
EVERY: Final = 10_000


def alarms(connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int) -> list[Entry]:
    """Alarms at ``as_of``, by kind and by what they are about: ``breach`` of the limits of a place by its sensor within
    the last day, ``silence`` of a sensor for longer than its gap, ``no_word`` of a shipment."""
    when = When(asked.as_of, asked.moment.known_on or FOREVER)
    every = documents.page(connection, actor, sources.SOURCE, when, after="", limit=EVERY)
    sensors = [row for row in every if row["kind"] == "sensor"]
    last = readings.last_read(connection, [row["code"] for row in sensors], when)
    found = [entry for row in sensors for entry in _of_sensor(connection, row, last, when)]
    found += [_no_word(entry) for entry in reports_custody.silent_shipments(connection, actor, asked, None, EVERY)]
    found.sort(key=lambda entry: entry.key)
    return [entry for entry in found if after is None or entry.key > after][:limit]


def _of_sensor(connection: sa.Connection, sensor: Row, last: dict[str, Any], when: When) -> Iterator[Entry]:
    read_at = last.get(sensor["code"])
    heard_of = read_at or sensor["valid_from"]
    gap_s = max_gap_s(sensor["interval_s"], sensor["max_gap_s"])
    if when.as_of - heard_of > timedelta(seconds=gap_s):
        yield _entry("silence", sensor["code"], sensor["place"], heard_of, None, None, None)
    if read_at is None:
        return
    place = stored.in_force(connection, PLACE.chain, sensor["place"], when)
    versions = profiles.described(connection, [place["profile"]], when).get(place["profile"]) if place else None
    window = (when.as_of - RECENT, when.as_of)
    for one in excursions.of_source(connection, sensor, versions or (), window, when) if versions else ():
        said = one.fields
        goes_on = said["end"] >= read_at
        end = None if goes_on else said["end"]
        yield _entry("breach", sensor["code"], sensor["place"], said["start"], end, said["quantity"], said["peak"])


def _no_word(entry: Entry) -> Entry:
    said = entry.fields
    return _entry("no_word", said["shipment"], None, said["silent_since"], None, None, None)


def _entry(
    kind: str, about: str, place: str | None, since: Any, until: Any, quantity: str | None, peak: float | None
) -> Entry:
    fields = {
        "kind": kind,
        "about": about,
        "place": place,
        "since": since,
        "until": until,
        "quantity": quantity,
        "peak": peak,
    }
    return Entry((kind, about, format_instant(since), quantity or ""), fields)
