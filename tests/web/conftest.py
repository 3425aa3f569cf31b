"""One running service for the tests of a module, with people in it: signing them up takes longer than most tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import BOTH
from tests.databases import copied, throwaway
from tests.web.door import Door, opened
from tests.web.service import START


@pytest.fixture(scope="module", params=BOTH)
def opened_door(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """The service, once on each kind of database."""
    if request.param == "sqlite":
        template: Path = request.getfixturevalue("sqlite_template")
        with opened(copied(template, tmp_path_factory.mktemp("door") / "shipsvc.sqlite3")) as door:
            yield door
        return
    server, name = request.getfixturevalue("postgres_server"), request.getfixturevalue("postgres_template")
    files = str(tmp_path_factory.mktemp("files"))
    with throwaway(server, name) as (_, url), opened(url, files_dir=files) as door:
        yield door


@pytest.fixture
def door(opened_door: Door) -> Door:
    """The same service for all tests of a module, its clock set back; tests use numbers and ids of their own."""
    opened_door.service.clock.at = START
    return opened_door
