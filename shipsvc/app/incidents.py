"""Who was in that cabinet: samples in a place during bad air, whether it reached them, what was made of them since."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.app import judging
from shipsvc.app.access import Actor
from shipsvc.app.judging import Judged
from shipsvc.app.report_pages import Asked, Entry, Key, seconds
from shipsvc.app.surroundings import Surroundings
from shipsvc.domain import codes, evidence
from shipsvc.domain.times import Intervals, Pair
from shipsvc.store import descent, items, nests, reads
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import FOREVER


def incident(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    place: str,
    since: datetime,
    until: datetime,
) -> list[Entry]:
    """The samples that were in store in a place between two moments, in the order of items; see module."""
    when = When(asked.as_of, asked.moment.known_on or FOREVER)
    clauses: list[reads.Clause] = [] if actor.sees_all else [reads.party_to(actor.institutions, asked.as_of)]
    wanted = nests.stored_in(place, since, until, when, after[0] if after else "", limit, *clauses)
    numbers = [row["item"] for row in rows(connection, wanted)]
    judged = judging.judge(connection, descent.own_stays(connection, numbers, when), when)
    infos = items.by_numbers(connection, numbers)
    children = _children(nests.born_since(connection, numbers, since, when))
    window = (since, min(until, asked.as_of))
    return [
        Entry((number,), _row(number, infos, judged.stays[number], judged.around, place, window) | made)
        for number in numbers
        for made in [{"children": [codes.display(child) for child in children.get(number, ())]}]
    ]


def _children(born: Iterable[Row]) -> dict[str, list[str]]:
    found: dict[str, set[str]] = {}
    for row in born:
        found.setdefault(row["origin"], set()).add(row["child"])
    return {origin: sorted(made) for origin, made in found.items()}


def _row(
    number: str, infos: dict[str, Row], stays: Sequence[Judged], around: Surroundings, place: str, window: Pair
) -> dict[str, Any]:
    here = [stay for stay in stays if stay.place == place and stay.start < window[1] and stay.end > window[0]]
    present = _union((stay.window for stay in here), window)
    surely = evidence.union(stay.charged[0] for stay in here).clip(*window)
    perhaps = evidence.union(stay.charged[1] for stay in here).clip(*window)
    barriers = {
        segment.barrier is not None for segment in around.line(number) if present.clip(segment.start, segment.end)
    }
    return {
        "item": codes.display(number),
        "what": infos[number]["what"],
        "owner": infos[number]["owner"],
        "profile": here[-1].code,
        "there_s": seconds(present.total),
        "closed": "sometimes" if len(barriers) > 1 else "yes" if True in barriers else "no",
        "exposed": "yes" if surely else "cannot_be_told" if perhaps else "no",
        "exposed_at_least_s": seconds(surely.total),
        "exposed_at_most_s": -int(-perhaps.total // timedelta(seconds=1)),
    }


def _union(windows: Iterable[Pair], within: Pair) -> Intervals:
    return Intervals.from_pairs(windows).clip(*within)
