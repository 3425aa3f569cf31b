"""Profiles, places, sources and their readings, written straight into the store: what was read, by pieces of a line."""

import json
import uuid
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

import numpy as np
import sqlalchemy as sa

from shipsvc.domain.times import parse_instant
from shipsvc.store import profiles, readings, uploads
from tests.world import EARLY

CHAIN = {"version": 1, "valid_from": EARLY, "recorded_at": EARLY, "actor": "p00", "because": "start"}


def describe(
    connection: sa.Connection, code: str, limits: Sequence[Mapping[str, Any]], decisive: str, **more: Any
) -> None:
    """A storage profile."""
    told = {"institution": "TRP", "what": code, "limits": json.dumps(limits), "decisive": decisive}
    connection.execute(sa.insert(profiles.PROFILE), {**CHAIN, "code": code, **told, **more})


def place(connection: sa.Connection, code: str, profile: str, institution: str = "TRP") -> None:
    """A storage place."""
    told = {"institution": institution, "name": code, "profile": profile, "what": code, "parent": None}
    columns = {name: value for name, value in told.items() if name in profiles.PLACE.c}
    connection.execute(sa.insert(profiles.PLACE), {**CHAIN, "code": code, **columns})


def source(
    connection: sa.Connection, code: str, interval_min: int, quantities: str, hangs_in: str | None = None
) -> None:
    """A logger, or a sensor of a place."""
    told = {
        "institution": "TRP",
        "kind": "sensor" if hangs_in else "logger",
        "place": hangs_in,
        "what": code,
        "serial": code,
        "interval_s": interval_min * 60,
        "max_gap_s": None,
        "quantities": quantities,
        "zone": "UTC",
        "good_until": None,
        "layout": None,
        "readers": "",
    }
    connection.execute(sa.insert(readings.SOURCE), {**CHAIN, "code": code, **told})


def send(
    connection: sa.Connection,
    code: str,
    quantity: str,
    pieces: Sequence[tuple[str, str, float]],
    step_min: int,
    told: str = "2026-01-01T00:00:00Z",
    unit: str = "Cel",
) -> None:
    """Readings, each piece (from, to, value) at every step, both ends included; uploaded as one file."""
    times: list[int] = []
    values: list[float] = []
    for begin, end, value in pieces:
        at, last = parse_instant(begin), parse_instant(end)
        while at <= last:
            times.append(int(at.timestamp()) * 1_000_000)
            values.append(value)
            at += timedelta(minutes=step_min)
    one = {"id": uuid.uuid4().hex, "source": code, "run": "", "sha256": 2 * uuid.uuid4().hex, "attempt": 1}
    one |= {"size_bytes": 1, "format": "senml_json", "recorded_at": parse_instant(told), "actor": "p1", "name": ""}
    one |= {"layout": "", "stream": "", "first_line": 0}
    ended = {"upload": one["id"], "rows_read": len(values), "rows_stored": len(values), "rows_bad": 0, "bad": []}
    row = uploads.chunk_row(one, quantity, 0, unit, (np.array(times), np.array(values)), 2)
    uploads.add_upload(connection, one)
    uploads.add_chunks(connection, [row])
    uploads.end_upload(connection, {**ended, "marks": [], "recorded_at": parse_instant(told), "actor": "p1"})
