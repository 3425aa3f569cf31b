"""Time out of storage of samples, read from their spans and those of all they were made from."""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import judging
from shipsvc.app.judging import Judged
from shipsvc.domain import exposure
from shipsvc.domain.exposure import Stay, TimeOut
from shipsvc.store import descent
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER

#: Born of whom, and when.
Births = Mapping[str, list[tuple[datetime, str]]]


def time_out(
    connection: sa.Connection, numbers: Collection[str], as_of: datetime, known_on: datetime | None
) -> dict[str, TimeOut]:
    """The time out of each item up to ``as_of``, by what was known on ``known_on`` (None: by all that is recorded).

    A fixed number of SELECTs, however many items are asked about and however many generations they go back, and one for
    each chunk of readings that has to be opened.
    """
    when = When(as_of, known_on or FOREVER)
    if not numbers:
        return {}
    judged = judging.judge(connection, descent.stays(connection, numbers, when), when).stays
    stays, born = as_stays(judged), births(connection, numbers, when)
    for number, fell_at in descent.falls(connection, numbers, when).items():
        if number in stays and number not in born:
            stays[number] = since_the_fall(stays[number], fell_at)
    return lineages(numbers, stays, born, as_of)


def as_stays(judged: Mapping[str, Sequence[Judged]]) -> dict[str, list[Stay]]:
    """Judged stays, as time out is reckoned from them."""
    return {
        item: [Stay(p.start, p.end, p.status, p.accessioned, p.evidence, p.controlled, p.code) for p in parts]
        for item, parts in judged.items()
    }


def births(connection: sa.Connection, numbers: Collection[str], when: When) -> Births:
    """How the items, and all that they descend from, were made, as known then."""
    born: dict[str, list[tuple[datetime, str]]] = {}
    for row in descent.births(connection, numbers, when):
        born.setdefault(row["child"], []).append((row["born_at"], row["parent"]))
    return born


def lineages(
    numbers: Collection[str], stays: Mapping[str, Sequence[Stay]], born: Births, until: datetime
) -> dict[str, TimeOut]:
    """The time out of each item, its parents' share before its birth included."""
    found: dict[str, TimeOut] = {}
    for number in parents_first(numbers, born):
        # A parent that is not there yet is its own descendant by the record: a mistake that carries no time.
        inherited = [(at, found[parent]) for at, parent in born.get(number, ()) if parent in found]
        found[number] = exposure.time_out(stays.get(number, ()), until=until, births=inherited)
    return {number: found[number] for number in numbers}


def since_the_fall(stays: list[Stay], fell_at: datetime) -> list[Stay]:
    """The stays of what was made from nothing else, with the time from its fall up to the first of them."""
    first = min((stay.start for stay in stays), default=fell_at)
    return [Stay(fell_at, first, "unknown", accessioned=False), *stays] if fell_at < first else stays


def parents_first(numbers: Collection[str], born: Births) -> list[str]:
    """The items and all that they were made from, each behind its parents; without recursion, since lines are long."""
    ordered: dict[str, None] = {}
    begun: set[str] = set()
    waiting = [(number, False) for number in numbers]
    while waiting:
        number, parents_done = waiting.pop()
        if parents_done:
            ordered[number] = None
        elif number not in begun:
            begun.add(number)
            waiting.append((number, True))
            waiting += [(parent, False) for _, parent in born.get(number, ())]
    return list(ordered)
