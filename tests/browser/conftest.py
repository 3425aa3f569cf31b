"""Journeys in a real Chromium; they are collected where the group ``browser`` is installed."""

import shutil
import socket
import threading
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from tests.browser.device import CHROMIUM, Device
from tests.databases import copied
from tests.web.chip import send_chip
from tests.web.collection import Collection, collection

collect_ignore_glob = [] if find_spec("playwright") else ["test_*.py"]


@pytest.fixture
def served(sqlite_template: Path, tmp_path: Path) -> Iterator[tuple[Collection, str]]:
    """A chip on its way to a laboratory, and the address at which the service answers."""
    with collection(copied(sqlite_template, tmp_path / "world.sqlite3")) as world:
        send_chip(world)
        server = uvicorn.Server(uvicorn.Config(world.running.client.app, log_config=None, lifespan="off"))
        with socket.create_server(("127.0.0.1", 0)) as bound:
            thread = threading.Thread(target=server.run, args=([bound],))
            thread.start()
            yield world, f"http://127.0.0.1:{bound.getsockname()[1]}"
            server.should_exit = True
            thread.join(30)


@pytest.fixture
def chromium() -> Iterator[Any]:
    """Playwright, which starts the Chromium of the system."""
    from playwright.sync_api import sync_playwright

    assert shutil.which(CHROMIUM), "install Debian's chromium, or name one in CHROMIUM"
    with sync_playwright() as found:
        yield found.chromium


@pytest.fixture
def device(chromium: Any, served: tuple[Collection, str], tmp_path: Path) -> Iterator[Device]:
    """A phone of 320 px with nothing on it yet."""
    found = Device(chromium, *served, tmp_path / "profile")
    found.start()
    yield found
    found.close()
