"""What a late file, an amended clock or a mended placement changed: samples that a source concerns, then and now.

The old figure is asked anew as known on the moment before; nothing is kept of it, since nothing is overwritten.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.app import exposure
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, Key, seconds
from shipsvc.domain import codes
from shipsvc.domain.exposure import TimeOut
from shipsvc.store import access, items, nests
from shipsvc.store import readings as kept
from shipsvc.store.documents import When
from shipsvc.store.engine import rows
from shipsvc.store.readings import Placement
from shipsvc.store.tables import FOREVER


def exposure_changes(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    source: str,
    before: datetime,
) -> list[Entry]:
    """The samples around which a source was, by what is known now or was known at ``before``, and what was made of
    them since, in the order of items: time out as known at ``before``, and as asked."""
    now = When(asked.as_of, asked.moment.known_on or FOREVER)
    then = replace(now, known_on=before)
    concerned = _concerned(connection, source, then) | _concerned(connection, source, now)
    made = nests.born_since(connection, concerned, datetime.min.replace(tzinfo=asked.as_of.tzinfo), now)
    origins = {row["child"]: row["origin"] for row in made if row["child"] not in concerned}
    visible = {n for n in (*concerned, *origins) if n > (after[0] if after else "")}
    if not actor.sees_all:
        visible = {number for number, _ in access.pairs_among(connection, visible, actor.institutions)}
    page = sorted(visible)[:limit]
    infos = items.by_numbers(connection, page)
    old = exposure.time_out(connection, page, asked.as_of, before)
    new = exposure.time_out(connection, page, asked.as_of, asked.moment.known_on)
    return [
        Entry(
            (number,),
            {
                "item": codes.display(number),
                "what": infos[number]["what"],
                "owner": infos[number]["owner"],
                "because_of": codes.display(origins[number]) if number in origins else None,
                **_figures(old[number], "was_"),
                **_figures(new[number], ""),
                "changed": (old[number].proven, old[number].possible) != (new[number].proven, new[number].possible),
            },
        )
        for number in page
    ]


def _figures(out: TimeOut, prefix: str) -> dict[str, Any]:
    return {
        f"{prefix}at_least_s": seconds(out.at_least),
        f"{prefix}at_most_s": -(-out.at_most // timedelta(seconds=1)),
    }


def _concerned(connection: sa.Connection, source: str, when: When) -> set[str]:
    """The samples that were ever in one nest or one place with the source, by what was known then."""
    placed = kept.placements_of(connection, [source], when)
    return {number for one in placed for number in _around(connection, one, when)}


def _around(connection: sa.Connection, placed: Placement, when: When) -> Iterable[str]:
    if placed.item is not None:
        return nests.within(connection, [placed.item], *placed.window, when)
    wanted = nests.stored_in(placed.place or "", *placed.window, when, "", 1_000_000)
    return {row["item"] for row in rows(connection, wanted)}
