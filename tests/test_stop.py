"""A graceful stop: what is under way is finished, committed and answered; nothing new is begun."""

import re
import signal
import sqlite3
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from shipsvc.app import identity
from shipsvc.store.engine import Database
from tests.databases import opened, sqlite_url
from tests.test_serve import ready, serving
from tests.web.service import LENDER, PASSWORD

FACT = {
    "id": "0195a3c2-6f00-7000-8000-000000000001",
    "kind": "seen",
    "subjects": ["BRM-0010-J"],
    "time": {"raw": "2026-03-10T11:00:00Z"},
    "acting_for": "TRP",
    "body": {},
}


def with_an_administrator(database: Database) -> None:
    """The first person, in an empty database."""
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        identity.bootstrap(
            connection,
            datetime.now(UTC),
            login="first",
            password=PASSWORD,
            name="F. Example",
            institution="TRP",
            institution_content=LENDER,
        )


def test_a_request_under_way_is_answered_before_the_end(tmp_path: Path, sqlite_database_url: str) -> None:
    """SIGTERM while a fact waits for the file: no new connection is taken; the fact is answered 201 and stored."""
    path = Path(sqlite_database_url.removeprefix("sqlite:///"))
    with opened(sqlite_database_url) as database:
        with_an_administrator(database)
    with (
        serving(sqlite_url(path), tmp_path) as (process, log),
        closing(sqlite3.connect(path, isolation_level=None)) as other,
        ThreadPoolExecutor(1) as pool,
    ):
        assert ready(process, log, workers=1).status_code == 200
        (base,) = re.findall(r"Uvicorn running on (http://127\.0\.0\.1:\d+)", log.read_text())
        with httpx.Client(base_url=base, timeout=30) as client:
            form = {"grant_type": "password", "username": "first", "password": PASSWORD}
            token = client.post("/v1/token", data=form).json()["access_token"]
            other.execute("BEGIN IMMEDIATE")
            headers = {"Authorization": f"Bearer {token}"}
            telling = pool.submit(client.post, "/v1/events", json={"fact": FACT}, headers=headers)
            time.sleep(1)
            process.send_signal(signal.SIGTERM)
            time.sleep(0.5)
            with pytest.raises(httpx.ConnectError):
                httpx.get(f"{base}/healthz")
            assert not telling.done()
            other.execute("ROLLBACK")

            answer = telling.result()
        assert (answer.status_code, answer.json()["status"]) == (201, "recorded")
        assert process.wait(timeout=30) in (0, -signal.SIGTERM)
        assert other.execute("SELECT id FROM event").fetchall() == [(FACT["id"],)]
    assert "Application shutdown complete." in log.read_text()
