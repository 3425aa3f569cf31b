"""Readings, many of them: a table in and its exposure out, and the exposure of a sample that was always well.

The table goes over HTTP to the service as it is run, in a process of its own whose peak of memory is read; beside it,
in another, numpy reads the same file and passes over it once. The long series are written straight into the store:
nothing could send three years of seconds here, and what is measured is how they are asked.
"""

import http.client
import json
import re
import resource
import subprocess
import sys
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter
from typing import Any
from urllib.parse import urlsplit

import numpy as np

from shipsvc.app import exposure
from shipsvc.domain import chunks
from shipsvc.domain.conditions import time_outside
from shipsvc.domain.times import format_instant
from shipsvc.store import readings, uploads
from shipsvc.store.engine import Database, open_database
from tests import sensed
from tests.bench.bases import Base
from tests.bench.serving import ROOT, serving, signed_in
from tests.bench.table import Row, Times
from tests.trips import COLD
from tests.web.service import Running, running
from tests.world import World, number

STORED = datetime(2023, 1, 1, tzinfo=UTC)
SAMPLE = "BRM-0001"
LIMIT_C = -15.0
JSON = {"Content-Type": "application/json"}


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """Both rows."""
    yield _table(base, folder, 100_000 if quick else 1_000_000)
    yield _always_well(base, *((1_000_000, 10_000_000) if quick else (1_000_000, 100_000_000)))


# ------------------------------------------------------------------------------------------- a table in, exposure out
def _table(base: Base, folder: Path, count: int) -> Row:
    file = folder / "readings.csv"
    begin_s = int(STORED.timestamp())
    times = begin_s + 30 * np.arange(count)
    celsius = -20 + 6 * np.sin(np.arange(count) / 4000)  # beyond the limit for a quarter of the time
    np.savetxt(file, np.column_stack([times, celsius]), fmt=["%d", "%.2f"], delimiter=",", header="time,c", comments="")
    ours_s, out_s, peak_mb = _sent(base, folder, file, begin_s + 30 * count)
    theirs = json.loads(_alone("theirs", str(file)))
    assert abs(out_s - theirs["out_s"]) <= 2, "both must find the same"
    size_mb = file.stat().st_size / 1e6
    return Row(
        f"{count:,} readings: CSV in, stored, exposure out",
        base.name,
        f"{ours_s:.2f} s, server's peak {peak_mb:.0f} MB",
        f"{theirs['took_s']:.2f} s, {theirs['peak_mb']:.0f} MB (loadtxt, one pass; {size_mb:.0f} MB file)",
        f"{ours_s / theirs['took_s']:.2f}",
        "<= 2",
    )


def _sent(base: Base, folder: Path, file: Path, end_s: int) -> tuple[float, float, float]:
    """Seconds from sending the file to knowing the exposure, that exposure in s, and the peak of the server in MB."""
    url = base.made()
    with running(url, files_dir=str(folder / uuid.uuid4().hex)) as service:
        typed = _furnish(service)
    with serving(url, folder) as address:
        head = signed_in(address, "keeper")
        connection = http.client.HTTPConnection(urlsplit(address).netloc)
        as_of = format_instant(datetime.fromtimestamp(end_s, UTC))
        before_mb = _peak_mb()
        began = perf_counter()
        with file.open("rb") as body:
            said = {"Content-Type": "text/csv", "Content-Length": str(file.stat().st_size)}
            connection.request("POST", "/v1/sources/PS-1/readings", body, {**head, **said})
            stored = _answer(connection, 201)
        connection.request("GET", f"/v1/items/{typed}/time-out?as_of={as_of}", headers=head)
        out = _answer(connection, 200)
        took_s = perf_counter() - began
        print(f"stored {stored['rows_stored']:,}; the server's peak was {before_mb:.0f} MB before", flush=True)
        return took_s, float(out["at_least_s"]), _peak_mb()


def _furnish(service: Running) -> str:
    """A sample in a freezer with a sensor; its number as people type it."""
    head = service.add("keeper", ("TRP", "curator"), ("TRP", "clerk"))
    early = {"because": "First", "valid_from": format_instant(STORED - timedelta(days=30))}
    limits = [{"quantity": "temperature", "upper": LIMIT_C, "unit": "Cel"}]
    profile = {"code": "C", "institution": "TRP", "what": "cold", "limits": limits, "decisive": "temperature"}
    service.post("/v1/profiles", {**profile, **early}, head)
    service.post("/v1/places", {"code": "F1", "institution": "TRP", "what": "freezer", "profile": "C", **early}, head)
    columns = [{"column": 2, "quantity": "temperature", "unit": "Cel"}]
    content = {"columns": columns, "time_format": "epoch_s"}
    service.post("/v1/layouts", {"code": "PLAIN", "institution": "TRP", "what": "x", "content": content, **early}, head)
    sensor = {"code": "PS-1", "institution": "TRP", "kind": "sensor", "place": "F1", "what": "sensor"}
    about = {"interval_s": 30, "quantities": ["temperature"], "layout": "PLAIN"}
    service.post("/v1/sources", {**sensor, **about, **early}, head)
    collection = {"code": "BRM", "owner": "TRP", "prefix": "BRM", "name": "Bench", "zone": "UTC", "because": "First"}
    service.post("/v1/collections", collection, head)
    new = {"kind": "sample", "form": "material", "what": "chip", "acting_for": "TRP", "prefix": "BRM", "count": 1}
    typed = str(service.post("/v1/items", new, head)["items"][0]["number"])
    fact = {"id": str(uuid.uuid4()), "kind": "stored", "subjects": [typed], "acting_for": "TRP"}
    told = {**fact, "time": {"raw": format_instant(STORED)}, "body": {"place": "F1"}}
    service.post("/v1/events", {"fact": told}, head)
    return typed


def _answer(connection: http.client.HTTPConnection, status: int) -> dict[str, Any]:
    answer = connection.getresponse()
    text = answer.read().decode()
    assert answer.status == status, text
    found: dict[str, Any] = json.loads(text)
    return found


def _peak_mb() -> float:
    """The most memory that the server, a child of this process, held so far (VmHWM; Linux)."""
    children = " ".join(file.read_text() for file in Path("/proc/self/task").glob("*/children")).split()
    peaks = [re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{child}/status").read_text()) for child in children]
    return max(int(found[1]) for found in peaks if found) / 1e3


def _alone(*said: str) -> str:
    # Linux carries the peak of a process over into what it becomes: a small one between keeps this one's out of it.
    command = ["sh", "-c", '"$@"; exit $?', "sh", sys.executable, "-m", "tests.bench.long_series", *said]
    return subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True, cwd=ROOT).stdout


def _theirs(file: str) -> dict[str, float]:
    began = perf_counter()
    table = np.loadtxt(file, delimiter=",", skiprows=1)
    out_s = time_outside(table[:, 0], table[:, 1], upper=LIMIT_C, max_gap_s=1800).out_s
    took_s = perf_counter() - began
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    return {"took_s": took_s, "out_s": out_s, "peak_mb": peak_mb}


# ------------------------------------------------------------------------------------------ always within its limits
def _always_well(base: Base, few: int, many: int) -> Row:
    databases = [_filled(base, count) for count in (few, many)]
    turns = [
        [_asked(database, count) for database, count in zip(databases, (few, many), strict=True)] for _ in range(21)
    ]
    small, large = (Times(each, sum(each)) for each in zip(*turns[1:], strict=True))
    for database in databases:
        database.engine.dispose()
    return Row(
        "exposure of a sample always within limits: p50, in process",
        base.name,
        f"{large.part_ms(0.5):.1f} ms ({many:,} readings)",
        f"{small.part_ms(0.5):.1f} ms ({few:,} readings)",
        f"{large.part_ms(0.5) / small.part_ms(0.5):.2f}",
        "<= 3",
    )


def _filled(base: Base, count: int) -> Database:
    """A sample in a freezer whose sensor read once a second, ``count`` times; the bytes of the first
    chunk stand for all but the last, which is opened."""
    database = open_database(base.made())
    world = World(database)
    with world.writing() as connection:
        sensed.describe(connection, "C", COLD, "temperature")
        sensed.place(connection, "TRP-F1", "C")
        sensed.source(connection, "PS-1", 1, "temperature", "TRP-F1")
    world.tell("registered", SAMPLE, format_instant(STORED), item="sample")
    world.tell("stored", SAMPLE, format_instant(STORED), place="TRP-F1")
    one = {
        "id": "a" * 32,
        "source": "PS-1",
        "run": "",
        "sha256": "a" * 64,
        "attempt": 1,
        "size_bytes": 1,
        "format": "csv",
    }
    one |= {"recorded_at": STORED, "actor": "p1", "name": "", "layout": "", "stream": "", "first_line": 0, "lines": 0}
    values = np.round(-40 + np.random.default_rng(1).normal(0, 0.5, chunks.CHUNK_READINGS), 2)
    step, rows = timedelta(seconds=chunks.CHUNK_READINGS), -(-count // chunks.CHUNK_READINGS)
    first, last = (
        uploads.chunk_row(one, "temperature", n, "Cel", (_every_second(STORED + n * step), values), 2)
        for n in (0, rows - 1)
    )
    moved = [
        {**first, "sequence": n, "begin_at": first["begin_at"] + n * step, "end_at": first["end_at"] + n * step}
        for n in range(rows - 1)
    ]
    moved.append({**last})
    with world.writing() as connection:
        uploads.add_upload(connection, one)
        for at in range(0, rows, 100):
            uploads.add_chunks(connection, moved[at : at + 100])
        ended = {"upload": one["id"], "rows_read": count, "rows_stored": count, "rows_bad": 0, "bad": [], "marks": []}
        uploads.end_upload(connection, {**ended, "recorded_at": STORED, "actor": "p1"})
    return database


def _every_second(begin: datetime) -> chunks.Ints:
    return int(begin.timestamp()) * 1_000_000 + np.arange(chunks.CHUNK_READINGS) * 1_000_000


def _asked(database: Database, count: int) -> float:
    """Seconds that its time out took, up to a moment within the last chunk, which has to be opened."""
    until = STORED + timedelta(seconds=count - 60)
    with database.engine.connect() as connection:
        began = perf_counter()
        out = exposure.time_out(connection, [number(SAMPLE)], until, None)[number(SAMPLE)]
        took_s = perf_counter() - began
        found = readings.chunks(connection, ["PS-1"], ["temperature"], STORED, until, until)
    assert (out.at_most, len(found)) == (timedelta(), -(-(count - 60) // chunks.CHUNK_READINGS)), (
        "there is nothing to measure"
    )
    return took_s


if __name__ == "__main__":
    print(json.dumps(_theirs(sys.argv[2])))
