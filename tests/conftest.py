"""What all tests can ask for: fresh databases, on SQLite and on PostgreSQL."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from shipsvc.store.engine import Database
from tests.databases import copied, migrated, opened, sqlite_url, throwaway
from tests.postgres import Postgres, running

BOTH = ("sqlite", "postgresql")
# The same examples in every run, so that a gate does not fall by chance; hunt with another profile and a seed.
settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Postgres]:
    """A PostgreSQL for this worker; started when the first test wants it."""
    with running() as server:
        yield server


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated file that nobody has open; copy it."""
    path = tmp_path_factory.mktemp("template") / "template.sqlite3"
    migrated(sqlite_url(path))
    return path


@pytest.fixture(scope="session")
def postgres_template(postgres_server: Postgres) -> Iterator[str]:
    """The name of a migrated database that nobody is connected to; copy it."""
    with throwaway(postgres_server) as (name, url):
        migrated(url)
        yield name


@pytest.fixture
def sqlite_database_url(tmp_path: Path, sqlite_template: Path) -> str:
    """The URL of a migrated, empty SQLite database."""
    return copied(sqlite_template, tmp_path / "shipsvc.sqlite3")


@pytest.fixture
def postgres_database_url(postgres_server: Postgres, postgres_template: str) -> Iterator[str]:
    """The URL of a migrated, empty PostgreSQL database."""
    with throwaway(postgres_server, postgres_template) as (_, url):
        yield url


@pytest.fixture(params=BOTH)
def database_url(request: pytest.FixtureRequest) -> str:
    """The URL of a migrated, empty database, once on each kind."""
    kind = {"sqlite": "sqlite_database_url", "postgresql": "postgres_database_url"}[request.param]
    url: str = request.getfixturevalue(kind)
    return url


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """A migrated, empty database, once on each kind."""
    with opened(database_url) as found:
        yield found


@pytest.fixture
def sqlite_database(sqlite_database_url: str) -> Iterator[Database]:
    """A migrated, empty SQLite database, for what does not depend on the kind."""
    with opened(sqlite_database_url) as found:
        yield found


@pytest.fixture
def postgres_database(postgres_database_url: str) -> Iterator[Database]:
    """A migrated, empty PostgreSQL database, for what SQLite does not have."""
    with opened(postgres_database_url) as found:
        yield found


@pytest.fixture(params=BOTH)
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The URL of a database without any table, once on each kind."""
    if request.param == "sqlite":
        yield sqlite_url(tmp_path / "empty.sqlite3")
        return
    with throwaway(request.getfixturevalue("postgres_server")) as (_, url):
        yield url
