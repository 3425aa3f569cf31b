"""The readings of one source held against a profile: where they lay beyond a limit, and where there were none."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

import sqlalchemy as sa

from shipsvc.app.series import Series
from shipsvc.app.surroundings import in_seconds, instant, intervals, opened, rule_for, stored_chunks
from shipsvc.domain import errors, readings
from shipsvc.domain.placing import max_gap_s
from shipsvc.domain.profiles import Limit, Profile, Version, pieces
from shipsvc.domain.readings import Excursion, Heard
from shipsvc.domain.times import Intervals, Pair
from shipsvc.store import profiles
from shipsvc.store.documents import When
from shipsvc.store.readings import Placement


@dataclass(frozen=True)
class Stretch:
    """A stretch of time with its limit (None: there was none), cut where another version of the profile holds."""

    start: datetime
    end: datetime
    limit: Limit | None


@dataclass(frozen=True)
class Held:
    """A series against a profile: the limits as they held, the excursions, and the time that no reading speaks for."""

    limits: Sequence[Stretch]
    excursions: Sequence[Excursion]
    gaps: Intervals


def held(connection: sa.Connection, series: Series, profile: str | None, when: When) -> Held | None:
    """The series against a profile (None: no limits, the gaps alone); None where there is no reading at all.

    NotFound for a profile that nobody described.
    """
    if series.begin is None or series.end is None or not series.chunks:
        return None
    window = series.begin, series.end
    cut = _pieces(connection, profile, window, when)
    heard = [(start, end, of, _heard(connection, series, of, (start, end))) for start, end, of in cut]
    covered = intervals(pair for *_, found in heard for pair in found.covered)
    return Held(
        [Stretch(start, end, of.limit_of(series.quantity) if of else None) for start, end, of, _ in heard],
        [one for *_, found in heard for one in found.excursions],
        Intervals.from_pairs([window]) - covered,
    )


def _pieces(
    connection: sa.Connection, profile: str | None, window: Pair, when: When
) -> list[tuple[datetime, datetime, Profile | None]]:
    if profile is None:
        return [(*window, None)]
    versions: Sequence[Version] | None = profiles.described(connection, [profile], when).get(profile)
    if not versions:
        raise errors.NotFound(what="profile", name=profile, pointer="/profile")
    return pieces(versions, *window)


def _heard(connection: sa.Connection, series: Series, profile: Profile | None, window: Pair) -> Heard:
    source = series.source
    gap_s = max_gap_s(source["interval_s"], source["max_gap_s"])
    placed = Placement(source["code"], None, None, *window, gap_s, source["interval_s"])
    chunks = stored_chunks(list(series.chunks)).get((source["code"], series.quantity), ())
    rule = rule_for(placed, series.quantity, profile)
    return readings.hear(chunks, partial(opened, connection), rule, in_seconds(window))


def begins(one: Excursion) -> datetime:
    """When an excursion begins."""
    return instant(one.begin_s)


def ends(one: Excursion) -> datetime:
    """When an excursion ends."""
    return instant(one.end_s)
