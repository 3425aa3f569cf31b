"""The description against the behaviour: schemathesis asks every operation for what the description promises."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, settings
from schemathesis.config import SchemathesisConfig
from starlette.types import Receive, Scope, Send

from shipsvc.config import Settings
from shipsvc.main import create_app
from tests.databases import copied
from tests.web.service import Running, running


class Served:
    """The application that schemathesis speaks to; which one it is, is settled when a test begins."""

    app: FastAPI

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self.app(scope, receive, send)


SERVED = Served()
SERVED.app = create_app(Settings(database_url="sqlite:///never-opened.sqlite3"))
SCHEMA = schemathesis.openapi.from_asgi("/openapi.json", SERVED, config=SchemathesisConfig(seed=1))


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(copied(sqlite_template, tmp_path_factory.mktemp("x") / "s.sqlite3")) as service:
        SERVED.app = service.client.app
        yield service


@SCHEMA.parametrize()
@settings(max_examples=10, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
def test_x(case: Any, world: Running) -> None:
    """x"""
    case.call_and_validate(headers=world.head)
