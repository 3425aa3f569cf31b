"""Fresh databases for tests: migrated once, then copied, since a copy of a file costs less than a migration."""

import importlib
import pkgutil
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import sqlalchemy as sa

import shipsvc.store
from shipsvc.store import schema, tables
from shipsvc.store.engine import Database, open_database
from tests.postgres import Postgres


@contextmanager
def opened(url: str) -> Iterator[Database]:
    """A Database whose connections are all closed at the end."""
    database = open_database(url)
    try:
        yield database
    finally:
        database.engine.dispose()


def migrated(url: str) -> str:
    """Bring the database at ``url`` to the newest schema and let go of it; the same URL."""
    with opened(url) as database:
        schema.upgrade(database)
    return url


def sqlite_url(path: Path) -> str:
    """The SQLAlchemy address of a file."""
    return f"sqlite:///{path}"


def copied(template: Path, target: Path) -> str:
    """The URL of a copy of a closed SQLite file; closing its last connection left everything in the one file."""
    shutil.copyfile(template, target)
    return sqlite_url(target)


@contextmanager
def throwaway(server: Postgres, template: str | None = None) -> Iterator[tuple[str, str]]:
    """A database on the server, empty or a copy of another one, as (name, URL); dropped at the end.

    The name is like no other, since the server may be shared (SHIPSVC_TEST_PG_URL).
    """
    name = f"shipsvc_test_{uuid4().hex}"
    url = server.create_database(name, template)
    try:
        yield name, url
    finally:
        server.drop_database(name)


def whole_metadata() -> sa.MetaData:
    """The tables of every tables module, also of one that nothing imports yet."""
    for module in pkgutil.iter_modules(shipsvc.store.__path__):
        if module.name.startswith("tables"):
            importlib.import_module(f"shipsvc.store.{module.name}")
    return tables.metadata
