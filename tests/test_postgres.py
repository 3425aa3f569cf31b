"""The throwaway PostgreSQL: real databases, real copies, nothing left behind."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

from tests.postgres import ENVIRONMENT, Postgres, libpq_url, running


@pytest.fixture(scope="module")
def server() -> Iterator[Postgres]:
    """A server for the tests of this module."""
    with running() as started:
        yield started


@pytest.fixture
def database(server: Postgres) -> Iterator[str]:
    """The name of an empty database."""
    name = 'try"me'
    server.create_database(name)
    yield name
    server.drop_database(name)


def test_sqlalchemy_and_psycopg_reach_the_same_database(server: Postgres, database: str) -> None:
    """The URL works for SQLAlchemy as it stands and for psycopg by libpq_url, whatever the name looks like."""
    engine = create_engine(server.url(database))
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE scan (at timestamptz)"))
        assert connection.scalar(text("SELECT current_database()")) == database
    engine.dispose()
    with psycopg.connect(libpq_url(server.url(database))) as direct:
        assert direct.execute("SELECT to_regclass('scan') IS NOT NULL").fetchone() == (True,)


def test_copy_of_a_template_holds_its_rows(server: Postgres, database: str) -> None:
    """A copy starts with the template's rows and goes its own way."""
    with psycopg.connect(libpq_url(server.url(database)), autocommit=True) as first:
        first.execute("CREATE TABLE scan AS SELECT generate_series(1, 3)")
    copy_url = server.create_database("copy", template=database)
    try:
        with psycopg.connect(libpq_url(copy_url), autocommit=True) as copy:
            copy.execute("DELETE FROM scan")
        with psycopg.connect(libpq_url(server.url(database))) as first:
            assert first.execute("SELECT count(*) FROM scan").fetchone() == (3,)
    finally:
        server.drop_database("copy")


def test_dropping_ends_open_connections(server: Postgres) -> None:
    """A test that forgot a connection does not keep the database; dropping twice is harmless."""
    url = server.create_database("forgotten")
    engine = create_engine(url)
    connection = engine.connect()
    connection.execute(text("SELECT 1"))
    server.drop_database("forgotten")
    server.drop_database("forgotten")
    with pytest.raises(OperationalError):
        connection.execute(text("SELECT 1"))
    connection.invalidate()
    connection.close()
    engine.dispose()


def test_commits_stay_synchronous(server: Postgres) -> None:
    """What the speed settings leave alone, so that a killed server keeps what it answered for."""
    with psycopg.connect(libpq_url(server.admin_url)) as connection:
        assert connection.execute("SHOW synchronous_commit").fetchone() == ("on",)


def test_another_server_can_be_named(server: Postgres, monkeypatch: pytest.MonkeyPatch) -> None:
    """SHIPSVC_TEST_PG_URL is taken in libpq's form and in SQLAlchemy's, and nothing is started or stopped."""
    for url in (server.admin_url, libpq_url(server.admin_url)):
        monkeypatch.setenv(ENVIRONMENT, url)
        with running() as named:
            assert named.admin_url == server.admin_url
    with psycopg.connect(libpq_url(server.admin_url)) as connection:
        assert connection.execute("SELECT 1").fetchone() == (1,)


LEAVES = """
import sys
from pathlib import Path
from sqlalchemy import make_url
from tests.postgres import running
with running() as server:
    print(Path(make_url(server.admin_url).query["host"]).parent, flush=True)
    if sys.argv[1] == "raise":
        raise SystemExit(3)
"""


@pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="reads the list of processes from /proc")
@pytest.mark.parametrize(("how", "code"), [("end", 0), ("raise", 3)])
def test_nothing_is_left_behind(how: str, code: int) -> None:
    """After a session, failed or not, neither the server nor its folder is there."""
    environment = {name: value for name, value in os.environ.items() if name != ENVIRONMENT}
    root = Path(__file__).parent.parent
    command = [sys.executable, "-c", LEAVES, how]
    ended = subprocess.run(command, env=environment, cwd=root, capture_output=True, text=True, check=False)
    assert ended.returncode == code, ended.stderr
    folder = ended.stdout.strip()
    assert "shipsvc-pg-" in folder
    assert not Path(folder).exists()
    assert not any(folder in command for command in commands())


def commands() -> Iterator[str]:
    """The command lines of all processes that can be read."""
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):
            yield path.read_bytes().decode(errors="replace")
