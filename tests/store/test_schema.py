"""Migrations make what the tables modules say, once, whoever starts them."""

import ast
import difflib
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from subprocess import PIPE

import pytest
import sqlalchemy as sa
from alembic import command

from shipsvc.domain import errors
from shipsvc.store import schema
from shipsvc.store.engine import Database
from tests.databases import migrated, opened, whole_metadata
from tests.schema_lines import schema_lines

MIGRATIONS = sorted((Path(__file__).parents[2] / "migrations").rglob("*.py"))
HOW_TO = """The migrations and shipsvc/store/tables*.py differ. Lines with - stand only in the tables modules, lines
with + only in the migrations. Until the first release edit migrations/versions/0001_first.py; after it add a migration.
"""


def lines_of(url: str, make: Callable[[Database], None]) -> list[str]:
    """The schema of a database after something was done to it."""
    with opened(url) as database:
        make(database)
        return schema_lines(database)


def test_migrations_make_the_tables(empty_url: str) -> None:
    """Empty -> head has the columns, keys, CHECKs and indexes of create_all, predicates included."""
    metadata = whole_metadata()
    expected = lines_of(empty_url, lambda database: metadata.create_all(database.engine))
    with opened(empty_url) as database:
        metadata.drop_all(database.engine)
        assert schema_lines(database) == []

    actual = lines_of(empty_url, schema.upgrade)

    assert len(expected) > 200
    if expected != actual:
        diff = difflib.unified_diff(expected, actual, "tables modules", "migrations", lineterm="", n=0)
        pytest.fail(HOW_TO + "\n".join(diff), pytrace=False)


THING = """
CREATE TABLE thing (code VARCHAR NOT NULL, version INTEGER NOT NULL, kind VARCHAR NOT NULL, mass_ng INTEGER,
  CONSTRAINT pk_thing PRIMARY KEY (code, version),
  CONSTRAINT uq_thing UNIQUE (kind, version),
  CONSTRAINT ck_thing CHECK (kind IN ('a', 'b, c')));
CREATE INDEX ix_thing ON thing (kind) WHERE mass_ng = 1
"""
CHANGES = {
    "type": ("mass_ng INTEGER", "mass_ng BIGINT"),
    "nullable": ("mass_ng INTEGER", "mass_ng INTEGER NOT NULL"),
    "default": ("mass_ng INTEGER", "mass_ng INTEGER DEFAULT 7"),
    "column added": ("mass_ng INTEGER", "mass_ng INTEGER, more VARCHAR"),
    "key order": ("(code, version)", "(version, code)"),
    "unique dropped": ("CONSTRAINT uq_thing UNIQUE (kind, version),", ""),
    "check dropped": (",\n  CONSTRAINT ck_thing CHECK (kind IN ('a', 'b, c'))", ""),
    "check changed": ("'b, c'", "'b', 'c'"),
    "check renamed": ("ck_thing", "ck_thing_kind"),
    "index dropped": ("CREATE INDEX ix_thing ON thing (kind) WHERE mass_ng = 1", ""),
    "predicate changed": ("mass_ng = 1", "mass_ng = 2"),
    "predicate dropped": ("WHERE mass_ng = 1", ""),
    "index column": ("ON thing (kind)", "ON thing (kind, code)"),
}


def execute(script: str) -> Callable[[Database], None]:
    """Something to do to a database: run statements."""

    def run(database: Database) -> None:
        with database.engine.begin() as connection:
            for statement in filter(str.strip, script.split(";")):
                connection.exec_driver_sql(statement)

    return run


@pytest.mark.parametrize("change", CHANGES)
def test_comparison_sees(change: str, empty_url: str) -> None:
    """Each thing in which two schemas can differ makes other lines, so that the test above can fail."""
    before, after = CHANGES[change]
    assert THING.count(before) == 1

    as_it_was = lines_of(empty_url, execute(THING))
    changed = lines_of(empty_url, execute("DROP TABLE thing;" + THING.replace(before, after)))

    assert as_it_was != changed


def test_comparison_ignores_the_order_of_columns(empty_url: str) -> None:
    """A migration can add a column only at the end, wherever the class has it."""
    added_last = THING.replace(", mass_ng INTEGER,", ",") + "; ALTER TABLE thing ADD COLUMN mass_ng INTEGER"
    added_last = added_last.replace("CREATE INDEX", "CREATE TABLE other (code VARCHAR); CREATE INDEX")
    moved = THING.replace("code VARCHAR NOT NULL, version", "mass_ng INTEGER, code VARCHAR NOT NULL, version")
    moved = moved.replace("kind VARCHAR NOT NULL, mass_ng INTEGER", "kind VARCHAR NOT NULL")
    assert moved != THING

    assert lines_of(empty_url, execute(THING)) == lines_of(empty_url, execute("DROP TABLE thing;" + moved))


def test_head_and_current(empty_url: str) -> None:
    """An empty database is at no revision; a migrated one is at head."""
    with opened(empty_url) as database:
        assert schema.current(database) is None
        schema.upgrade(database)
        assert schema.current(database) == schema.head()


def test_second_upgrade_changes_nothing(database: Database) -> None:
    """Every start of the service migrates; where nothing is to be done, no table or trigger is made anew."""
    # Counts the changes of the schema (SQLite), or changes with any of them (the newest object of PostgreSQL).
    mark = "PRAGMA schema_version" if database.is_sqlite else "SELECT max(oid::bigint) FROM pg_class"
    with database.engine.connect() as connection:
        before = connection.exec_driver_sql(mark).scalar_one()

    schema.upgrade(database)

    with database.engine.connect() as connection:
        assert connection.exec_driver_sql(mark).scalar_one() == before
        assert connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalars().all() == [schema.head()]


def test_failed_migration_leaves_nothing(empty_url: str) -> None:
    """A table in the way of the first migration, and all the rest of it is undone, so that it can be tried again."""
    with opened(empty_url) as database:
        execute("CREATE TABLE replay (mine VARCHAR)")(database)
        with pytest.raises((sa.exc.OperationalError, sa.exc.ProgrammingError), match="already exists"):
            schema.upgrade(database)
        assert [line for line in schema_lines(database) if not line.startswith("replay")] == []
        assert schema.current(database) is None

        execute("DROP TABLE replay")(database)
        schema.upgrade(database)
        assert schema.current(database) == schema.head()


def test_schema_only_goes_forward(database: Database) -> None:
    """A step back would drop records; it is refused and nothing is lost."""
    before = schema_lines(database)
    with database.engine.connect().execution_options(writes=True) as connection:
        config = schema._config()
        config.attributes["connection"] = connection
        with pytest.raises(NotImplementedError, match="only goes forward"):
            command.downgrade(config, "base")
    assert schema_lines(database) == before
    assert schema.current(database) == schema.head()


def test_newer_schema_is_left_alone(database: Database) -> None:
    """A database that a newer version migrated is not touched by an older one."""
    execute("UPDATE alembic_version SET version_num = '9999'")(database)
    with pytest.raises(errors.RuleForbids, match="schema 9999"):
        schema.upgrade(database)
    assert schema.current(database) == "9999"


START = """
import sys
from shipsvc.store import schema
from shipsvc.store.engine import open_database
print("ready", flush=True)
sys.stdin.readline()
database = open_database(sys.argv[1])
schema.upgrade(database)
database.engine.dispose()
"""


def test_processes_upgrade_at_once(empty_url: str) -> None:
    """Several replicas start on an empty database together: one migrates, all succeed."""
    start = [sys.executable, "-c", START, empty_url]
    processes = [subprocess.Popen(start, stdin=PIPE, stdout=PIPE, stderr=PIPE, text=True) for _ in range(3)]
    for process in processes:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()

    complaints = [process.communicate(timeout=60)[1] for process in processes]

    assert [process.returncode for process in processes] == [0, 0, 0], "".join(complaints)
    with opened(empty_url) as database:
        assert schema.current(database) == schema.head()


def test_threads_upgrade_at_once(empty_url: str) -> None:
    """The same within one process, where Alembic's own state is shared."""
    with ThreadPoolExecutor(4) as pool:
        assert set(pool.map(migrated, [empty_url] * 4)) == {empty_url}


def test_waiting_ends(empty_url: str) -> None:
    """While another holds the lock, an upgrade waits, then says so; afterwards it goes through."""
    with opened(empty_url) as holder, opened(empty_url) as waiting:
        with schema._alone(holder, 1), pytest.raises(errors.Away, match="another process is migrating"):
            schema.upgrade(waiting, wait_s=0.1)
        assert schema.current(waiting) is None
        schema.upgrade(waiting, wait_s=0.1)
        assert schema.current(waiting) == schema.head()


@pytest.mark.parametrize("path", MIGRATIONS, ids=lambda path: path.name)
def test_migrations_import_nothing_of_ours(path: Path) -> None:
    """The application moves on; a migration must mean for ever what it meant."""
    imported = [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Import | ast.ImportFrom)]
    names = {alias.name for node in imported for alias in node.names}
    names |= {node.module or "." for node in imported if isinstance(node, ast.ImportFrom)}
    assert names
    assert not any(name.split(".")[0] in {"shipsvc", "sqlmodel", "tests"} for name in names)
