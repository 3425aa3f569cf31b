"""Reports of drift: running sums by sample, family, holder, balance, person and operation; and one point by point."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

import sqlalchemy as sa

from shipsvc.app import drift_steps
from shipsvc.app.access import Actor
from shipsvc.app.drift_steps import Posting
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain import codes
from shipsvc.domain.drift import Drift, drift, drift_of_many
from shipsvc.domain.mass import Mass
from shipsvc.store import items, ledger
from shipsvc.store.engine import Row
from shipsvc.store.reads import Moment

By = Literal["sample", "family", "holder", "balance", "person", "operation"]
#: How steps are put together beside by sample.
GROUPINGS: Final[tuple[By, ...]] = ("family", "holder", "balance", "person", "operation")
_CHUNK: Final = 500


@dataclass(frozen=True)
class Group:
    """Postings that belong together: by what, under which key (a number, a code, an id or words)."""

    by: By
    key: str
    postings: Sequence[Posting]

    @property
    def samples(self) -> set[str]:
        """The samples that were posted."""
        return {posting.linked.sample for posting in self.postings}

    @property
    def drift(self) -> Drift:
        """Its running sum. Of one sample each step is an event of the chart; of several, each stretch."""
        if self.by == "sample":
            return drift([posting.step for posting in self.postings])
        return drift_of_many(posting.linked for posting in self.postings)


def drifts(
    connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int, *, by: By = "sample"
) -> list[Entry]:
    """The running sums of what postings said, in the order of their keys; for the owner's people and who sees all."""
    owners = None if actor.sees_all else actor.institutions
    behind = after[0] if after else ""
    if by == "sample":
        return _by_sample(connection, owners, asked.moment, behind, limit)
    postings = _all(connection, owners, asked.moment)
    found = [group for group in groups(connection, postings, by, asked.moment) if group.key > behind][:limit]
    infos = items.by_numbers(connection, [group.key for group in found]) if by == "family" else {}
    return [Entry((group.key,), _row(group, infos.get(group.key))) for group in found]


def _by_sample(connection: sa.Connection, owners: Any, when: Moment, behind: str, limit: int) -> list[Entry]:
    """Not all of which something is unexplained was posted: read on until the page is full."""
    found: list[Entry] = []
    while len(found) < limit:
        numbers = ledger.unexplained_items(connection, when, owners, behind, limit)
        infos = items.by_numbers(connection, numbers)
        for number, postings in drift_steps.read(connection, numbers, when).items():
            found.append(Entry((number,), _row(Group("sample", number, postings), infos[number])))
        if len(numbers) < limit:
            break
        behind = numbers[-1]
    return found[:limit]


def _all(connection: sa.Connection, owners: Any, when: Moment) -> dict[str, list[Posting]]:
    numbers: list[str] = []
    while more := ledger.unexplained_items(connection, when, owners, numbers[-1] if numbers else "", _CHUNK):
        numbers += more
    return drift_steps.read(connection, numbers, when)


def groups(connection: sa.Connection, postings: Mapping[str, Sequence[Posting]], by: By, when: Moment) -> list[Group]:
    """The postings put together in one way, each in one group, in the order of keys."""
    every = [posting for of_sample in postings.values() for posting in of_sample]
    keys = _keys(connection, postings.keys(), every, by, when)
    found: dict[str, list[Posting]] = {}
    for posting, key in zip(every, keys, strict=True):
        found.setdefault(key, []).append(posting)
    return [Group(by, key, found[key]) for key in sorted(found)]


def _keys(connection: sa.Connection, numbers: Any, postings: Sequence[Posting], by: By, when: Moment) -> list[str]:
    match by:
        case "sample":
            return [posting.linked.sample for posting in postings]
        case "family":
            family = drift_steps.families(connection, numbers, when)
            return [family[posting.linked.sample] for posting in postings]
        case "holder" | "operation":
            return [str(getattr(posting, by)) for posting in postings]
    weighed = drift_steps.weighings(connection, postings)
    return [str(getattr(weighed[posting.event_id], by)) for posting in postings]


def of_owner(connection: sa.Connection, owner: str, when: Moment) -> dict[str, list[Posting]]:
    """All postings of an owner's samples."""
    return _all(connection, [owner], when)


# ---------------------------------------------------------------------------------------------------------- one sample
@dataclass(frozen=True)
class Point:
    """The running sum after one posting: when, how much together, its u, and whether it is over its limit then."""

    at: datetime
    difference_ng: int
    u_ng: float
    r: float | None
    alarms: bool


def drift_points(connection: sa.Connection, actor: Actor, asked: Asked, number: str) -> list[Point]:
    """The drift of one sample posting by posting, for the owner's people and those who see all; none for others."""
    info = items.by_numbers(connection, [number]).get(number)
    if info is None or not (actor.sees_all or info["owner"] in actor.institutions):
        return []
    postings = drift_steps.read(connection, [number], asked.moment).get(number, [])
    sums = [drift([posting.step for posting in postings[:count]]) for count in range(1, len(postings) + 1)]
    return [
        Point(one.at, found.difference_ng, found.u_ng, _finite(found.r), found.sum_alarms)
        for one, found in zip(postings, sums, strict=True)
    ]


# ----------------------------------------------------------------------------------------------------------------- rows
def _row(group: Group, info: Row | None) -> dict[str, Any]:
    found = group.drift
    return {
        "by": group.by,
        "group": shown_key(group),
        "item": codes.display(group.key) if info else None,
        "what": info["what"] if info else None,
        "samples": len(group.samples),
        "steps": len(group.postings),
        "first_at": min(posting.at for posting in group.postings),
        "last_at": max(posting.at for posting in group.postings),
        "difference_mg": Mass(found.difference_ng).digits("mg"),
        "u_mg": Mass(round(found.u_ng)).digits("mg"),
        "r": _finite(found.r),
        "chart_low": found.chart_low,
        "chart_high": found.chart_high,
        "alarm": _alarm(found),
    }


def shown_key(group: Group) -> str:
    """The key as people read it."""
    return codes.display(group.key) if group.by in ("sample", "family") else group.key


def _alarm(found: Drift) -> str:
    if found.sum_alarms:
        return "both" if found.chart_alarms else "sum"
    return "chart" if found.chart_alarms else "none"


def _finite(r: float | None) -> float | None:
    return r if r is not None and math.isfinite(r) else None
