"""Databases to measure on: made once, copied for each contender, and reached through the bare driver as well."""

import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from uuid import uuid4

import psycopg
import sqlalchemy as sa

from shipsvc.store.engine import PRAGMAS
from tests.databases import migrated, sqlite_url
from tests.postgres import Postgres, libpq_url

#: What the tests switch off for speed is on here: a commit is on the disk.
DURABLE: Final = ("fsync = on", "full_page_writes = on", "autovacuum = off")


class Base(ABC):
    """One kind of database."""

    name: str

    @abstractmethod
    def made(self) -> str:
        """The URL of a new, migrated database."""

    @abstractmethod
    def copied(self, url: str) -> str:
        """The URL of a copy of a database that nobody is connected to."""


@dataclass(eq=False)
class Sqlite(Base):
    """Files in a folder."""

    folder: Path
    name = "SQLite"

    def made(self) -> str:
        """The URL of a new, migrated database."""
        return migrated(sqlite_url(self._path()))

    def copied(self, url: str) -> str:
        """A copy that is on the disk: pages still on their way there would be paid for by whoever commits first."""
        target = self._path()
        with closing(sqlite3.connect(_path_of(url))) as source, closing(sqlite3.connect(target)) as copy:
            source.backup(copy)
        return sqlite_url(target)

    def _path(self) -> Path:
        return self.folder / f"{uuid4().hex}.sqlite3"


@dataclass(eq=False)
class PostgreSql(Base):
    """Databases on a running server; dropped with it, or by the stack where the server is somebody's."""

    server: Postgres
    stack: ExitStack
    name = "PostgreSQL"

    def made(self) -> str:
        """The URL of a new, migrated database."""
        return migrated(self._create(None))

    def copied(self, url: str) -> str:
        """The URL of a copy of a database that nobody is connected to."""
        return self._create(sa.make_url(url).database)

    def _create(self, template: str | None) -> str:
        name = f"shipsvc_bench_{uuid4().hex}"
        url = self.server.create_database(name, template)
        self.stack.callback(self.server.drop_database, name)
        return url


def is_sqlite(url: str) -> bool:
    """Which driver a URL needs."""
    return url.startswith("sqlite")


def _path_of(url: str) -> str:
    return str(sa.make_url(url).database)


def raw(url: str) -> AbstractContextManager[Any]:
    """A connection of the bare driver, set up for the same durability as the application's own.

    sqlite3 and psycopg have the few methods used here in common; their types have not.
    """
    return _raw_sqlite(url) if is_sqlite(url) else psycopg.connect(libpq_url(url), options="-c timezone=UTC")


@contextmanager
def _raw_sqlite(url: str) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(_path_of(url), isolation_level=None)) as connection:
        for pragma in PRAGMAS:
            connection.execute(f"PRAGMA {pragma}")
        yield connection
