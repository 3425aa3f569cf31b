"""The checker reads every evidence file, and finds each that was changed, lost, or named otherwise than facts say."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from shipsvc.app import fsck_files
from shipsvc.cli import app
from shipsvc.store.tables import table
from shipsvc.store.tables_files import EventFile, FileName
from tests.pictures import picture
from tests.web.door import Door, opened

PHOTOGRAPH = picture("JPEG")


@pytest.fixture
def door(database_url: str, tmp_path: Path) -> Iterator[Door]:
    """A service with a photograph that a fact names, and that an amendment names again."""
    with opened(database_url, files_dir=str(tmp_path / "evidence")) as found:
        sent = found.service.client.post(
            "/v1/files",
            files={"file": ("a.jpg", PHOTOGRAPH)},
            data={"acting_for": "TRP"},
            headers=found.people["clerk"],
        )
        assert sent.status_code == 201, sent.text
        fact = found.fact("photographed", found.number(), files_sha256=[sent.json()["sha256"]])
        found.tell(fact)
        found.tell(found.amendment(fact["id"], fact), "clerk")
        yield found


def findings(door: Door) -> list[str]:
    """What the checker says."""
    service = door.service.service
    with service.database.engine.connect() as connection:
        return [str(found) for found in fsck_files.check(connection, service.shelf)]


def path_of(door: Door) -> Path:
    """Where the photograph is."""
    (digest,) = door.service.service.shelf.digests()
    return door.service.service.shelf.path(digest)


def test_nothing_is_found_where_nothing_is_wrong(door: Door) -> None:
    """The photograph, its copy beside it, and both facts."""
    assert len(door.all(table(EventFile))) == 2
    assert findings(door) == []


def execute(door: Door, statement: sa.Executable) -> None:
    """Change the database behind the service's back."""
    with door.service.service.database.engine.begin() as connection:
        connection.execute(statement)


DAMAGE: dict[str, tuple[Callable[[Door], object], str]] = {
    "a bit": (lambda door: path_of(door).write_bytes(PHOTOGRAPH[:-1] + b"\xd8"), "not the one that was sent"),
    "a part": (lambda door: path_of(door).write_bytes(PHOTOGRAPH[:100]), "not the one that was sent"),
    "all": (lambda door: path_of(door).unlink(), "the file is not there"),
    "a name": (lambda door: execute(door, sa.delete(table(FileName))), "was erased and is still there"),
    "a mention more": (
        lambda door: execute(door, sa.insert(table(EventFile)).values(sha256="0" * 64, event_id="x")),
        "what event_file notes is not what the fact says",
    ),
    "the mentions": (
        lambda door: execute(door, sa.delete(table(EventFile))),
        "what event_file notes is not what the fact says",
    ),
}


@pytest.mark.parametrize("what", DAMAGE)
def test_damage_is_found(what: str, door: Door) -> None:
    """Each sort, by the file or the fact that it befell."""
    harm, expected = DAMAGE[what]
    harm(door)
    found = findings(door)

    assert len(found) == (2 if what == "the mentions" else 1)
    assert all(expected in one for one in found)


def test_what_was_erased_is_not_missed(door: Door) -> None:
    """Rulings 7: with its name and its bytes gone, nothing is wrong."""
    execute(door, sa.delete(table(FileName)))
    path_of(door).unlink()
    assert findings(door) == []


def test_the_command_lists_what_nobody_told_of(
    sqlite_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bytes of uploads that broke off are named, and are no fault; a file that is lost is one, and the exit says so."""
    folder = tmp_path / "evidence"
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", sqlite_database_url)
    monkeypatch.setenv("SHIPSVC_FILES_DIR", str(folder))
    with opened(sqlite_database_url, files_dir=str(folder)) as door:
        form = {"acting_for": "TRP"}
        door.service.client.post(
            "/v1/files", files={"file": ("a", b"abc")}, data=form, headers=door.people["clerk"]
        ).raise_for_status()
        kept = path_of(door)
    (folder / "12" / "34").mkdir(parents=True)
    (folder / "12" / "34" / ("1234" + "0" * 60)).write_bytes(b"no row")
    (folder / "incoming" / "half").write_bytes(b"half")

    sound = CliRunner().invoke(app, ["fsck"])
    assert sound.exit_code == 0, sound.output
    assert f"file 1234{'0' * 60}: an upload" in sound.output
    assert "file half: an upload" in sound.output
    assert "0 differences" in sound.output
    assert kept.name not in sound.output

    kept.unlink()
    lost = CliRunner().invoke(app, ["fsck"])
    assert lost.exit_code == 1
    assert f"file {kept.name}: the file is not there" in lost.output


def test_a_backup_says_what_is_not_in_it(
    sqlite_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever copies the database is told of the folder, where there is one."""
    folder = tmp_path / "evidence"
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", sqlite_database_url)
    monkeypatch.setenv("SHIPSVC_FILES_DIR", str(folder))
    assert "Evidence" not in CliRunner().invoke(app, ["backup", str(tmp_path / "one")]).output
    folder.mkdir()
    assert f"now copy the folder {folder}, too" in CliRunner().invoke(app, ["backup", str(tmp_path / "two")]).output
