"""The schema of a database: which one it has, which one this code needs, and the way from one to the other."""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from pathlib import Path

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from shipsvc.domain import errors
from shipsvc.store.engine import Database

#: Seconds to wait for another process that migrates the same database.
WAIT_S = 60.0
#: Of the advisory lock, "ship" in ASCII; such locks are counted for each database apart.
_LOCK = 0x73686970


def upgrade(database: Database, *, wait_s: float = WAIT_S) -> None:
    """Bring the database to ``head()``; one process at a time, and nothing happens where it is there already.

    Raises Away when another process holds the lock for longer than ``wait_s``, and RuleForbids when the database has
    a schema that this code does not know.
    """
    config = _config()
    with _alone(database, wait_s):
        _refuse_unknown(config, current(database))
        with database.engine.connect().execution_options(writes=True) as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")


def current(database: Database) -> str | None:
    """The revision that the database is at, or None where nothing was migrated yet."""
    with database.engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def head() -> str:
    """The newest revision that this code knows."""
    (newest,) = ScriptDirectory.from_config(_config()).get_heads()
    return newest


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_folder()).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def _folder() -> Path:
    """``migrations`` stands beside the package in a checkout, and within it in a wheel (pyproject.toml)."""
    package = Path(__file__).parent.parent
    installed = package / "_migrations"
    return installed if installed.is_dir() else package.parent / "migrations"


def _refuse_unknown(config: Config, revision: str | None) -> None:
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if revision is not None and revision not in known:
        why = (
            f"the database has schema {revision}, and this version of shipsvc knows {head()} at most. Run a newer one."
        )
        raise errors.RuleForbids(why=why)


def _alone(database: Database, wait_s: float) -> AbstractContextManager[None]:
    if database.is_sqlite:
        return _alone_on_sqlite(str(database.engine.url.database), wait_s)
    return _alone_on_postgresql(database.engine, wait_s)


@contextmanager
def _alone_on_sqlite(path: str, wait_s: float) -> Iterator[None]:
    """Hold SQLite's own kind of lock, on a file beside: it works wherever the database does, and dies with its holder.

    Not on the database itself: two connections that both make a new file a WAL one do not wait for each other.
    """
    with closing(sqlite3.connect(f"{path}.lock", timeout=wait_s, isolation_level=None)) as lock:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as busy:
            raise _busy() from busy
        yield


@contextmanager
def _alone_on_postgresql(engine: sa.Engine, wait_s: float) -> Iterator[None]:
    until = time.monotonic() + wait_s
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        # Asked again and again: a session that waits inside pg_advisory_lock holds a snapshot, which a
        # CREATE INDEX CONCURRENTLY of the process that has the lock would wait for in turn.
        while not connection.scalar(sa.select(sa.func.pg_try_advisory_lock(_LOCK))):
            if time.monotonic() > until:
                raise _busy()
            time.sleep(0.05)
        try:
            yield
        finally:
            connection.scalar(sa.select(sa.func.pg_advisory_unlock(_LOCK)))


def _busy() -> errors.Away:
    return errors.Away(what="The database, which another process is migrating,")
