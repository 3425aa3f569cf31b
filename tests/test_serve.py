"""``shipsvc serve`` as it is run: a process that migrates, answers, and ends when it is told to."""

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import monotonic, sleep

import httpx

from shipsvc.store import schema
from tests.databases import sqlite_url, throwaway
from tests.postgres import Postgres


@contextmanager
def serving(url: str, folder: Path, *options: str) -> Iterator[tuple[subprocess.Popen[bytes], Path]]:
    """The command, on a port that was free, as (process, its log); ended by force where a test did not end it."""
    command = [sys.executable, "-c", "from shipsvc.cli import app; app()", "serve", "--port", "0", *options]
    log = folder / "log"
    with log.open("wb") as stderr:
        environment = {**os.environ, "SHIPSVC_DATABASE_URL": url}
        process = subprocess.Popen(command, env=environment, cwd=folder, stderr=stderr, start_new_session=True)
    try:
        yield process, log
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def waited(process: subprocess.Popen[bytes], log: Path, pattern: str, times: int = 1) -> list[str]:
    """What a pattern finds in the log, as soon as it finds so many."""
    until = monotonic() + 60
    while monotonic() < until and process.poll() is None:
        if len(found := re.findall(pattern, log.read_text())) >= times:
            return found
        sleep(0.05)
    raise AssertionError(log.read_text())


def ready(process: subprocess.Popen[bytes], log: Path, workers: int) -> httpx.Response:
    """Ask whether the service is ready, once all its processes are."""
    waited(process, log, "Application startup complete", workers)
    (base,) = waited(process, log, r"Uvicorn running on (http://127\.0\.0\.1:\d+)")
    # Several workers listen a moment after they said that they started.
    with httpx.Client(transport=httpx.HTTPTransport(retries=4)) as client:
        return client.get(f"{base}/readyz", timeout=30)


def stopped(process: subprocess.Popen[bytes]) -> int:
    """Tell the server to stop as an operator's tools do; how it ended."""
    process.send_signal(signal.SIGTERM)
    return process.wait(timeout=30)


def gone(group: int) -> bool:
    """Whether all processes of a group ended, given a few seconds to do so."""
    until = monotonic() + 10
    with suppress(ProcessLookupError):
        while monotonic() < until:
            os.killpg(group, 0)
            sleep(0.05)
        return False
    return True


def test_serve_on_sqlite(tmp_path: Path) -> None:
    """From nothing: the database is made, requests are answered, SIGTERM ends it, and each line of the log is JSON."""
    with serving(sqlite_url(tmp_path / "new.sqlite3"), tmp_path) as (process, log):
        answer = ready(process, log, workers=1)
        assert answer.status_code == 200
        assert answer.json()["schema_revision"] == schema.head()

        # uvicorn ends its work, then lets the signal have its usual effect.
        assert stopped(process) == -signal.SIGTERM
    messages = [json.loads(line)["message"] for line in log.read_text().splitlines()]
    assert "Application shutdown complete." in messages
    assert "request" in messages


def test_serve_with_workers_on_postgresql(tmp_path: Path, postgres_server: Postgres) -> None:
    """Two processes answer on one port; both end with their parent."""
    with (
        throwaway(postgres_server) as (_, url),
        serving(url, tmp_path, "--workers", "2") as (process, log),
    ):
        assert ready(process, log, workers=2).status_code == 200
        assert stopped(process) in (0, -signal.SIGTERM)
        assert gone(process.pid)
    assert len(set(re.findall(r"Started server process \[(\d+)\]", log.read_text()))) == 2


def test_serve_says_when_the_database_is_away(tmp_path: Path) -> None:
    """No half-started server: one line on the error output and exit code 1."""
    with serving(f"postgresql+psycopg://somebody:secret@/none?host={tmp_path}", tmp_path) as (process, log):
        assert process.wait(timeout=60) == 1
    assert log.read_text().startswith("The database cannot be used: ")
    assert "secret" not in log.read_text()
