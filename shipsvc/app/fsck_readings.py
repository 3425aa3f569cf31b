"""Readings: whether each chunk says of itself what is in it and belongs to an upload whose bytes are evidence.

Chunks are taken apart here by plain Python, without numpy and without the code that made them.
"""

import struct
import zlib
from array import array
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import accumulate, pairwise
from math import isnan, nan
from typing import Any

import sqlalchemy as sa

from shipsvc.app.fsck_log import Finding
from shipsvc.store import fsck_reads
from shipsvc.store.engine import Row

_FORMS = "bhiq"
#: Of each unit, what is taken off before it is multiplied and divided; canonical units are left alone.
_TO_CANONICAL = {
    "K": (273.15, 1.0, 1.0),
    "[degF]": (32.0, 5.0, 9.0),
    "[degR]": (491.67, 5.0, 9.0),
}


def check(connection: sa.Connection) -> Iterator[Finding]:
    """All that is not as it should be; every chunk is read."""
    sent = {str(row["id"]): row for row in fsck_reads.uploads(connection)}
    kept = {str(row["sha256"]) for row in fsck_reads.evidence(connection)}
    for row in sent.values():
        if row["sha256"] not in kept:
            yield Finding("the bytes of the upload are not among the evidence", f"upload {row['id']}", row["sha256"])
    for row in fsck_reads.chunks(connection):
        about = f"chunk {row['sequence']} of {row['quantity']} of upload {row['upload']}"
        upload = sent.get(row["upload"])
        if upload is None:
            yield Finding("it belongs to no upload", about)
        elif (upload["source"], upload["run"]) != (row["source"], row["run"]):
            yield Finding("it is of another source or run than its upload", about, upload["source"], row["source"])
        yield from within(row, about)


def within(row: Row, about: str) -> Iterator[Finding]:
    """What a chunk with its ``data`` says of itself that is not in it."""
    try:
        times_us, values = opened(row["data"])
    except (zlib.error, struct.error, ValueError, IndexError) as error:
        yield Finding("it cannot be opened", about, "a chunk", str(error))
        return
    known = [(at, value) for at, value in zip(times_us, values, strict=True) if not isnan(value)]
    gaps = [(later - sooner) / 1e6 for (sooner, _), (later, _) in pairwise(known)]
    figures = [figure for _, value in known if (figure := _canonical(row, value)) is not None]
    expected: dict[str, Any] = {
        "begin_at": _instant(known[0][0] if known else times_us[0]),
        "end_at": _instant(known[-1][0] if known else times_us[-1]),
        "readings": len(known),
        "widest_gap_s": max(gaps, default=0.0),
    }
    if len(figures) == len(known):
        expected |= {"lowest": min(figures, default=None), "highest": max(figures, default=None)}
    for name, value in expected.items():
        if not _same(row[name], value):
            yield Finding(f"{name} is not that of its readings", about, value, row[name])


def opened(data: bytes) -> tuple[list[int], list[float]]:
    """Times in microseconds and values as they were given; zlib.error, struct.error, ValueError or IndexError."""
    raw = zlib.decompress(data)
    version, digits, unit, gaps, count, first_time, first = struct.unpack_from("<BbBBIqq", raw)
    if version != 1:
        raise ValueError(f"version {version}")
    (step,) = struct.unpack_from("<q", raw, 24)
    at = 32
    steps: list[int] = []
    if count > 1:
        bends, at = _numbers(raw, at, count - 2)
        steps = list(accumulate(bends, initial=step))
    times = [one * (1_000_000, 1_000, 1)[unit] for one in accumulate(steps, initial=first_time)]
    if digits < 0:
        values = list(struct.unpack_from(f"<{count}d", raw, at))
        at += 8 * count
    else:
        changes, at = _numbers(raw, at, count - 1)
        values = [whole / 10.0**digits for whole in accumulate(changes, initial=first)]
    if gaps:
        bits = raw[at:]
        values = [nan if bits[n // 8] >> (7 - n % 8) & 1 else value for n, value in enumerate(values)]
    return times, values


def _numbers(raw: bytes, at: int, count: int) -> tuple[list[int], int]:
    form = _FORMS[raw[at]]
    width = struct.calcsize(f"<{form}")
    found = array(form)
    found.frombytes(raw[at + 1 : at + 1 + width * count])
    return found.tolist(), at + 1 + width * count


def _canonical(row: Row, value: float) -> float | None:
    """The value in the canonical unit, where that is known here; None is not compared."""
    if row["unit"] in {"Cel", "%", "[ppm]", "mbar", "m/s2", "lx"} and (row["quantity"], row["unit"]) != ("oxygen", "%"):
        return value
    line = _TO_CANONICAL.get(row["unit"])
    return round((value - line[0]) * line[1] / line[2], 9) if line else None


def _same(written: Any, expected: Any) -> bool:
    if isinstance(expected, float) and isinstance(written, float):
        return abs(written - expected) <= 1e-9 * max(1.0, abs(expected))
    return bool(written == expected)


def _instant(at_us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_us)
