"""Readings that were merged: whether each merged chunk holds what its parts hold, and each chunk that counts is found
once, itself or merged, at any moment that may be asked about.

Like all of fsck without numpy and without the code that merged them. Memory grows with the chunks of one series.
"""

import struct
import zlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from math import isnan

import sqlalchemy as sa

from shipsvc.app.fsck_log import Finding
from shipsvc.app.fsck_readings import opened, within
from shipsvc.store import fsck_reads
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: From when to when something counts.
Known = tuple[datetime, datetime]
#: A chunk of a series: its upload or merged chunk, and its sequence.
Key = tuple[str, int]


def check(connection: sa.Connection) -> Iterator[Finding]:
    """All that is not as it should be; every merged chunk and its parts are read."""
    for row in fsck_reads.spans_told_otherwise(connection):
        yield Finding("its span does not say what the chunk says", _about(row))
    for source, quantity in fsck_reads.chunk_series(connection):
        spans = fsck_reads.chunk_spans(connection, source, quantity)
        parts: dict[str, list[Row]] = defaultdict(list)
        for row in spans:
            if row["part_of"] is not None:
                parts[row["part_of"]].append(row)
        merged = {row["chunk"]: row for row in spans if row["level"]}
        for chunk in sorted(parts.keys() - merged.keys()):
            yield Finding("it is part of what is nowhere", _about(parts[chunk][0]), chunk)
        for chunk, row in merged.items():
            yield from _same_as_parts(connection, row, parts[chunk])
        yield from _found_once(spans, fsck_reads.counting(connection, source, quantity))


def _about(row: Row) -> str:
    of = "merged chunk" if row["level"] else f"chunk {row['sequence']} of upload"
    return f"{of} {row['chunk']} of {row['quantity']} of {row['source']}"


def _same_as_parts(connection: sa.Connection, merged: Row, parts: Sequence[Row]) -> Iterator[Finding]:
    about = _about(merged)
    data = fsck_reads.chunk_bytes(connection, merged)
    if data is None:
        yield Finding("its readings are not there", about)
        return
    yield from within({**merged, "data": data}, about)
    for name in ("source", "quantity", "run", "unit"):
        if strange := {part[name] for part in parts} - {merged[name]}:
            yield Finding(f"a part is of another {name}", about, merged[name], sorted(strange))
    try:
        expected = [pair for part in parts for pair in _pairs(fsck_reads.chunk_bytes(connection, part))]
        found = _pairs(data)
    except (zlib.error, struct.error, ValueError, IndexError):
        return  # said above of itself, and by the other check of the chunk that cannot be opened
    if found != sorted(expected, key=lambda pair: pair[0]):
        yield Finding("it does not hold what its parts hold", about, len(expected), len(found))


def _pairs(data: bytes | None) -> list[tuple[int, float | None]]:
    """Readings as they can be compared: None for what is no number."""
    times_us, values = opened(data or b"")
    return [(at, None if isnan(value) else value) for at, value in zip(times_us, values, strict=True)]


def _found_once(spans: Sequence[Row], counting: Sequence[Row]) -> Iterator[Finding]:
    """A chunk counts from the end of its upload to its withdrawal: there its spans, and those of what it was merged
    into, must follow each other without a gap and without two at a time."""
    rows: dict[Key, list[Row]] = defaultdict(list)
    for row in spans:
        rows[row["chunk"], row["sequence"]].append(row)
    told = {(row["upload"], row["sequence"]): row for row in counting}
    above: dict[Key, tuple[Known, ...]] = {}
    for key, own in rows.items():
        if own[0]["level"] == 0 and key not in told:
            yield Finding("it counts, and no upload that was read to its end holds it", _about(own[0]))
    for (upload, sequence), row in told.items():
        known = sorted(_known((upload, sequence), rows, above))
        since, until = row["since"], row["until"] or FOREVER
        edges = [since, *(end for _, end in known)]
        expected = max(since, until)  # withdrawn before it was read to its end, it never counted
        if [begin for begin, _ in known] != edges[:-1] or edges[-1] != expected:
            shown = ", ".join(f"{begin} to {end}" for begin, end in known)
            about = f"chunk {sequence} of upload {upload}"
            yield Finding("it is not found once at every moment", about, f"{since} to {until}", shown)


def _known(key: Key, rows: Mapping[Key, Sequence[Row]], above: dict[Key, tuple[Known, ...]]) -> tuple[Known, ...]:
    """When a chunk is found, by itself or in what it was merged into."""
    if key not in above:
        above[key] = ()  # where something were part of itself
        its = rows.get(key, ())
        found = [(row["known_from"], row["known_to"]) for row in its if row["known_from"] < row["known_to"]]
        for merged in {row["part_of"] for row in its} - {None}:
            found += _known((merged, 0), rows, above)
        above[key] = tuple(found)
    return above[key]
