"""Connections to SQLite and PostgreSQL, set up so that one way of writing SQL holds on both."""

import threading
from collections.abc import Collection, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any, cast

import sqlalchemy as sa
from sqlalchemy import event

#: A write transaction that lasts longer is rolled back; answers "as known on" are firm this long after (D4).
LONGEST_WRITE_S = 5.0
#: One row of an answer, by column name.
Row = Mapping[str, Any]
#: recursive_triggers: without it INSERT OR REPLACE walks past a DELETE trigger (rulings 11).
PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "busy_timeout=5000", "recursive_triggers=ON")


@dataclass(frozen=True)
class Database:
    """An engine and the lock that lets one writer at a time into SQLite."""

    engine: sa.Engine
    write_lock: AbstractContextManager[Any]

    @property
    def is_sqlite(self) -> bool:
        """Whether this is the embedded database."""
        return self.engine.dialect.name == "sqlite"


def rows(connection: sa.Connection, wanted: sa.Executable, **parameters: Any) -> Sequence[Row]:
    """All rows that a statement gives, by column name. A parameter that is a set or other collection goes as a list."""
    bound = {
        name: list(v) if isinstance(v, Collection) and not isinstance(v, str) else v for name, v in parameters.items()
    }
    # SQLAlchemy's own type for such a row has a key type that no Mapping[str, ...] accepts.
    return cast("Sequence[Row]", connection.execute(wanted, bound).mappings().all())


def first_row(connection: sa.Connection, wanted: sa.Executable) -> Row | None:
    """The first row that a statement gives, or None."""
    return cast("Row | None", connection.execute(wanted).mappings().first())


def open_database(url: str, *, threads: int = 8) -> Database:
    """A Database for ``url``; nothing is read or written yet."""
    if sa.make_url(url).get_backend_name() == "sqlite":
        return Database(_sqlite(url, threads), threading.Lock())
    limits = {
        "timezone": "UTC",
        "lock_timeout": "4s",
        "statement_timeout": "30s",
        "idle_in_transaction_session_timeout": f"{2 * LONGEST_WRITE_S:.0f}s",
    }
    options = " ".join(f"-c {name}={value}" for name, value in limits.items())
    engine = sa.create_engine(
        url, pool_size=threads, max_overflow=2, pool_pre_ping=True, pool_timeout=5, connect_args={"options": options}
    )
    return Database(engine, nullcontext())


def _sqlite(url: str, threads: int) -> sa.Engine:
    engine = sa.create_engine(
        url, pool_size=threads, max_overflow=2, pool_timeout=5, connect_args={"check_same_thread": False}
    )

    @event.listens_for(engine, "connect")
    def prepare(dbapi: Any, _record: Any) -> None:
        dbapi.isolation_level = None  # we say BEGIN ourselves, see below
        for pragma in PRAGMAS:
            dbapi.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: sa.Connection) -> None:
        # A transaction that starts as a reader and then writes can fail half-way with "database is locked";
        # writers therefore take the lock at their first statement.
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
