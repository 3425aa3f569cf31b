"""What loggers and sensors said: where they were, how their clocks stood, and their readings, chunk by chunk.

Everything is asked by two clocks: what held, by what had been recorded. Times of readings are kept as the logger wrote
them; the correction by its clock checks is made here, on reading, with the checks that were known.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby
from typing import Any, Final, NamedTuple

import numpy as np
import sqlalchemy as sa

from shipsvc.domain import chunks as packing
from shipsvc.domain import clocks
from shipsvc.domain.clocks import ClockCheck, Correction
from shipsvc.domain.facts import ABOUT_LOGGERS
from shipsvc.domain.placing import Mount, Put, max_gap_s, mounted, stays
from shipsvc.domain.quantities import conversion
from shipsvc.store.among import among
from shipsvc.store.documents import When
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT, EVENT_ITEM
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import Flag
from shipsvc.store.tables_readings import (
    ClockCheckRow,
    MergedChunk,
    ReadingChunk,
    ReadingSpan,
    Source,
    UploadEnd,
    UploadWithdrawal,
)

SOURCE = table(Source)
CHECK = table(ClockCheckRow)
END = table(UploadEnd)
WITHDRAWAL = table(UploadWithdrawal)
CHUNK = table(ReadingChunk)
SPAN = table(ReadingSpan)
MERGED = table(MergedChunk)
FLAG = table(Flag)
#: Of a clock that nobody checked.
_AS_KEPT: Final = Correction()
_STATED: Final = tuple(
    SPAN.c[name]
    for name in (
        *("chunk", "quantity", "sequence", "level", "unit", "source", "run", "begin_at", "end_at"),
        *("readings", "lowest", "highest", "widest_gap_s"),
    )
)


@dataclass(frozen=True, slots=True)
class Placement:
    """A source was in an item, or hung in a place, from ``from_at`` up to ``to_at``; how often it reads, how far apart
    two readings may be with nothing unknown between them, and what it measures (whether or not it was read out)."""

    source: str
    item: str | None
    place: str | None
    from_at: datetime
    to_at: datetime
    max_gap_s: int
    interval_s: int
    quantities: frozenset[str] = frozenset()

    @property
    def window(self) -> tuple[datetime, datetime]:
        """From when to when it was there."""
        return self.from_at, self.to_at


# A tuple, as the next one: there are thousands of them for years of seconds, and these are made fastest.
class ChunkKey(NamedTuple):
    """Where a chunk is (``level`` 0: of the upload ``chunk``; above: merged), and how its times are to be set right."""

    chunk: str
    quantity: str
    sequence: int
    level: int
    unit: str
    correction: Correction


class ChunkFacts(NamedTuple):
    """What is known of a chunk without opening it: true times, values in the canonical unit of the quantity; ``lowest``
    and ``highest`` None where no reading of it is a number; ``widest_gap_s`` between two readings within it."""

    source: str
    quantity: str
    begin_at: datetime
    end_at: datetime
    readings: int
    lowest: float | None
    highest: float | None
    widest_gap_s: float
    key: ChunkKey


# ------------------------------------------------------------------------------------------------------ where they were
def placements(
    connection: sa.Connection, items: Collection[str], places: Collection[str], when: When
) -> list[Placement]:
    """Where loggers sat in any of the items, and which sensors hung in any of the places, up to ``when.as_of``.

    By the facts and documents in force as known then. A stranger's word places nothing. A logger or sensor that nobody
    described is left out: nothing can have been sent of it.
    """
    wanted = set(items)
    puts = _puts(connection, _loggers_in(connection, wanted, when), when) if wanted else []
    found = [stay for stay in stays(puts, when.as_of) if stay.item in wanted]
    hung = _sensors_in(connection, set(places), when) if places else set()
    described = _versions(connection, {stay.logger for stay in found} | hung, when)
    placed = [
        _placement(described[stay.logger], stay.item, None, stay.from_at, stay.to_at)
        for stay in found
        if stay.logger in described
    ]
    for code in sorted(hung):
        mounts = [Mount(row["version"], row["valid_from"], row["place"]) for row in described[code]]
        stood = mounted(mounts, when.as_of)
        placed += [_placement(described[code], None, place, a, b) for place, a, b in stood if place in places]
    return sorted(placed, key=lambda one: (one.from_at, one.source, one.item or "", one.place or ""))


def placements_of(connection: sa.Connection, sources: Collection[str], when: When) -> list[Placement]:
    """Where each of the sources was, wherever that is, up to ``when.as_of``; as ``placements``, in order of time."""
    described = _versions(connection, sources, when)
    placed = [
        _placement(described[stay.logger], stay.item, None, stay.from_at, stay.to_at)
        for stay in (stays(_puts(connection, described, when), when.as_of) if described else ())
    ]
    for versions in described.values():
        mounts = [Mount(row["version"], row["valid_from"], row["place"]) for row in versions]
        placed += [_placement(versions, None, place, a, b) for place, a, b in mounted(mounts, when.as_of)]
    return sorted(placed, key=lambda one: (one.from_at, one.source, one.item or "", one.place or ""))


def _placement(
    versions: Sequence[Row], item: str | None, place: str | None, from_at: datetime, to_at: datetime
) -> Placement:
    # How often it reads is asked of the version in force as the stay ends: a mend that is told later begins earlier.
    held = [row for row in versions if row["valid_from"] < to_at] or versions[:1]
    row = max(held, key=lambda one: one["version"])
    gap_s = max_gap_s(row["interval_s"], row["max_gap_s"])
    measured = frozenset(row["quantities"].split())
    return Placement(row["code"], item, place, from_at, to_at, gap_s, row["interval_s"], measured)


def _known(kind: sa.Table, known_on: datetime) -> sa.ColumnElement[bool]:
    if known_on >= FOREVER:
        return kind.c.known_to == FOREVER
    return sa.and_(kind.c.known_from <= known_on, kind.c.known_to > known_on)


def _loggers_in(connection: sa.Connection, items: Collection[str], when: When) -> set[str]:
    """Loggers that facts about any of the items name."""
    kinds = sorted(ABOUT_LOGGERS)
    wanted = (
        sa.select(EVENT.c.logger)
        .distinct()
        .select_from(EVENT_ITEM.join(EVENT, EVENT.c.id == EVENT_ITEM.c.source_id))
        .where(among(EVENT_ITEM.c.item), EVENT_ITEM.c.kind.in_(kinds), _known(EVENT_ITEM, when.known_on))
    )
    return {row["logger"] for row in rows(connection, wanted, some=items)}


def _puts(connection: sa.Connection, loggers: Collection[str], when: When) -> list[Put]:
    """All facts in force about the loggers, in whichever items, that happened by ``as_of``."""
    strangers = sa.exists().where(
        FLAG.c.item == EVENT_ITEM.c.item,
        FLAG.c.event_id == EVENT_ITEM.c.event_id,
        FLAG.c.code == "strangers_word",
        _known(FLAG, when.known_on),
    )
    # By the id of the original, which has an index; then only the version in force.
    original = EVENT_ITEM.c.event_id == sa.func.coalesce(EVENT.c.amends, EVENT.c.id)
    wanted = (
        sa.select(
            EVENT.c.logger,
            EVENT_ITEM.c.item,
            EVENT_ITEM.c.happened_at,
            EVENT_ITEM.c.kind,
            EVENT.c.recorded_at,
            EVENT_ITEM.c.event_id,
        )
        .select_from(EVENT.join(EVENT_ITEM, sa.and_(original, EVENT_ITEM.c.source_id == EVENT.c.id)))
        .where(
            among(EVENT.c.logger),
            EVENT_ITEM.c.happened_at <= when.as_of,
            _known(EVENT_ITEM, when.known_on),
            ~strangers,
        )
    )
    return [
        Put(
            row["logger"],
            row["item"],
            row["happened_at"],
            row["kind"] == "logger_placed",
            (row["recorded_at"], row["event_id"]),
        )
        for row in rows(connection, wanted, some=loggers)
    ]


def _sensors_in(connection: sa.Connection, places: Collection[str], when: When) -> set[str]:
    wanted = sa.select(SOURCE.c.code).distinct().where(among(SOURCE.c.place), SOURCE.c.recorded_at <= when.known_on)
    return {row["code"] for row in rows(connection, wanted, some=places)}


def _versions(connection: sa.Connection, codes: Collection[str], when: When) -> dict[str, list[Row]]:
    """All versions of the sources' documents that were known, oldest first."""
    wanted = (
        sa.select(SOURCE)
        .where(among(SOURCE.c.code), SOURCE.c.recorded_at <= when.known_on)
        .order_by(SOURCE.c.code, SOURCE.c.version)
    )
    found = rows(connection, wanted, some=codes) if codes else []
    return {code: list(versions) for code, versions in groupby(found, key=lambda row: str(row["code"]))}


# ------------------------------------------------------------------------------------------------------- their clocks
def clock_checks(connection: sa.Connection, source: str, known_on: datetime) -> Sequence[Row]:
    """Every check and amendment of one source that was known, in the order told."""
    wanted = (
        sa.select(CHECK)
        .where(CHECK.c.source == source, CHECK.c.recorded_at <= known_on)
        .order_by(CHECK.c.recorded_at, CHECK.c.id)
    )
    return rows(connection, wanted)


def add_clock_check(connection: sa.Connection, row: Mapping[str, Any]) -> None:
    """Write down a check, or what takes the place of one."""
    connection.execute(sa.insert(CHECK), row)


def in_force(checks: Iterable[Row]) -> list[Row]:
    """Of checks and amendments in the order told: each original as last amended; withdrawn ones are gone."""
    found: dict[str, Row] = {}
    for row in checks:
        original = row["amends"] or row["id"]
        found.pop(original, None)  # what was told anew stands where it was told
        if not row["withdrawn"]:
            found[original] = row
    return list(found.values())


def corrections(
    connection: sa.Connection, sources: Collection[str], known_on: datetime
) -> dict[tuple[str, str], Correction]:
    """How times of each (source, run) with a known check are set right."""
    wanted = (
        sa.select(CHECK)
        .where(among(CHECK.c.source), CHECK.c.recorded_at <= known_on)
        .order_by(CHECK.c.recorded_at, CHECK.c.id)
    )
    by_run: dict[tuple[str, str], list[ClockCheck]] = {}
    for row in in_force(rows(connection, wanted, some=sources)):
        by_run.setdefault((row["source"], row["run"]), []).append(ClockCheck(row["logger_at"], row["true_at"]))
    return {run: clocks.correction(checks) for run, checks in by_run.items()}


# ------------------------------------------------------------------------------------------------------- their readings
def chunks(
    connection: sa.Connection,
    sources: Collection[str],
    quantities: Collection[str],
    start: datetime,
    end: datetime,
    known_on: datetime,
) -> list[ChunkFacts]:
    """The chunks of the sources that have a reading in [start, end), in the order of source, quantity and time.

    Of uploads that were whole, and not withdrawn, by ``known_on``; in times as the checks known then set them right.
    Chunks of two uploads may overlap, and hold the same readings. Small ones may have been merged to one.
    """
    if not sources or not quantities:
        return []
    fixes = corrections(connection, sources, known_on)
    about = {"some": list(sources), "quantities": list(quantities)}
    found = connection.execute(_stated(*_raw_window(fixes, start, end), known_on), about)
    facts = [_facts(row, fixes.get((row.source, row.run), _AS_KEPT)) for row in found]
    within = [one for one in facts if one.begin_at < end and one.end_at >= start]
    return sorted(within, key=lambda one: (one.source, one.quantity, one.begin_at, one.key.chunk, one.key.sequence))


def _raw_window(
    fixes: Mapping[tuple[str, str], Correction], start: datetime, end: datetime
) -> tuple[datetime, datetime]:
    """What any of the clocks, or a right one, showed over a true window."""
    turned = [fix for fix in fixes.values() if fix.knots]
    return min([start, *(fix.logger(start) for fix in turned)]), max([end, *(fix.logger(end) for fix in turned)])


def _stated(begin: datetime, end: datetime, known_on: datetime) -> sa.Select[Any] | sa.CompoundSelect[Any]:
    about = (
        among(SPAN.c.source),
        among(SPAN.c.quantity, "quantities"),
        SPAN.c.begin_at <= end,
        SPAN.c.end_at >= begin,
    )
    return _counted(sa.select(*_STATED).where(*about), known_on)


def _counted(wanted: sa.Select[Any], known_on: datetime) -> sa.Select[Any] | sa.CompoundSelect[Any]:
    """Of such spans those that counted by what was known. Apart from each other, those that still count and those that
    do no longer, so that an index leads past all that ended before."""
    if known_on >= FOREVER:
        return wanted.where(SPAN.c.known_to == FOREVER)
    then = wanted.where(SPAN.c.known_from <= known_on)
    over = then.where(SPAN.c.known_to > known_on, SPAN.c.known_to < FOREVER)
    return then.where(SPAN.c.known_to == FOREVER).union_all(over)


def _facts(row: Sequence[Any], fix: Correction) -> ChunkFacts:
    """Of a row of ``_STATED``, taken apart by place: by name it costs more than all the rest."""
    chunk, quantity, sequence, level, unit, source, _, begin_at, end_at, many, lowest, highest, widest_s = row
    if fix.knots:
        # The steepest of the lines over the chunk, which a gap can at most be stretched by.
        edges = [clocks.microseconds(begin_at), clocks.microseconds(end_at), *(knot for knot, _ in fix.knots)]
        widest_s *= max(1 + gain / over for _, _, gain, over in map(fix.line_at, edges))
        begin_at, end_at = fix.true(begin_at), fix.true(end_at)
    key = ChunkKey(chunk, quantity, sequence, level, unit, fix)
    return ChunkFacts(source, quantity, begin_at, end_at, many, lowest, highest, widest_s, key)


def last_read(connection: sa.Connection, sources: Collection[str], when: When) -> dict[str, datetime]:
    """When each of the sources last read anything that counts, by its own clock as it is kept, up to ``as_of``."""
    wanted = sa.select(*_STATED).where(among(SPAN.c.source), SPAN.c.begin_at <= when.as_of)
    spans = _counted(wanted, when.known_on).subquery()
    over = sa.select(spans.c.source, sa.func.max(spans.c.end_at).label("end_at")).where(spans.c.end_at <= when.as_of)
    found = {
        row["source"]: _utc(row["end_at"])
        for row in rows(connection, over.group_by(spans.c.source), some=list(sources))
    }
    beyond = connection.execute(sa.select(spans).where(spans.c.end_at > when.as_of), {"some": list(sources)})
    for one in [_facts(row, _AS_KEPT) for row in beyond]:
        at = _last_until(connection, one, when.as_of)
        found[one.source] = max(found.get(one.source, at), at)
    return found


def last_until(connection: sa.Connection, facts: Iterable[ChunkFacts], until: datetime) -> datetime | None:
    """When the last reading of the chunks was, up to a moment: one that goes on behind it is opened. None for none."""
    within = [one for one in facts if one.begin_at <= until]
    ends = (one.end_at if one.end_at <= until else _last_until(connection, one, until) for one in within)
    return max(ends, default=None)


def _last_until(connection: sa.Connection, one: ChunkFacts, until: datetime) -> datetime:
    times_s, values = load(connection, one.key)
    read = times_s[~np.isnan(values) & (times_s <= until.timestamp())]
    # Its first reading is not behind that moment, but for what rounding makes of a corrected time.
    return datetime.fromtimestamp(round(float(read.max()), 6), UTC) if read.size else one.begin_at


def _utc(at: datetime) -> datetime:
    return at if at.tzinfo else at.replace(tzinfo=UTC)


def load(connection: sa.Connection, key: ChunkKey) -> tuple[packing.Floats, packing.Floats]:
    """The readings of a chunk: true times in POSIX seconds, values in the canonical unit, NaN where there is none."""
    if key.level:
        wanted = sa.select(MERGED.c.data).where(MERGED.c.id == key.chunk)
    else:
        wanted = sa.select(CHUNK.c.data).where(
            CHUNK.c.upload == key.chunk, CHUNK.c.quantity == key.quantity, CHUNK.c.sequence == key.sequence
        )
    times_us, values = packing.decode(connection.execute(wanted).scalar_one())
    true_s = times_us / 1e6 + _shift_s(times_us, key.correction)
    return true_s, packing.canonical(values, conversion(key.quantity, key.unit))


def _shift_s(times_us: packing.Ints, fix: Correction) -> packing.Floats | float:
    """By how many seconds each time is to be moved: by the line between the two knots around it."""
    if not fix.knots:
        return 0.0
    knots = np.array([knot for knot, _ in fix.knots], np.int64)
    segment = np.clip(np.searchsorted(knots, times_us, side="right"), 1, max(1, knots.size - 1)) - 1
    lines = np.array([fix.line_at(int(knot)) for knot in knots[: max(1, knots.size - 1)]], np.int64)
    begin, shift, gain, over = (lines[segment, column] for column in range(4))
    found: packing.Floats = shift / 1e6 + (gain / over) * ((times_us - begin) / 1e6)
    return found
