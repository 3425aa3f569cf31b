"""The database is away, hangs, is locked or has no connection left: 503 in bounded time, and no harm afterwards."""

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest
import sqlalchemy as sa
from sqlalchemy import event

from shipsvc.domain import codes
from shipsvc.store.tables import Event, table
from shipsvc.web.keys import READ_AGAIN_AFTER
from tests.conftest import BOTH
from tests.databases import copied, throwaway
from tests.postgres import Postgres, libpq_url
from tests.web.door import Door, Json, opened
from tests.web.service import START
from tests.wire import Wire, strung

EVENT = table(Event)
#: What a request may wait for a lock or a connection in these tests, in seconds.
WAIT_S = 0.5
#: No answer may take longer, on a machine with much else to do: libpq waits two seconds for a connection at least.
BOUND_S = 15.0


@dataclass
class Wired:
    """The service with its PostgreSQL at the end of a wire; ``url`` leads there without the wire."""

    door: Door
    wire: Wire
    url: str

    def straight(self, statement: str) -> None:
        """Run a statement on the server."""
        with psycopg.connect(libpq_url(self.url), autocommit=True) as connection:
            connection.execute(statement.encode())


@pytest.fixture(scope="module")
def wired_once(postgres_server: Postgres, postgres_template: str) -> Iterator[Wired]:
    """One for the module."""
    with (
        throwaway(postgres_server, postgres_template) as (_, url),
        strung(url) as wire,
        opened(wire.url, wait_s=WAIT_S) as door,
    ):
        yield Wired(door, wire, url)


@pytest.fixture
def wired(wired_once: Wired) -> Wired:
    """The same, with the wire let through and the clock set back."""
    wired_once.wire.mend()
    wired_once.door.service.clock.at = START
    return wired_once


@pytest.fixture(scope="module")
def lite(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Iterator[tuple[Door, Path]]:
    """The service on SQLite, and its file."""
    path = tmp_path_factory.mktemp("lite") / "shipsvc.sqlite3"
    with opened(copied(sqlite_template, path), wait_s=WAIT_S) as door:
        yield door, path


def away(door: Door, fact: Json) -> None:
    """Tell a fact: 503 as a problem that says when to come again, within the bound."""
    started = time.monotonic()
    answer = door.service.client.post("/v1/events", json={"fact": fact}, headers=door.people["clerk"])
    took_s = time.monotonic() - started

    assert (answer.status_code, answer.json()["code"]) == (503, "away"), answer.text
    assert int(answer.headers["Retry-After"]) > 0
    assert answer.headers["X-Request-Id"]
    assert took_s < BOUND_S


# ---------------------------------------------------------------------------------------------------------- PostgreSQL
def test_a_database_that_is_gone_and_comes_back(wired: Wired) -> None:
    """Connections break and new ones are refused: 503; once it is back, the same fact is taken without a restart."""
    fact = wired.door.fact("seen", wired.door.number())
    wired.wire.cut()
    away(wired.door, fact)
    away(wired.door, fact)
    wired.wire.mend()

    assert not wired.door.tell(fact)["replayed"]


def test_a_database_that_hangs(wired: Wired) -> None:
    """A host that takes connections and says nothing: the time for connecting is bounded."""
    fact = wired.door.fact("seen", wired.door.number())
    wired.wire.silence()
    away(wired.door, fact)
    wired.wire.cut()
    wired.wire.mend()

    wired.door.tell(fact)


def test_all_else_goes_on_while_the_database_hangs(wired: Wired) -> None:
    """A request whose keys have to be read again waits for itself alone: the process still says that it is alive."""
    door = wired.door
    wired.wire.silence()
    door.service.clock.forward(seconds=READ_AGAIN_AFTER.total_seconds() + 1)
    with ThreadPoolExecutor(1) as pool:
        waiting = pool.submit(away, door, door.fact("seen", door.number()))
        time.sleep(0.2)
        started = time.monotonic()
        assert door.service.client.get("/healthz").status_code == 200
        alive_s = time.monotonic() - started
        assert not waiting.done()
        waiting.result()
    wired.wire.cut()

    assert alive_s < 1.5  # less than the two seconds that libpq waits for a connection


def test_the_answer_to_a_commit_gets_lost(wired: Wired) -> None:
    """The server commits and the line breaks: 503, since nobody can know; told again, it is the first answer (7, 8)."""
    door = wired.door
    fact = door.fact("seen", door.number())
    door.tell(door.fact("seen", door.number()))  # so that a connection is there and COMMIT is the next of its kind
    wired.wire.cut_at(lambda data: b"COMMIT" in data)
    away(door, fact)
    wired.wire.mend()

    answer = door.tell(fact, status=200)
    assert answer["replayed"]
    assert len(door.all(EVENT, EVENT.c.id == fact["id"])) == 1


def test_a_session_that_is_ended_half_way(wired: Wired) -> None:
    """The server ends the session between two statements (an operator, a restart): 503, nothing half-written."""
    door = wired.door
    fact, before = door.fact("seen", door.number()), door.stored()
    others = "datname = current_database() AND pid <> pg_backend_pid()"
    end = f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE {others}"

    def ended(_c: object, _cursor: object, statement: str, *_: object) -> None:
        if statement.startswith("INSERT INTO event "):
            wired.straight(end)

    engine = door.service.service.database.engine
    event.listen(engine, "before_cursor_execute", ended)
    try:
        away(door, fact)
    finally:
        event.remove(engine, "before_cursor_execute", ended)

    assert door.stored() == before
    door.tell(fact)


def test_a_standby_that_only_reads(wired: Wired) -> None:
    """After a failover the address may lead to a server that takes no writes: 503 and not a bug; reading goes on."""
    door = wired.door
    told, fact = door.fact("seen", door.number()), door.fact("seen", door.number())
    door.tell(told)
    name = sa.make_url(wired.url).database
    engine = door.service.service.database.engine
    wired.straight(f'ALTER DATABASE "{name}" SET default_transaction_read_only = on')
    engine.dispose()
    try:
        away(door, fact)
        door.read(told["id"])
    finally:
        # Such a session may still change this: only the default is to read.
        with psycopg.connect(libpq_url(wired.url), autocommit=True) as connection:
            connection.execute("SET default_transaction_read_only = off")
            connection.execute(f'ALTER DATABASE "{name}" RESET default_transaction_read_only'.encode())
        engine.dispose()

    door.tell(fact)


def test_an_item_that_another_transaction_keeps_locked(wired: Wired) -> None:
    """The wait for a row ends after the time set for it; facts about other items are not held up."""
    door = wired.door
    number, other = door.number(), door.number()
    door.tell_all([door.fact("seen", number), door.fact("seen", other)])
    fact = door.fact("seen", number)
    with psycopg.connect(libpq_url(wired.url)) as connection:
        connection.execute("SELECT 1 FROM item WHERE number = %s FOR UPDATE", [codes.parse(number)])
        away(door, fact)
        door.tell(door.fact("seen", other))

    door.tell(fact)


# -------------------------------------------------------------------------------------------------------------- SQLite
HOLD = """
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None)
connection.execute("BEGIN IMMEDIATE")
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Another process holds the write lock of the file."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield
        process.communicate("")


def test_a_file_that_another_process_writes(lite: tuple[Door, Path]) -> None:
    """Another process holds the lock: 503 after the time set for waiting; reading goes on (WAL); then it is taken."""
    door, path = lite
    told, fact = door.fact("seen", door.number()), door.fact("seen", door.number())
    door.tell(told)
    with held(path):
        away(door, fact)
        door.read(told["id"])

    assert not door.tell(fact)["replayed"]


def test_a_wait_that_is_short_enough(lite: tuple[Door, Path]) -> None:
    """A lock that is let go in time costs nothing but the wait."""
    door, path = lite
    fact = door.fact("seen", door.number())
    with ThreadPoolExecutor(1) as pool, held(path):
        waiting = pool.submit(door.tell, fact)
        time.sleep(WAIT_S / 5)
        assert not waiting.done()
    assert waiting.result()["status"] == "recorded"


def test_a_writer_that_never_ends(lite: tuple[Door, Path]) -> None:
    """In one process writers queue: whoever waits too long for the others is told to come again."""
    door, _ = lite
    fact = door.fact("seen", door.number())
    with door.service.service.database.write_lock:
        away(door, fact)

    door.tell(fact)


# ---------------------------------------------------------------------------------------------------------------- both
@pytest.fixture(params=BOTH)
def narrow(request: pytest.FixtureRequest) -> Iterator[Door]:
    """A service with a pool of three connections (one thread and two to spare)."""
    name = {"sqlite": "sqlite_database_url", "postgresql": "postgres_database_url"}[request.param]
    with opened(request.getfixturevalue(name), wait_s=WAIT_S, threads=1) as door:
        yield door


def test_no_connection_is_left(narrow: Door) -> None:
    """All connections are in use: 503 after the time set for waiting, for reading as for writing; then it goes on."""
    fact = narrow.fact("seen", narrow.number())
    engine = narrow.service.service.database.engine
    with ExitStack() as stack:
        for _ in range(3):
            stack.enter_context(engine.connect())
        away(narrow, fact)
        narrow.read(fact["id"], status=503)

    narrow.tell(fact)
    narrow.read(fact["id"])


def test_more_requests_than_connections(narrow: Door) -> None:
    """Thirty at once through one thread: each is answered 201 in its turn, and every connection comes back."""
    facts = [narrow.fact("seen", narrow.number()) for _ in range(30)]
    together = threading.Barrier(10)

    def told(part: int) -> None:
        together.wait()
        for fact in facts[part::10]:
            narrow.tell(fact)

    with ThreadPoolExecutor(10) as pool:
        list(pool.map(told, range(10)))
    pool_now = narrow.service.service.database.engine.pool
    assert isinstance(pool_now, sa.QueuePool)
    assert pool_now.checkedout() == 0
