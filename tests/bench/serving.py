"""Servers as processes of their own, as they are run: the service by ``shipsvc serve``, and the bare one beside it."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from time import monotonic, sleep
from typing import Final
from urllib.parse import urlencode

from tests.bench import wire
from tests.web.service import PASSWORD

ROOT: Final = Path(__file__).parent.parent.parent
SERVE: Final = ("-c", "from shipsvc.cli import app; app()", "serve", "--port", "0")
BARE: Final = ("-m", "tests.bench.bare")
START_S: Final = 60


@contextmanager
def serving(url: str, folder: Path, command: tuple[str, ...] = SERVE) -> Iterator[str]:
    """Run a server on a database; the address it listens on. Its log, a line a request as always, goes to a file."""
    log = folder / f"{abs(hash((url, command)))}.log"
    environment = {**os.environ, "SHIPSVC_DATABASE_URL": url}
    with log.open("wb") as stderr:
        process = subprocess.Popen([sys.executable, *command], env=environment, cwd=ROOT, stderr=stderr)
    try:
        yield _address(process, log)
    finally:
        with suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
        process.wait()


def _address(process: "subprocess.Popen[bytes]", log: Path) -> str:
    until = monotonic() + START_S
    while monotonic() < until and process.poll() is None:
        if found := re.search(r"Uvicorn running on (http://127\.0\.0\.1:\d+)", log.read_text()):
            return found[1]
        sleep(0.05)
    raise AssertionError(log.read_text())


def signed_in(address: str, login: str) -> dict[str, str]:
    """The header that says who is asking."""
    form = urlencode({"grant_type": "password", "username": login, "password": PASSWORD}).encode()
    said = {"Content-Type": "application/x-www-form-urlencoded", "Content-Length": str(len(form))}
    with wire.connected(address) as (connection,):
        token = wire.answer(connection, wire.request("POST", "/v1/token", said) + form)["access_token"]
    return {"Authorization": f"Bearer {token}"}
