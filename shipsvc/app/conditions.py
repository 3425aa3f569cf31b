"""What a sample was exposed to in a window: the bar from proven in to proven out, and what each source around said."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
import sqlalchemy as sa

from shipsvc.app import judging
from shipsvc.app.access import Actor
from shipsvc.app.judging import Judged
from shipsvc.app.surroundings import Position, Said, Surroundings, intervals
from shipsvc.domain import conditions, evidence, humidity, readings
from shipsvc.domain.errors import Malformed
from shipsvc.domain.evidence import NEVER, Bar
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.domain.readings import Excursion
from shipsvc.domain.times import Intervals, Pair
from shipsvc.store import descent, reads
from shipsvc.store.documents import When

STATES: Final = ("proven_out", "proven_in", "by_record", "indirect", "unknown")


@dataclass(frozen=True, slots=True)
class Heard:
    """What one source in one position said of one quantity, over all of the window.

    ``counts`` is when it was the nearest that reaches the sample; ``excursions`` are those of its own readings.
    """

    source: str
    quantity: str
    where: str
    rank: int
    reaches: bool
    present: Intervals
    counts: Intervals
    covered: Intervals
    lowest: float | None
    highest: float | None
    excursions: tuple[Excursion, ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """Figures on request, over the readings that count: mean kinetic temperature, frost point, how long they cover."""

    mean_kinetic_c: float | None
    temperature_covered: Intervals
    frost_point_lowest_c: float | None
    frost_point_highest_c: float | None
    frost_point_computed: bool


@dataclass(frozen=True, slots=True)
class Conditions:
    """A sample in a window: its stays as judged, the whole bar, each source, where sources of one position disagree."""

    window: Pair
    stays: tuple[Judged, ...]
    bar: Bar
    heard: tuple[Heard, ...]
    disagree: Intervals
    measured: Measured | None


def of_samples(
    connection: sa.Connection,
    actor: Actor,
    numbers: Sequence[str],
    when: When,
    since: datetime,
    *,
    measure: bool = False,
) -> dict[str, Conditions]:
    """The conditions of each sample from ``since`` up to ``when.as_of``, as known then; its own, not its parents', and
    of the time during which the actor had to do with it."""
    window = (since, when.as_of)
    clauses = [] if actor.sees_all else [reads.party_to(actor.institutions, when.as_of)]
    told = descent.own_stays(connection, numbers, when, *clauses)
    spans = [_cut(row, since) for row in told if row["to_at"] > since]
    asked = judging.judge(connection, spans, when, quantities=QUANTITIES)
    found = {}
    for number in numbers:
        stays = tuple(asked.stays.get(number, ()))
        said = [(stay, one) for stay in stays for one in _said(asked.around, number, stay)]
        counted = _counted(said)
        measured = _measured(asked.around, said, counted) if measure else None
        heard = tuple(_heard(asked.around, said, counted))
        found[number] = Conditions(window, stays, _bar(stays), heard, _disagree(said), measured)
    return found


def _cut(row: Mapping[str, Any], since: datetime) -> dict[str, Any]:
    return {**row, "from_at": max(row["from_at"], since)}


def _said(around: Surroundings, number: str, stay: Judged) -> list[Said]:
    return around.said(number, stay.window, stay.place, stay.profile, QUANTITIES)


def _bar(stays: Iterable[Judged]) -> Bar:
    bars = [stay.bar for stay in stays]
    return Bar(*(evidence.union(getattr(one, state) for one in bars) for state in STATES))


# ------------------------------------------------------------------------------------------------------- each source
_Stated = Sequence[tuple[Judged, Said]]


def _key(position: Position, quantity: str) -> tuple[str, str, str, int]:
    where = position.placement.place or position.placement.item or ""
    return quantity, position.placement.source, where, position.rank


def _counted(said: _Stated) -> dict[tuple[int, str], Intervals]:
    """When each voice counts, by its own identity and quantity: asked of all voices of one stay together."""
    found: dict[tuple[int, str], Intervals] = {}
    by_stay: dict[tuple[Pair, str], list[Said]] = {}
    for stay, one in said:
        by_stay.setdefault((stay.window, one.voice.quantity), []).append(one)
    for (_, quantity), together in by_stay.items():
        voices = {id(one.voice): one for one in together}
        for voice, when in evidence.counting(one.voice for one in together):
            found[id(voices[id(voice)]), quantity] = when
    return found


def _heard(around: Surroundings, said: _Stated, counted: Mapping[tuple[int, str], Intervals]) -> Iterable[Heard]:
    grouped: dict[tuple[str, str, str, int], list[Said]] = {}
    for _, one in said:
        grouped.setdefault(_key(one.position, one.voice.quantity), []).append(one)
    for (quantity, source, where, rank), some in sorted(grouped.items(), key=lambda of: of[0]):
        present = evidence.union(one.voice.present for one in some)
        lows_highs = [e for one in some for pair in one.voice.present if (e := around.extremes(source, quantity, pair))]
        excursions = {
            e: None for one in some for e in one.heard.excursions if intervals([(e.begin_s, e.end_s)]) & present
        }
        yield Heard(
            source,
            quantity,
            where,
            rank,
            some[0].voice.reaches,
            present,
            evidence.union(counted[id(one), quantity] for one in some),
            evidence.union(one.voice.covered for one in some),
            min((low for low, _ in lows_highs), default=None),
            max((high for _, high in lows_highs), default=None),
            tuple(sorted(excursions, key=lambda e: e.begin_s)),
        )


def _disagree(said: _Stated) -> Intervals:
    """Where one source said out and another in the same position said in (trade case 66): shown, the worse counts."""
    found = NEVER
    for stay, one in said:
        for other_stay, other in said:
            level = (one.voice.quantity, one.voice.rank) == (other.voice.quantity, other.voice.rank)
            if stay is other_stay and level and one.voice.source != other.voice.source:
                found |= one.voice.out & (other.voice.covered - other.voice.out)
    return found


# ---------------------------------------------------------------------------------------------------------- on request
def _measured(around: Surroundings, said: _Stated, counted: Mapping[tuple[int, str], Intervals]) -> Measured:
    series = {q: _series(around, said, counted, q) for q in ("temperature", "frost_point", "relative_humidity")}
    times, celsius = series["temperature"]
    covered = [
        one.voice.covered & counted[id(one), "temperature"] for _, one in said if one.voice.quantity == "temperature"
    ]
    frost, computed = series["frost_point"][1], False
    if not frost.size:
        frost, computed = _frost_points(series["temperature"], series["relative_humidity"]), True
    return Measured(
        conditions.mean_kinetic_temperature(times, celsius) if times.size else None,
        evidence.union(covered),
        float(frost.min()) if frost.size else None,
        float(frost.max()) if frost.size else None,
        computed and bool(frost.size),
    )


_Series = tuple[readings.Floats, readings.Floats]


def _series(
    around: Surroundings, said: _Stated, counted: Mapping[tuple[int, str], Intervals], quantity: str
) -> _Series:
    """The readings of a quantity that count, by time."""
    parts = [
        around.series(one.voice.source, quantity, pair)
        for _, one in said
        if one.voice.quantity == quantity
        for pair in counted[id(one), quantity]
    ]
    if not parts:
        return np.empty(0), np.empty(0)
    times, values = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    order = np.argsort(times, kind="stable")
    return times[order], values[order]


def _frost_points(temperatures: _Series, humidities: _Series) -> readings.Floats:
    """Frost points where both were read at one instant; what no formula covers is left out."""
    _, mine, theirs = np.intersect1d(temperatures[0], humidities[0], return_indices=True)
    found = []
    for celsius, percent in zip(temperatures[1][mine], humidities[1][theirs], strict=True):
        try:
            found.append(humidity.frost_point_c(float(celsius), float(percent)))
        except Malformed:
            continue
    return np.array(found)


def seconds_of(bar: Bar) -> dict[str, float]:
    """How long each part of a bar is, in s."""
    return {f"{state}_s": getattr(bar, state).total.total_seconds() for state in STATES}
