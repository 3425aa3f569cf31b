"""Connections to SQLite and PostgreSQL, set up so that one way of writing SQL holds on both."""

import threading
from collections.abc import Collection, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from typing import Any, cast

import sqlalchemy as sa
from sqlalchemy import event, exc

from shipsvc.domain import errors

#: A write transaction that lasts longer is rolled back; answers "as known on" are firm this long after (D4).
LONGEST_WRITE_S = 5.0
#: One row of an answer, by column name.
Row = Mapping[str, Any]
#: recursive_triggers: without it INSERT OR REPLACE walks past a DELETE trigger (rulings 11).
PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "recursive_triggers=ON")
#: Seconds that a request waits for a lock or a connection before it is told to come again; less than LONGEST_WRITE_S.
WAIT_S = 4.0
#: The other writers of one process each end soon: it pays to wait for them a few times as long.
QUEUE_PATIENCE = 3


class OneWriter:
    """Lets one writer at a time into SQLite. Whoever waited ``wait_s`` seconds in vain is told so by Away."""

    def __init__(self, wait_s: float) -> None:
        self._lock = threading.Lock()
        self._wait_s = wait_s

    def __enter__(self) -> None:
        if not self._lock.acquire(timeout=self._wait_s):
            raise errors.Away(what="The database, which is busy writing,")

    def __exit__(self, *_: object) -> None:
        self._lock.release()


@dataclass(frozen=True)
class Database:
    """An engine and the lock that lets one writer at a time into SQLite."""

    engine: sa.Engine
    write_lock: AbstractContextManager[Any]

    @property
    def is_sqlite(self) -> bool:
        """Whether this is the embedded database."""
        return self.engine.dialect.name == "sqlite"


#: SQLSTATE of transactions that only crossed the way of others: serialization failure, deadlock.
_CROSSED = ("40001", "40P01")
#: Classes and states that say that the server cannot work for now: connection, resources, operator, system; a standby
#: that only reads, an idle transaction that was cut off, a lock that others kept.
_AWAY = ("08", "40", "53", "57", "58", "25006", "25P03", "55P03")


def crossed(error: exc.DBAPIError) -> bool:
    """Whether a transaction failed only because of another at the same time: it may succeed if it is tried again.

    Two that add the same row are told so as a broken rule, so that a real breach is to be told by its lasting.
    """
    return isinstance(error, exc.IntegrityError) or _state(error).startswith(_CROSSED)


def is_away(error: exc.DBAPIError) -> bool:
    """Whether the database cannot work for now, rather than cannot do what it was asked."""
    return isinstance(error, exc.OperationalError | exc.InterfaceError) or _state(error).startswith(_AWAY)


def _state(error: exc.DBAPIError) -> str:
    return getattr(error.orig, "sqlstate", None) or ""


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


def open_database(url: str, *, threads: int = 8, wait_s: float = WAIT_S) -> Database:
    """A Database for ``url``; nothing is read or written yet.

    Whatever has to wait ``wait_s`` seconds for a connection, or for a lock that another transaction holds, fails with
    an error of SQLAlchemy's or with Away.
    """
    pool = {"pool_size": threads, "max_overflow": 2, "pool_timeout": wait_s}
    if sa.make_url(url).get_backend_name() == "sqlite":
        return Database(_sqlite(url, pool, wait_s), OneWriter(QUEUE_PATIENCE * wait_s))
    return Database(sa.create_engine(url, pool_pre_ping=True, connect_args=_limits(url, wait_s), **pool), nullcontext())


def _limits(url: str, wait_s: float) -> dict[str, Any]:
    """What bounds each wait on PostgreSQL."""
    limits = {
        "timezone": "UTC",
        "lock_timeout": f"{1000 * wait_s:.0f}ms",
        "statement_timeout": "30s",
        "idle_in_transaction_session_timeout": f"{2 * LONGEST_WRITE_S:.0f}s",
    }
    options = " ".join(f"-c {name}={value}" for name, value in limits.items())
    if "connect_timeout" in sa.make_url(url).query:
        return {"options": options}
    # libpq counts whole seconds, and none below two; without this a host that swallows packets costs minutes.
    return {"options": options, "connect_timeout": max(2, round(wait_s))}


def _sqlite(url: str, pool: Mapping[str, Any], wait_s: float) -> sa.Engine:
    engine = sa.create_engine(url, connect_args={"check_same_thread": False}, **pool)

    @event.listens_for(engine, "connect")
    def prepare(dbapi: Any, _record: Any) -> None:
        dbapi.isolation_level = None  # we say BEGIN ourselves, see below
        for pragma in (f"busy_timeout={1000 * wait_s:.0f}", *PRAGMAS):
            dbapi.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: sa.Connection) -> None:
        # A transaction that starts as a reader and then writes can fail half-way with "database is locked";
        # writers therefore take the lock at their first statement.
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine
