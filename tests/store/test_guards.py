"""No row of a log is changed or removed, by any statement that could do it, on either database."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from shipsvc.store.engine import Database
from shipsvc.store.tables import LOGS, Alias, table
from tests.databases import opened, whole_metadata
from tests.schema_lines import guards

ALIAS = table(Alias)
ROW = {
    "institution": "LSC",
    "alias": "A-7",
    "item": "BRM0001L",
    "recorded_at": datetime(2025, 3, 10, tzinfo=UTC),
    "actor": "p1",
}
OTHER = ROW | {"item": "BRM0002J"}
RULE = r"alias is a log: rows are added, never changed or removed"


@contextmanager
def with_row(database: Database) -> Iterator[Database]:
    """A database with one row in one log; whatever happens, the same row is there afterwards, and no other."""
    with database.engine.begin() as connection:
        connection.execute(sa.insert(ALIAS), ROW)
    yield database
    assert rows(database) == [ROW]


@pytest.fixture
def log(database: Database) -> Iterator[Database]:
    """A log with a row, on both databases."""
    with with_row(database) as found:
        yield found


@pytest.fixture
def sqlite_log(sqlite_database: Database) -> Iterator[Database]:
    """A log with a row, for statements that only SQLite has."""
    with with_row(sqlite_database) as found:
        yield found


@pytest.fixture
def postgres_log(postgres_database: Database) -> Iterator[Database]:
    """A log with a row, for statements that only PostgreSQL has."""
    with with_row(postgres_database) as found:
        yield found


def rows(database: Database) -> list[dict[str, Any]]:
    """What is in the log."""
    with database.engine.connect() as connection:
        return [dict(row) for row in connection.execute(sa.select(ALIAS)).mappings()]


def refused(database: Database, *statements: sa.Executable) -> None:
    """Run statements in one transaction, of which the last must fail for the rule and for nothing else."""
    with database.engine.begin() as connection:
        for statement in statements[:-1]:
            connection.execute(statement)
        with pytest.raises(sa.exc.IntegrityError, match=RULE):
            connection.execute(statements[-1])
        connection.rollback()


def inserted(database: Database, row: dict[str, Any]) -> Any:
    """An INSERT that can be told what to do about a row that is there."""
    insert = sqlite.insert if database.is_sqlite else postgresql.insert
    return insert(ALIAS).values(row)


def test_every_log_is_guarded(database: Database) -> None:
    """Each table of LOGS, and no other, refuses each verb that could take a row away."""
    verbs = ("UPDATE", "DELETE") if database.is_sqlite else ("UPDATE", "DELETE", "TRUNCATE")
    assert guards(database) == {(log, verb) for log in LOGS for verb in verbs}
    assert set(LOGS) <= set(whole_metadata().tables)


@pytest.mark.parametrize("name", LOGS)
def test_every_guard_speaks_for_its_table(name: str, database: Database) -> None:
    """A row with anything in it can neither be changed nor removed, and the message names the table."""
    log = whole_metadata().tables[name]
    with database.engine.begin() as connection:
        connection.execute(sa.insert(log), anything(log))
        for statement in (sa.update(log).values({log.c.actor: "p2"}), sa.delete(log)):
            with pytest.raises(sa.exc.IntegrityError, match=f"{name} is a log"), connection.begin_nested():
                connection.execute(statement)
        assert connection.execute(sa.select(log.c.actor)).scalars().all() == ["p1"]


def anything(log: sa.Table) -> dict[str, Any]:
    """A row that the CHECKs of a log allow."""
    by_type: dict[type, Any] = {str: "x", int: 1, float: 1.5, bool: True, bytes: b"x"}
    by_type |= {datetime: ROW["recorded_at"], date: date(2025, 3, 10)}
    # SQLModel's own types stand before the ordinary ones.
    types = {column.name: getattr(column.type, "impl_instance", column.type) for column in log.columns}
    row = {name: by_type[found.python_type] for name, found in types.items()}
    return (
        row
        | {"actor": "p1"}
        | {name: value for name, value in (KNOWN | OF_ONE.get(log.name, {})).items() if name in row}
    )


#: Columns that hold one of a closed list.
KNOWN = {"kind": "lender", "time_source": "typed", "returned_when": "received_by_lender", "role": "clerk"}
KNOWN |= {"status": "approved", "state": "cut", "format": "csv"}
#: Where one log has another list under the same name.
OF_ONE: dict[str, dict[str, str]] = {
    "source": {"kind": "sensor"},
    "case_record": {"kind": "loss", "state": "decided"},
}


def test_update(log: Database) -> None:
    """Plain UPDATE."""
    refused(log, sa.update(ALIAS).values(item="BRM0002J"))


def test_update_that_changes_nothing(log: Database) -> None:
    """Not even to the same values: it would hide a race."""
    refused(log, sa.update(ALIAS).values(item=ALIAS.c.item))


def test_delete(log: Database) -> None:
    """Plain DELETE."""
    refused(log, sa.delete(ALIAS))


def test_update_after_insert_in_one_transaction(log: Database) -> None:
    """A row is final from the moment it is written, not from its commit."""
    refused(log, sa.insert(ALIAS).values(ROW | {"alias": "A-8"}), sa.update(ALIAS).values(item="x"))


def test_conflict_do_update(log: Database) -> None:
    """INSERT ... ON CONFLICT DO UPDATE."""
    upsert = inserted(log, OTHER).on_conflict_do_update(
        index_elements=["institution", "alias"], set_={"item": OTHER["item"]}
    )
    refused(log, upsert)


def test_conflict_do_nothing_is_harmless(log: Database) -> None:
    """INSERT ... ON CONFLICT DO NOTHING leaves the row that is there, and is allowed."""
    with log.engine.begin() as connection:
        connection.execute(inserted(log, OTHER).on_conflict_do_nothing())


def test_common_table_expression(log: Database) -> None:
    """A DELETE inside WITH ... (PostgreSQL), or with one before it (SQLite)."""
    doomed = "WITH gone AS (SELECT alias FROM alias) DELETE FROM alias WHERE alias IN (SELECT alias FROM gone)"
    inside = "WITH gone AS (DELETE FROM alias RETURNING *) SELECT * FROM gone"
    refused(log, sa.text(doomed if log.is_sqlite else inside))


@pytest.mark.parametrize("verb", ["INSERT OR REPLACE", "REPLACE"])
def test_replace(verb: str, sqlite_log: Database) -> None:
    """SQLite's INSERT OR REPLACE removes the row in the way; only recursive_triggers=ON makes a DELETE trigger fire."""
    refused(
        sqlite_log, sa.text(f"{verb} INTO alias VALUES (:institution, :alias, 'x', '2025', 'p1')").bindparams(**key())
    )


@pytest.mark.parametrize("how", ["REPLACE", "IGNORE", "FAIL", "ABORT"])
def test_update_or(how: str, sqlite_log: Database) -> None:
    """SQLite's UPDATE OR REPLACE, OR IGNORE and so on: a guard is no conflict that one could have ignored."""
    refused(sqlite_log, sa.text(f"UPDATE OR {how} alias SET item = 'x'"))


def test_update_from(log: Database) -> None:
    """UPDATE ... FROM, on both."""
    refused(log, sa.text("UPDATE alias SET item = 'x' FROM (SELECT 1) AS one"))


def key() -> dict[str, str]:
    """The key of the row that is there."""
    return {"institution": str(ROW["institution"]), "alias": str(ROW["alias"])}


@pytest.mark.parametrize("statement", ["TRUNCATE alias", "TRUNCATE alias CASCADE", "TRUNCATE item, alias"])
def test_truncate(statement: str, postgres_log: Database) -> None:
    """PostgreSQL's TRUNCATE, which no row trigger sees."""
    refused(postgres_log, sa.text(statement))


@pytest.mark.parametrize("action", ["UPDATE SET item = 'x'", "DELETE"])
def test_merge(action: str, postgres_log: Database) -> None:
    """PostgreSQL's MERGE."""
    refused(postgres_log, sa.text(f"MERGE INTO alias USING (SELECT 1) AS one ON true WHEN MATCHED THEN {action}"))


def test_replica_role(postgres_log: Database) -> None:
    """PostgreSQL's session_replication_role = replica switches ordinary triggers off."""
    refused(postgres_log, sa.text("SET LOCAL session_replication_role = replica"), sa.delete(ALIAS))


def test_every_connection_has_recursive_triggers(sqlite_database: Database) -> None:
    """Also the second of the pool; the setting belongs to a connection, not to the file."""
    engine = sqlite_database.engine
    with engine.connect() as first, engine.connect() as second:
        for connection in (first, second):
            assert connection.exec_driver_sql("PRAGMA recursive_triggers").scalar_one() == 1


def test_guards_hold_for_other_programs(sqlite_database_url: str) -> None:
    """Whoever opens the file with another program meets the same guards, but for REPLACE (why the engine sets it)."""
    with opened(sqlite_database_url) as database:
        path = str(database.engine.url.database)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO alias VALUES ('LSC', 'A-7', 'x', '2025', 'p1')")
        for statement in ("DELETE FROM alias", "UPDATE alias SET item = 'y'"):
            with pytest.raises(sqlite3.IntegrityError, match=RULE):
                connection.execute(statement)
        # The known hole, so that it is noticed if SQLite ever closes it.
        connection.execute("REPLACE INTO alias VALUES ('LSC', 'A-7', 'y', '2025', 'p1')")
        assert connection.execute("SELECT item FROM alias").fetchall() == [("y",)]
