"""What fsck finds about readings: chunks that say of themselves what is not in them."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from shipsvc.app import fsck
from shipsvc.store.engine import Database
from tests.web.service import Running, running
from tests.web.test_readings_api import furnish_logger, send
from tests.world import World

TABLE = "time,c\n2025-03-24T11:10:00Z,-58.2\n2025-03-24T11:20:00.5Z,\n2025-03-24T12:00:00Z,-40.15\n"
LINES = "".join(f'{{"n":"temperature","u":"K","t":{1742814600 + n},"v":{v}}}\n' for n, v in ((0, 215.15), (60, 1 / 3)))


@pytest.fixture
def service(sqlite_database_url: str, tmp_path: Path) -> Iterator[Running]:
    """The service with readings in two units, with a gap in them and with figures of many digits."""
    with running(sqlite_database_url, files_dir=str(tmp_path / "evidence")) as found:
        furnish_logger(found)
        head = found.token("cur")
        assert send(found, TABLE, head).json()["rows_stored"] == 3
        assert send(found, LINES, head, "application/sensml+json").json()["rows_stored"] == 2
        yield found


def findings(service: Running) -> list[str]:
    """All that fsck finds."""
    with service.service.database.engine.connect() as connection:
        return [found.what for found in fsck.check(connection)]


def test_what_was_sent_is_in_order(service: Running) -> None:
    """Chunks taken apart by plain Python say what numpy said of them."""
    assert findings(service) == []


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ("UPDATE reading_chunk SET lowest = -10", "lowest is not that of its readings"),
        ("UPDATE reading_chunk SET highest = highest + 0.001", "highest is not that of its readings"),
        ("UPDATE reading_chunk SET widest_gap_s = 0", "widest_gap_s is not that of its readings"),
        ("UPDATE reading_chunk SET readings = 7", "readings is not that of its readings"),
        ("UPDATE reading_chunk SET end_at = begin_at", "end_at is not that of its readings"),
        ("UPDATE reading_chunk SET data = x'00'", "it cannot be opened"),
        ("UPDATE reading_chunk SET upload = 'x'", "it belongs to no upload"),
        ("UPDATE reading_chunk SET source = 'LG-X'", "it is of another source or run than its upload"),
        ("UPDATE upload SET sha256 = '0' || sha256", "the bytes of the upload are not among the evidence"),
    ],
)
def test_what_was_changed_is_found(change: str, what: str, service: Running) -> None:
    """Whoever gets past the guards leaves something that does not fit."""
    with service.service.database.engine.begin() as connection:
        for log in ("reading_chunk", "upload"):
            connection.execute(sa.text(f"DROP TRIGGER guard_{log}_update"))
        connection.execute(sa.text(change + (" WHERE sequence = 0 AND unit = 'Cel'" if "_chunk" in change else "")))
    assert what in findings(service)


def test_another_logger_than_was_told(sqlite_database: Database) -> None:
    """The column that finds a logger's facts says what the fact says, also once it was amended."""
    world = World(sqlite_database)
    world.tell("registered", "TRP-J1", "2025-03-01T09:00:00Z", item="container", form="jar")
    first = world.tell("logger_placed", "TRP-J1", "2025-03-10T10:00:00Z", logger="LG-1")
    told = {"amends": first["id"], "expected": None, "logger": "LG-2"}
    world.tell("logger_placed", "TRP-J1", "2025-03-10T14:00:00Z", told="2025-03-13T10:00:00Z", **told)
    with sqlite_database.engine.begin() as connection:
        assert list(fsck.check(connection)) == []
        connection.execute(sa.text("DROP TRIGGER guard_event_update"))
        connection.execute(sa.text("UPDATE event SET logger = 'LG-3' WHERE amends IS NOT NULL"))
        assert "the logger noted is not the one that was told" in [found.what for found in fsck.check(connection)]
