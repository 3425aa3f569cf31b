"""A 2xx answer means committed (promise 8): whatever goes wrong at the end of a transaction, nothing of it is left."""

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest
import sqlalchemy as sa
from sqlalchemy import event, exc

from shipsvc.store.engine import Database
from shipsvc.web.errors import MEDIA_TYPE
from tests.web.door import Door, Json

#: A deferred constraint is looked at by COMMIT and not before (SQL:2016 4.18.2), so that COMMIT itself fails.
DEFERRED = {
    "sqlite": (
        """CREATE TABLE must_be_there (id TEXT PRIMARY KEY)""",
        """CREATE TABLE breach (id TEXT REFERENCES must_be_there (id) DEFERRABLE INITIALLY DEFERRED)""",
        """CREATE TRIGGER fail_later AFTER INSERT ON {table} BEGIN INSERT INTO breach VALUES ('x'); END""",
    ),
    "postgresql": (
        """CREATE FUNCTION fail_later() RETURNS trigger LANGUAGE plpgsql AS
           $$ BEGIN RAISE EXCEPTION 'no room' USING ERRCODE = 'disk_full'; END $$""",
        """CREATE CONSTRAINT TRIGGER fail_later AFTER INSERT ON {table} DEFERRABLE INITIALLY DEFERRED
           FOR EACH ROW EXECUTE FUNCTION fail_later()""",
    ),
}
MENDED = {
    "sqlite": ("DROP TRIGGER fail_later", "DROP TABLE breach", "DROP TABLE must_be_there"),
    "postgresql": ("DROP TRIGGER fail_later ON {table}", "DROP FUNCTION fail_later()"),
}


def run(database: Database, statements: dict[str, tuple[str, ...]], table: str) -> None:
    """Statements for the kind of database."""
    with database.engine.begin() as connection:
        for statement in statements[database.engine.dialect.name]:
            connection.exec_driver_sql(statement.format(table=table))


@contextmanager
def commit_refused(database: Database, table: str) -> Iterator[None]:
    """Every COMMIT of a transaction that wrote to the table fails, in the database itself."""
    run(database, DEFERRED, table)
    try:
        yield
    finally:
        run(database, MENDED, table)


@contextmanager
def commit_lost(database: Database, _table: str) -> Iterator[None]:
    """The connection breaks as COMMIT is said, whatever was written."""

    def broken(_connection: sa.Connection) -> None:
        raise exc.OperationalError("COMMIT", {}, Exception("server closed the connection unexpectedly"))

    event.listen(database.engine, "commit", broken)
    try:
        yield
    finally:
        event.remove(database.engine, "commit", broken)


@contextmanager
def unforeseen(database: Database, _table: str) -> Iterator[None]:
    """Something that is no error of a database's breaks at COMMIT."""

    def broken(_connection: sa.Connection) -> None:
        raise RuntimeError("a bug")

    event.listen(database.engine, "commit", broken)
    try:
        yield
    finally:
        event.remove(database.engine, "commit", broken)


def one(door: Door) -> tuple[str, Json, str]:
    """A single fact: path, body, and a table it writes to."""
    return "/v1/events", {"fact": door.fact("stored", door.number(), place="TRP-GB1", note="n")}, "event"


def many(door: Door) -> tuple[str, Json, str]:
    """A batch."""
    facts = [door.fact("packed", door.number(), into=door.number("V")) for _ in range(20)]
    return "/v1/events", {"facts": facts}, "item_span"


def document(door: Door) -> tuple[str, Json, str]:
    """A document, with an Idempotency-Key of its own below."""
    code = f"B{next(door.sequence)}"
    balance = {"code": code, "institution": "TRP", "what": "semi-micro", "good_until": "2027-01-31", "because": "new"}
    return "/v1/balances", {**balance, "readability_mg": "0.01", "repeatability_mg": "0.02"}, "balance"


Request = Callable[[Door], tuple[str, Json, str]]
Failing = Callable[[Database, str], AbstractContextManager[None]]


@pytest.mark.parametrize("failing", [commit_refused, commit_lost, unforeseen])
@pytest.mark.parametrize("request_of", [one, many, document])
def test_a_failing_commit_is_never_a_success(door: Door, request_of: Request, failing: Failing) -> None:
    """A problem, 5xx, with the id of the request; not a row more or other in any table; the same again succeeds."""
    path, body, table = request_of(door)
    headers = {**door.people["curator"], "Idempotency-Key": f'"{path}{next(door.sequence)}"'}
    before = door.stored()

    with failing(door.service.service.database, table):
        answer = door.service.client.post(path, json=body, headers=headers)
        assert answer.status_code in {500, 503}, answer.text
        assert answer.headers["Content-Type"] == MEDIA_TYPE
        assert answer.headers["X-Request-Id"]
        assert answer.status_code == 500 or int(answer.headers["Retry-After"]) > 0

    assert door.stored() == before
    again = door.service.client.post(path, json=body, headers=headers)
    assert again.status_code in {200, 201}, again.text
    assert '"replayed":true' not in again.text
    assert door.stored() != before


def test_counts_do_not_run_ahead(door: Door) -> None:
    """A fact whose COMMIT failed is not counted as recorded."""
    registry = door.service.service.metrics.registry
    labels = {"kind": "found", "outcome": "recorded"}
    fact = door.fact("found", door.number())
    before = registry.get_sample_value("shipsvc_facts_told_total", labels) or 0

    with commit_lost(door.service.service.database, ""):
        door.tell(fact, status=503)
    assert (registry.get_sample_value("shipsvc_facts_told_total", labels) or 0) == before
    door.tell(fact)
    assert registry.get_sample_value("shipsvc_facts_told_total", labels) == before + 1


# ------------------------------------------------------------------------------------------------- the longest write
@contextmanager
def slow(database: Database, seconds: float) -> Iterator[None]:
    """Appending to the log takes so long."""

    def wait(_c: object, _cursor: object, statement: str, *_: object) -> None:
        if statement.startswith("INSERT INTO event "):
            time.sleep(seconds)

    event.listen(database.engine, "before_cursor_execute", wait)
    try:
        yield
    finally:
        event.remove(database.engine, "before_cursor_execute", wait)


@pytest.mark.parametrize(("longest_s", "status"), [(0.2, 503), (60.0, 201)])
def test_a_transaction_that_takes_too_long_is_undone(door: Door, longest_s: float, status: int) -> None:
    """Rulings 8: 503 once COMMIT would start too late, and nothing stored; else answers "as known on" could change."""
    service = door.service.service
    usual, fact = service.longest_write_s, door.fact("seen", door.number())
    before = door.stored()
    try:
        service.longest_write_s = longest_s
        with slow(service.database, 0.3):
            answer = door.service.client.post("/v1/events", json={"fact": fact}, headers=door.people["clerk"])
    finally:
        service.longest_write_s = usual

    assert answer.status_code == status, answer.text
    if status == 503:
        assert answer.json()["code"] == "away"
        assert int(answer.headers["Retry-After"]) > 0
        assert door.stored() == before
        door.tell(fact)


def test_reading_may_take_longer(door: Door) -> None:
    """Only what writes is held to it: a long report commits nothing."""
    service = door.service.service
    usual, fact = service.longest_write_s, door.fact("seen", door.number())
    door.tell(fact)
    try:
        service.longest_write_s = 0.0
        door.read(fact["id"])
    finally:
        service.longest_write_s = usual


# ------------------------------------------------------------------------------------------------------------- a bug
def test_an_unforeseen_error_names_its_request(door: Door) -> None:
    """500 as a problem that says nothing of the inside, under the id that the sender gave the request."""

    def broken(*_: object) -> None:
        raise LookupError("the inside")

    headers = {**door.people["clerk"], "X-Request-Id": "seen-by-the-sender"}
    database = door.service.service.database
    event.listen(database.engine, "before_cursor_execute", broken)
    try:
        answer = door.service.client.post("/v1/events", json={"fact": door.fact()}, headers=headers)
    finally:
        event.remove(database.engine, "before_cursor_execute", broken)

    assert (answer.status_code, answer.json()["code"]) == (500, "internal_error")
    assert answer.headers["X-Request-Id"] == "seen-by-the-sender"
    assert answer.headers["Content-Type"] == MEDIA_TYPE
    assert "inside" not in answer.text
