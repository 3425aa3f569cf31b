"""The commands, as a person would give them."""

import shutil
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from shipsvc.cli import app
from shipsvc.store import schema
from tests.databases import opened, sqlite_url


@pytest.fixture
def file(tmp_path: Path, sqlite_template: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A migrated database that the settings name, in a folder whose name needs care in a URI."""
    folder = tmp_path / "100% ours?"
    folder.mkdir()
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", sqlite_url(folder / "shipsvc.sqlite3"))
    return Path(shutil.copyfile(sqlite_template, folder / "shipsvc.sqlite3"))


def run(*words: str) -> Result:
    """Give a command; nothing but an exit may come out of it."""
    result = CliRunner().invoke(app, list(words))
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def tell(connection: sqlite3.Connection, alias: str) -> None:
    """Put one row in one log."""
    connection.execute("INSERT INTO alias VALUES ('LSC', ?, 'BRM0001', '2025-03-10', 'p1')", [alias])


def aliases(path: Path) -> list[str]:
    """What is in that log."""
    with closing(sqlite3.connect(path)) as connection:
        return [alias for (alias,) in connection.execute("SELECT alias FROM alias ORDER BY alias")]


def test_migrate(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty database comes to head, and a second time does no harm."""
    url = sqlite_url(tmp_path / "new.sqlite3")
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", url)
    for _ in range(2):
        result = run("migrate")
        assert (result.exit_code, result.output) == (0, f"The database is at schema {schema.head()}.\n")
    with opened(url) as database:
        assert schema.current(database) == schema.head()


def test_migrate_says_what_is_wrong(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that does not answer is one line, not a traceback; the password is not in it."""
    url = f"postgresql+psycopg://somebody:secret@/none?host={tmp_path}"
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", url)
    result = run("migrate")
    assert result.exit_code == 1
    assert result.output.startswith("The database cannot be used: ")
    assert "secret" not in result.output


def test_backup_holds_what_was_committed(file: Path, tmp_path: Path) -> None:
    """A copy taken while another connection writes has every committed row, none that is not, and does not wait."""
    copy = tmp_path / "copy.sqlite3"
    with closing(sqlite3.connect(file, isolation_level=None)) as writer:
        tell(writer, "committed")  # stands in the write-ahead log, not yet in the file itself
        writer.execute("BEGIN IMMEDIATE")
        tell(writer, "not committed")

        result = run("backup", str(copy))

        writer.execute("COMMIT")
    assert result.exit_code == 0, result.output
    assert "0 facts, checked" in result.output
    assert aliases(copy) == ["committed"]
    assert aliases(file) == ["committed", "not committed"]


def test_backup_is_one_private_file(file: Path, tmp_path: Path) -> None:
    """The keys that sign tokens are in it; nothing lies beside it, and it can be read where nothing can be written."""
    copy = tmp_path / "copies" / "copy.sqlite3"
    copy.parent.mkdir()
    assert run("backup", str(copy)).exit_code == 0
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    with closing(sqlite3.connect(f"file:{copy}?mode=ro&immutable=1", uri=True)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA journal_mode").fetchall() == [("delete",)]
    assert list(copy.parent.iterdir()) == [copy]


def test_backup_can_be_served_from(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put in place of the database, it is at the same schema, and its guards still hold."""
    copy = tmp_path / "copy.sqlite3"
    with closing(sqlite3.connect(file)) as writer, writer:
        tell(writer, "committed")
    assert run("backup", str(copy)).exit_code == 0
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", sqlite_url(copy))
    assert run("migrate").exit_code == 0
    with closing(sqlite3.connect(copy)) as connection, pytest.raises(sqlite3.IntegrityError, match="alias is a log"):
        connection.execute("DELETE FROM alias")


def test_backup_overwrites_nothing(file: Path, tmp_path: Path) -> None:
    """An older backup is not lost to a newer one, nor is the database to a slip."""
    copy = tmp_path / "copy.sqlite3"
    copy.write_text("older")
    for target in (copy, file):
        before = target.read_bytes()
        result = run("backup", str(target))
        assert (result.exit_code, target.read_bytes()) == (1, before)
        assert "already" in result.output


@pytest.mark.parametrize("what", ["nothing", "text", "other", "damaged"])
def test_backup_of_no_sound_database_fails(what: str, file: Path, tmp_path: Path) -> None:
    """No file, a file of something else, another program's database, a damaged page: no copy is left behind."""
    spoil(file, what)
    copy = tmp_path / "copy.sqlite3"
    result = run("backup", str(copy))
    assert result.exit_code == 1
    assert result.output.startswith("This cannot be done: ")
    assert not list(tmp_path.glob("copy*"))
    assert file.exists() == (what != "nothing")


def test_backup_into_no_folder_says_so(file: Path, tmp_path: Path) -> None:
    """A slip in the path is one line."""
    result = run("backup", str(tmp_path / "nowhere" / "copy.sqlite3"))
    assert result.exit_code == 1
    assert result.output.endswith("copy.sqlite3.part: No such file or directory\n")


def spoil(file: Path, what: str) -> None:
    """Make a database one that cannot be backed up."""
    if what == "damaged":
        octets = bytearray(file.read_bytes())
        octets[-4096:] = b"\xff" * 4096
        file.write_bytes(octets)
        return
    file.unlink()
    if what == "text":
        file.write_text("not a database" * 100)
    elif what == "other":
        with closing(sqlite3.connect(file)) as connection:
            connection.execute("CREATE TABLE thing (code)")


def test_backup_of_postgresql_names_its_tool(monkeypatch: pytest.MonkeyPatch) -> None:
    """PostgreSQL brings its own; the command says which and fails, so that no script believes it has a copy."""
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", "postgresql+psycopg://somebody:secret@db/shipsvc")
    result = run("backup", "copy.dump")
    assert result.exit_code == 1
    assert "pg_dump" in result.output
    assert "secret" not in result.output


def test_several_processes_need_postgresql(file: Path) -> None:
    """SQLite lets one process write; asking for more is refused before anything is done."""
    result = run("serve", "--workers", "2")
    assert result.exit_code == 2
    assert "--workers 1" in result.output


def test_help_is_quick() -> None:
    """Nothing heavy is imported until a command needs it."""
    heavy = {"fastapi", "sqlalchemy", "alembic", "numpy", "uvicorn", "pydantic"}
    asked = "import sys, shipsvc.cli; print(*sys.modules)"
    modules = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True).stdout.split()
    assert "typer" in modules
    assert heavy.isdisjoint(modules)


BEGIN = ["begin", "--institution", "TRP", "--institution-name", "Tarnhythe", "--zone", "Europe/London"]
BEGIN += ["--login", "first", "--name", "First"]


@pytest.fixture
def fresh(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the settings say that the database is, and nothing is yet."""
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", sqlite_url(tmp_path / "fresh.sqlite3"))
    return tmp_path / "fresh.sqlite3"


def test_begin_makes_the_first_administrator_and_no_second_one(fresh: Path) -> None:
    """On a fresh database somebody can sign in and add the others; the password is asked for and kept as argon2id."""
    typed = "a phrase nobody guesses\n" * 2
    first = CliRunner().invoke(app, BEGIN, input=typed)
    assert first.exit_code == 0, first.output
    assert "a phrase" not in first.output
    with closing(sqlite3.connect(fresh)) as connection:
        assert connection.execute("SELECT login, substr(password_hash, 1, 9) FROM account").fetchall() == [
            ("first", "$argon2id")
        ]
        assert connection.execute("SELECT institution, role FROM role_change").fetchall() == [("TRP", "administrator")]
    again = CliRunner().invoke(app, BEGIN, input=typed)
    assert again.exit_code == 1
    assert "Ask an administrator" in again.output


@pytest.mark.parametrize(
    ("zone", "password"), [("Atlantis/Poseidonis", "a phrase nobody guesses"), ("Europe/London", "short")]
)
def test_begin_says_what_is_wrong(fresh: Path, zone: str, password: str) -> None:
    """A zone that is none and a password that is too short are refused in one line, and nothing is stored."""
    words = [zone if word == "Europe/London" else word for word in BEGIN]
    result = CliRunner().invoke(app, words, input=f"{password}\n" * 2)
    assert result.exit_code == 1
    assert isinstance(result.exception, SystemExit)
    with closing(sqlite3.connect(fresh)) as connection:
        assert connection.execute("SELECT count(*) FROM account").fetchone() == (0,)
