"""Where loggers sat, from the facts that they were placed and removed; where fixed sensors hung, from documents."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Final

#: Unless a source says otherwise, two readings further apart than this many intervals have a gap between them.
GAP_INTERVALS: Final = 3
GAP_LEAST_S: Final = 1800


@dataclass(frozen=True, slots=True)
class Put:
    """A fact in force about a logger: put into one item, or taken out."""

    logger: str
    item: str
    at: datetime
    placed: bool
    #: Tells facts of one instant apart, in their order.
    order: tuple[datetime, str]


@dataclass(frozen=True, slots=True)
class Stay:
    """A logger was in (or on) an item from ``from_at`` up to ``to_at``."""

    logger: str
    item: str
    from_at: datetime
    to_at: datetime


def stays(puts: Iterable[Put], end: datetime) -> list[Stay]:
    """The stays of loggers, those that still last up to ``end``.

    A logger is in one place: being placed anew, or taken out of anywhere, ends its stay. A fact may name several items,
    such as a vial and the sample in it; they count alike.
    """
    found: list[Stay] = []
    for logger, told in groupby(sorted(puts, key=_order), key=lambda put: put.logger):
        within: list[tuple[str, datetime]] = []
        for _, same in groupby(told, key=lambda put: put.order):
            fact = list(same)
            found += [Stay(logger, item, since, fact[0].at) for item, since in within if since < fact[0].at]
            within = [(put.item, put.at) for put in fact] if fact[0].placed else []
        found += [Stay(logger, item, since, end) for item, since in within if since < end]
    return found


def _order(put: Put) -> tuple[str, datetime, tuple[datetime, str], str]:
    return put.logger, put.at, put.order, put.item


@dataclass(frozen=True, slots=True)
class Mount:
    """One version of a sensor's document: from ``valid_from`` on it hangs in ``place`` (None: nowhere)."""

    version: int
    valid_from: datetime
    place: str | None


def mounted(versions: Sequence[Mount], end: datetime) -> list[tuple[str, datetime, datetime]]:
    """Where a sensor hung, as (place, from, to): at each instant by the newest version that begins by then."""
    edges = sorted({mount.valid_from for mount in versions if mount.valid_from < end})
    found: list[tuple[str, datetime, datetime]] = []
    for at, until in zip(edges, [*edges[1:], end], strict=True):
        place = max((m for m in versions if m.valid_from <= at), key=lambda mount: mount.version).place
        if found and found[-1][0] == place and found[-1][2] == at:
            found[-1] = (found[-1][0], found[-1][1], until)
        elif place is not None:
            found.append((place, at, until))
    return found


def max_gap_s(interval_s: int, told: int | None) -> int:
    """How far apart two readings may be with nothing unknown between them (rulings 22)."""
    return told if told is not None else max(GAP_LEAST_S, GAP_INTERVALS * interval_s)
