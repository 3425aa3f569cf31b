"""The whole custody of all that somebody may see: from when to when each thing was with whom, and by whose word."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import items
from shipsvc.app.access import Actor
from shipsvc.store import reads
from shipsvc.store.documents import When
from shipsvc.store.engine import Row

#: From when to when somebody had to do with an item.
Time = tuple[datetime, datetime]


@dataclass(frozen=True)
class Leg:
    """From when to when (None: still, at the moment asked about) custody of an item was in one state, and by which fact
    that began. Of others' items it goes no further than one's own time."""

    number: str
    state: str
    certain: str | None
    claimed: str | None
    since: datetime
    until: datetime | None
    event_id: str


def page(
    connection: sa.Connection, actor: Actor, when: When, now: datetime, *, after: str, limit: int
) -> tuple[list[Leg], str | None]:
    """The legs of the next ``limit`` items that the actor may see, oldest first of each, and the number behind which to
    go on (None: there are no more). Their owner reads all of them, others those of their own time (D15)."""
    found = items.page(connection, actor, items.sought(None), when, now, after=after, limit=limit)
    numbers = [row["number"] for row in found]
    others = [row["number"] for row in found if not (actor.sees_all or row["owner"] in actor.institutions)]
    theirs = _times(connection, others, actor.institutions)
    moment = reads.Moment(when.as_of, min(when.known_on, reads.AT_LAST), is_now=False)
    spans: dict[str, list[Row]] = defaultdict(list)
    for row in reversed(reads.custody_until(connection, moment, numbers)):
        spans[row["item"]] += [row] if row["item"] not in theirs else _within(row, theirs[row["item"]])
    legs = [leg for number in numbers for leg in _joined(spans[number], when.as_of)]
    return legs, numbers[-1] if len(numbers) == limit else None


def _times(connection: sa.Connection, numbers: Collection[str], institutions: Collection[str]) -> dict[str, list[Time]]:
    """The stretches, as known now, in which one of the institutions had to do with each item."""
    found: dict[str, list[Time]] = {number: [] for number in numbers}
    for row in reads.times_of(connection, numbers, institutions) if numbers else ():
        times = found[row["item"]]
        if times and times[-1][1] == row["from_at"]:
            times[-1] = (times[-1][0], row["to_at"])
        else:
            times.append((row["from_at"], row["to_at"]))
    return found


def _within(span: Row, times: Iterable[Time]) -> list[Row]:
    """A span as far as it lies in the stretch in which it began, if it began in one."""
    ends = [end for start, end in times if start <= span["from_at"] < end]
    return [{**span, "to_at": min(span["to_at"], end)} for end in ends]


def _joined(spans: Sequence[Row], as_of: datetime) -> list[Leg]:
    """Spans that follow upon one another in the same state of custody, as one leg."""
    found: list[Leg] = []
    for span in spans:
        state = (span["handover"], span["certain"], span["claimed"])
        until = span["to_at"] if span["to_at"] <= as_of else None
        last = found[-1] if found else None
        if last and last.until == span["from_at"] and (last.state, last.certain, last.claimed) == state:
            found[-1] = Leg(last.number, *state, last.since, until, last.event_id)
        else:
            found.append(Leg(span["item"], *state, span["from_at"], until, span["event_id"]))
    return found
