"""Sending readings by a form: looked at first, column by column; stored only once sent; a guess is kept under a code.

Sources: trade.md 1.2 (shipping clerk, receiving laboratory: the logger is read), trade case 65; UCUM. The table
is made here, with decimal commas and a day-first date, as many loggers write them (common practice, no source).
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
from httpx2 import Response

from shipsvc.web.deps import transaction
from tests import sensed
from tests.databases import copied
from tests.web.collection import Collection, collection
from tests.web.visits import HTML, check, cookie, opened

ROWS = [f"24.03.2026 {n // 60:02}:{n % 60:02}:00;-{20 + n / 10:.1f}".replace(".", ",", 0) for n in range(30)]
TABLE = "time;temperature (°C)\n" + "\n".join(row[:20] + row[20:].replace(".", ",") for row in ROWS) + "\n"
PATH = "/sources/LG-1/readings"


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A logger that no layout is named for."""
    path = tmp_path_factory.mktemp("pages") / "send.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        with transaction(found.running.service, writes=True) as connection:
            sensed.source(connection, "LG-1", 1, "temperature")
        found.at("2026-03-25T09:00:00Z")
        found.running.client.follow_redirects = False
        yield found


def sent(world: Collection, login: str, act: str, table: str = TABLE, **fields: str) -> Response:
    """The answer to the form with a file."""
    own = {"Sec-Fetch-Site": "same-origin", **HTML, "Cookie": f"shipsvc={cookie(world.running, login)}"}
    form = {"layout": "-", "run": "", "keep_as": "", "act": act, **fields}
    return world.running.client.post(PATH, data=form, files={"file": ("LG-1.csv", table.encode())}, headers=own)


def test_it_is_looked_at_before_it_is_sent(world: Collection) -> None:
    """Which column becomes what, and the first rows as figures; nothing is stored by that."""
    page = check(world.running, "cur", "/sources/LG-1/send")
    assert "nothing of it is stored before you send it" in page
    answer = sent(world, "cur", "look")
    assert answer.status_code == 200, answer.text
    for said in ("DD.MM.YYYY HH:mm:ss", "temperature", "°C", "−20.0", "−20.1"):
        assert said in answer.text
    assert world.get("cur", "sources/LG-1/uploads")["items"] == []


def test_a_guess_is_kept_and_the_file_is_read_by_it(world: Collection) -> None:
    """Without a code it is not; then the readings are there, and the same file again changes nothing."""
    assert sent(world, "cur", "send").status_code == 422
    assert world.get("cur", "sources/LG-1/uploads")["items"] == []
    answer = sent(world, "cur", "send", keep_as="COMMAS")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sources/LG-1#sent")
    assert sent(world, "cur", "send", layout="COMMAS").status_code == 303
    (upload,) = world.get("cur", "sources/LG-1/uploads")["items"]
    assert (upload["rows_stored"], upload["rows_bad"], upload["layout"]["decimal"]) == (30, 0, ",")
    read = world.get("cur", "sources/LG-1/readings")
    assert (read["readings"], read["points"][0]["value"]) == (30, -20.0)
    assert ">LG-1.csv</td>" in check(world.running, "cur", "/sources/LG-1")


def test_what_is_no_table_is_said(world: Collection) -> None:
    """The page says so; nothing is kept."""
    answer = sent(world, "cur", "look", "these are\nno readings\n")
    assert "No layout fits it." in answer.text
    assert sent(world, "cur", "send", "these are\nno readings\n", keep_as="OTHER").status_code == 422
    assert sent(world, "cur", "send", layout="NO-SUCH").status_code == 404


def test_who_may_send(world: Collection) -> None:
    """Whoever speaks for its institution; an auditor reads; for others it is not there."""
    assert "/sources/LG-1/send" in opened(world.running, "clerk", "/sources/LG-1")
    assert "/sources/LG-1/send" not in opened(world.running, "aud", "/sources/LG-1")
    assert sent(world, "aud", "look").status_code == 403
    assert sent(world, "stranger", "look").status_code == 404
    opened(world.running, "stranger", "/sources/LG-1/send", 404)
