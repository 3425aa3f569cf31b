"""Time out of storage of samples, read from their spans and those of all they were made from."""

from collections.abc import Collection, Mapping
from datetime import datetime

import sqlalchemy as sa

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

    Two SELECTs, however many items are asked about and however many generations they go back.
    """
    when = When(as_of, known_on or FOREVER)
    if not numbers:
        return {}
    born: dict[str, list[tuple[datetime, str]]] = {}
    for row in descent.births(connection, numbers, when):
        born.setdefault(row["child"], []).append((row["born_at"], row["parent"]))
    stays: dict[str, list[Stay]] = {}
    for row in descent.stays(connection, numbers, when):
        stay = Stay(row["from_at"], row["to_at"], row["status"], row["accessioned"])
        stays.setdefault(row["item"], []).append(stay)
    found: dict[str, TimeOut] = {}
    for number in parents_first(numbers, born):
        # A parent that is not there yet is its own descendant by the record: a mistake that carries no time.
        births = [(at, found[parent]) for at, parent in born.get(number, ()) if parent in found]
        found[number] = exposure.time_out(stays.get(number, ()), until=as_of, births=births)
    return {number: found[number] for number in numbers}


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
