"""The loggers and sensors of the scenario (demo.md T11): where they were, how their clocks stood, what they read.

Their series are worked out here, fixed to the tenth: calm all through but where the scenario has an incident, whose
limit is met exactly at its first and last minute. A fixed sensor reads every minute; what it read is told every half
hour, which leaves no gap by its document, and minute by minute around incidents and moves.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from demo_seed.steps import Command, Step, Table, fact

Value = Callable[[datetime], float]
MINUTE = timedelta(minutes=1)
UNITS = {"temperature": "Cel", "frost_point": "Cel", "oxygen": "[ppm]", "relative_humidity": "%"}
COLD, ROOM, DAMP = "temperature", "temperature frost_point", "temperature frost_point relative_humidity"
AIR = "temperature frost_point oxygen"
#: How tables of one order of columns are read; all times are UTC.
LAYOUTS = {"COLD": COLD, "ROOM": ROOM, "DAMP": DAMP, "AIR": AIR}


@dataclass(frozen=True)
class Run:
    """One logger on one trip: what it measures, how often, in what, from when to when it read; who put it there and
    read it out, and when that was told."""

    code: str
    trip: str
    layout: str
    interval_min: int
    item: str
    start: str
    end: str
    placed: str
    read_out: str
    values: tuple[Value, ...]
    clock: Callable[[datetime], datetime] = lambda at: at


def _at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _wave(middle: float, by: float = 0.6, hours: float = 24.0) -> Value:
    return lambda at: middle + by * math.sin(at.timestamp() / 3600 / hours * 2 * math.pi)


def _ramp(points: list[tuple[str, float]]) -> Value:
    """Straight lines between points."""
    known = [(_at(when), value) for when, value in points]

    def value(at: datetime) -> float:
        for (left, low), (right, high) in pairwise(known):
            if left <= at <= right:
                return low + (high - low) * ((at - left) / (right - left))
        return known[0][1] if at < known[0][0] else known[-1][1]

    return value


def _summer_time(at: datetime) -> datetime:
    """What LG-201 showed: an hour ahead, and 41 s more by its read-out."""
    begin, end = _at("2025-04-21T09:00:00Z"), _at("2025-04-30T15:20:00Z")
    return at + timedelta(seconds=3600 + 41 * ((at - begin) / (end - begin)))


def _slow(at: datetime) -> datetime:
    return at - timedelta(seconds=4)


#: LG-101: cold until 03-29 02:10, at -15 °C then and again on 03-30 09:30, +11.4 °C between.
JAR_02 = _ramp(
    [
        ("2025-03-24T11:10:00Z", -58.0),
        ("2025-03-28T16:00:00Z", -40.0),
        ("2025-03-29T02:10:00Z", -15.0),
        ("2025-03-29T18:00:00Z", 11.4),
        ("2025-03-30T08:00:00Z", 10.9),
        ("2025-03-30T09:30:00Z", -15.0),
        ("2025-03-30T12:00:00Z", -56.0),
        ("2025-04-01T01:05:00Z", -58.0),
    ]
)
#: LG-102, in the box: -62 °C, -40 °C until 03-28 16:00, as the room by 03-29 06:00.
BOX_02 = _ramp(
    [
        ("2025-03-24T08:30:00Z", -62.0),
        ("2025-03-28T16:00:00Z", -40.0),
        ("2025-03-29T06:00:00Z", 18.0),
        ("2025-03-30T09:30:00Z", 17.5),
        ("2025-03-30T12:00:00Z", -60.0),
        ("2025-04-01T01:00:00Z", -62.0),
    ]
)
DRY = (_wave(20.0), _wave(-55.0, 2.0))
BRAITHMOSS_DAMP = (_wave(20.0), _wave(-46.0, 1.0), _wave(0.4, 0.1))
OUT, MIN10, MIN15 = "p05 TRP", 10, 15
RUNS = [
    Run("LG-090", "T-01", "ROOM", MIN10, "J-01", "2025-03-10T08:35:00Z", "2025-03-14T02:00:00Z", OUT, "p09 TSI", DRY),
    Run(
        *("LG-101", "T-02", "COLD", MIN10, "J-02", "2025-03-24T11:10:00Z", "2025-04-01T01:05:00Z", OUT, "p11 MRL"),
        (JAR_02,),
    ),
    Run("LG-102", "T-02", "COLD", 5, "P-02", "2025-03-24T08:30:00Z", "2025-04-01T01:00:00Z", OUT, "p11 MRL", (BOX_02,)),
    Run("LG-103", "T-03", "ROOM", MIN10, "J-03", "2025-03-31T11:00:00Z", "2025-04-03T17:20:00Z", OUT, "p13 SMP", DRY),
    Run(
        *("LG-201", "T-05", "ROOM", MIN15, "J-05", "2025-04-21T09:00:00Z", "2025-04-30T15:20:00Z", OUT, "p16 LSC"),
        DRY,
        _summer_time,
    ),
    Run(
        *("LG-301", "T-09", "ROOM", MIN15, "J-08", "2026-08-10T10:00:00Z", "2026-08-21T10:10:00Z", OUT, "p05 TRP"),
        DRY,
        _slow,
    ),
    Run("LG-302", "T-09", "ROOM", MIN15, "P-09", "2026-08-10T10:00:00Z", "2026-08-21T06:40:00Z", OUT, "p05 TRP", DRY),
    Run(
        *("LG-080", "T-12", "ROOM", MIN10, "BRM-0002", "2025-03-03T07:30:00Z", "2025-03-03T15:00:00Z", OUT, "p07 DVM"),
        DRY,
    ),
    Run(
        *("LG-104", "T-07", "ROOM", MIN10, "BRM-0022", "2025-10-06T16:30:00Z", "2025-10-10T02:00:00Z"),
        *("p12 SMP", "p09 TSI", DRY),
    ),
    Run(
        *("LG-091", "T-08", "ROOM", MIN10, "BRM-0010", "2026-02-27T05:30:00Z", "2026-03-05T10:30:00Z"),
        *("p09 TSI", "p05 TRP", DRY),
    ),
    Run(
        *("LG-202", "T-06", "DAMP", MIN15, "P:BRM-0017 P:BRM-0019", "2026-05-15T17:30:00Z", "2026-05-20T10:00:00Z"),
        *("p16 LSC", "p05 TRP", BRAITHMOSS_DAMP),
    ),
    Run(
        *("LG-105", "T-10", "COLD", MIN10, "BRM-0011", "2026-04-05T13:30:00Z", "2026-04-09T10:50:00Z"),
        *("p10 MRL", "p05 TRP", (_wave(-42.0),)),
    ),
    Run(
        *("LG-106", "T-11", "ROOM", MIN10, "BRM-0023", "2026-10-28T19:30:00Z", "2026-11-02T11:50:00Z"),
        *("p12 SMP", "p05 TRP", DRY),
    ),
]
#: When a logger was put in where that is not when it began to read, as (happened, told).
PLACED = {
    "LG-101": ("2025-03-24T08:25:00Z", "2025-03-24T08:31:30Z"),
    "LG-201": ("2025-04-23T10:30:00Z", "2025-04-23T10:32:00Z"),
    "LG-301": ("2026-08-10T09:30:00Z", "2026-08-10T09:36:00Z"),
    "LG-302": ("2026-08-10T09:30:00Z", "2026-08-10T09:36:00Z"),
    "LG-102": ("2025-03-24T08:30:00Z", "2025-03-24T08:32:00Z"),
    "LG-103": ("2025-03-31T11:00:00Z", "2025-03-31T11:06:00Z"),
}
#: Taken out before or at the read-out, as (happened, told, by whom).
REMOVED = {
    "LG-101": ("2025-04-01T01:05:00Z", "2025-04-01T01:07:00Z", "p11 MRL"),
    "LG-102": ("2025-04-01T01:00:00Z", "2025-04-01T01:07:00Z", "p11 MRL"),
    "LG-302": ("2026-08-21T06:40:00Z", "2026-08-21T06:45:00Z", "driver-k CRK"),
    "LG-105": ("2026-04-09T10:50:00Z", "2026-04-09T10:52:00Z", "p05 TRP"),
}
#: Clock checks, as (true time, told).
CHECKED = {
    "LG-201": [("2025-04-21T09:00:00Z", "2025-04-21T09:01:00Z"), ("2025-04-30T15:20:00Z", "2025-04-30T15:22:00Z")],
    "LG-301": [("2026-08-21T10:10:00Z", "2026-08-21T11:30:00Z")],
}


def documents() -> Iterator[tuple[str, dict[str, Any]]]:
    """Paths and bodies of the layouts, loggers and sensors, to be told as the scenario begins."""
    for code, quantities in LAYOUTS.items():
        columns = [{"column": n, "quantity": q, "unit": UNITS[q]} for n, q in enumerate(quantities.split(), start=2)]
        what = f"time, {', '.join(quantities.split())}"
        body: dict[str, Any] = {"code": code, "institution": "TRP", "what": what, "content": {"columns": columns}}
        yield "/v1/layouts", body
    for run in RUNS:
        readers = sorted({who.split()[1] for who in (run.placed, run.read_out)} - {"TRP"})
        logger = {"code": run.code, "institution": "TRP", "kind": "logger", "what": "travelling logger"}
        yield "/v1/sources", _described(logger, run.layout, 60 * run.interval_min, readers)
    for code, where, layout in (("PS-MRL-F1", "MRL", "COLD"), ("PS-TRP-GB1", "TRP", "AIR")):
        sensor = {"code": code, "institution": where, "kind": "sensor", "place": code[3:], "what": "fixed sensor"}
        yield "/v1/sources", _described(sensor, layout, 60, [])


def _described(source: dict[str, Any], layout: str, interval_s: int, readers: list[str]) -> dict[str, Any]:
    said = {"interval_s": interval_s, "quantities": LAYOUTS[layout].split(), "layout": layout, "readers": readers}
    return {**source, **said, "good_until": "2027-06-30"}


def steps() -> list[Step]:
    """Every logger put in and taken out, every clock check, every file."""
    found: list[Step] = []
    for run in RUNS:
        happened, told = PLACED.get(run.code, (run.start, _later(run.start)))
        found.append(fact(f"{told} {run.placed} logger_placed {run.item} @{happened}", logger=run.code))
        if run.code in REMOVED:
            at, then, by = REMOVED[run.code]
            found.append(fact(f"{then} {by} logger_removed {run.item} @{at}", logger=run.code))
        for true, then in CHECKED.get(run.code, ()):
            shown = {"logger_at": run.clock(_at(true)).isoformat(), "true_at": true, "run": run.trip}
            found.append(Command(then, run.read_out.split()[0], f"/v1/sources/{run.code}/clock-checks", shown))
        path = f"/v1/sources/{run.code}/readings?run={run.trip}&name={run.code}.csv"
        found.append(Table(_read_out_at(run), run.read_out.split()[0], path, _table(run)))
    return [*found, *_freezer(), *_glovebox()]


def _later(told: str) -> str:
    return (_at(told) + MINUTE).isoformat()


def _read_out_at(run: Run) -> str:
    return (_at(run.end) + timedelta(hours=2)).isoformat()


def _row(shown: datetime, at: datetime, values: tuple[Value, ...]) -> str:
    return ",".join([shown.strftime("%Y-%m-%dT%H:%M:%SZ"), *(f"{value(at):.1f}" for value in values)])


def _table(run: Run) -> str:
    """What the logger wrote, by its own clock."""
    first, last, step = _at(run.start), _at(run.end), timedelta(minutes=run.interval_min)
    moments = [first + n * step for n in range(int((last - first) / step) + 1)]
    return "\n".join(["time", *(_row(run.clock(at), at, run.values) for at in moments)])


# ------------------------------------------------------------------------------------------------------ fixed sensors
def _sensed(start: str, end: str, close: list[tuple[str, str]], values: tuple[Value, ...]) -> str:
    """Every half hour, and every minute in the windows of ``close``."""
    first, last = _at(start), _at(end)
    moments = {first + n * 30 * MINUTE for n in range(int((last - first) / (30 * MINUTE)) + 1)}
    for since, until in close:
        begin = _at(since)
        moments |= {begin + n * MINUTE for n in range(int((_at(until) - begin) / MINUTE) + 1)}
    return "\n".join(["time", *(_row(at, at, values) for at in sorted(moments))])


def _freezer() -> list[Step]:
    """The freezer that failed for 5 h 10 min (C-11), while 0011 was in it."""
    failure = _ramp(
        [
            ("2025-08-16T13:00:00Z", -22.0),
            ("2025-08-16T13:20:00Z", -15.0),
            ("2025-08-16T15:30:00Z", -2.5),
            ("2025-08-16T18:30:00Z", -15.0),
            ("2025-08-16T19:00:00Z", -22.0),
        ]
    )
    path = "/v1/sources/PS-MRL-F1/readings?name=MRL-F1-{}.csv"
    moves = [("2025-04-01T00:30:00Z", "2025-04-01T01:30:00Z"), ("2025-08-16T12:30:00Z", "2025-08-16T19:30:00Z")]
    handed = [("2026-04-05T13:00:00Z", "2026-04-05T15:00:00Z")]
    return [
        Table(
            "2025-08-17T02:00:00Z",
            "p11",
            path.format(1),
            _sensed("2025-03-25T00:00:00Z", "2025-08-17T00:00:00Z", moves, (failure,)),
        ),
        Table(
            "2026-04-07T02:00:00Z",
            "p11",
            path.format(2),
            _sensed("2025-08-17T00:00:00Z", "2026-04-07T00:00:00Z", handed, (failure,)),
        ),
    ]


def _glovebox() -> list[Step]:
    """The glovebox whose glove leaked for ninety minutes (A20): oxygen at its limit at 02:00 and 03:30, 180 between."""
    leak = [("2025-06-08T02:00:00Z", 100.0), ("2025-06-08T02:01:00Z", 180.0)]
    leak += [("2025-06-08T03:29:00Z", 180.0), ("2025-06-08T03:30:00Z", 100.0), ("2025-06-08T03:45:00Z", 12.0)]
    oxygen = _ramp([("2025-06-08T01:45:00Z", 12.0), *leak])
    values = (_wave(20.4), _wave(-62.0, 1.5), oxygen)
    path = "/v1/sources/PS-TRP-GB1/readings?name=GB1-{}.csv"
    near = [("2025-06-08T01:30:00Z", "2025-06-08T04:00:00Z")]
    return [
        Table(
            "2025-06-09T09:00:00Z",
            "p02",
            path.format(1),
            _sensed("2025-01-20T14:30:00Z", "2025-06-09T08:30:00Z", near, values),
        ),
        Table(
            "2026-11-25T09:00:00Z",
            "p02",
            path.format(2),
            _sensed("2025-06-09T08:30:00Z", "2026-11-25T08:30:00Z", [], values),
        ),
    ]
