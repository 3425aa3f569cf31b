"""Live sensors over MQTT: a real Mosquitto broker between a publisher of paho's and ``shipsvc listen``."""

import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cbor2
import pytest
from paho.mqtt import publish

from shipsvc.app.reading_inbox import Inbox
from shipsvc.broker import Pattern, Subscription
from shipsvc.domain import errors
from tests.web.service import running
from tests.web.test_readings_api import furnish_logger, values

NOW = 1_760_000_000.0
#: Debian puts it where only root's PATH looks.
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    """Mosquitto on a port of its own, which ends with the test."""
    if MOSQUITTO is None:
        pytest.skip("there is no mosquitto here: install the broker (Debian package mosquitto) to run this")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    config = tmp_path / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n")
    process = subprocess.Popen([MOSQUITTO, "-c", str(config)], stderr=subprocess.DEVNULL)
    try:
        for _ in range(100):
            with socket.socket() as asked:
                if asked.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)
        yield port
    finally:
        process.terminate()
        process.wait(timeout=10)


def test_listening_to_a_real_broker(broker: int, sqlite_database_url: str, tmp_path: Path) -> None:
    """Readings in JSON and in CBOR, nonsense, a sensor nobody knows: the first are stored at their times, the second is
    listed, the third let go; and what was acknowledged is not delivered again."""
    with running(sqlite_database_url, files_dir=str(tmp_path / "evidence")) as service:
        furnish_logger(service)
        pack = [{"n": "urn:x:temperature", "u": "Cel", "t": NOW, "v": -58.2}]
        told: list[tuple[str, bytes]] = [
            ("lab/lg-101/senml", json.dumps(pack).encode()),
            ("lab/LG-101/senml", cbor2.dumps([{**pack[0], "t": NOW + 60, "v": -58.5}])),
            ("lab/LG-101/senml", b"nonsense"),
            ("lab/NOBODY/senml", json.dumps(pack).encode()),
        ]
        name = f"t-{broker}"
        with Subscription(f"mqtt://127.0.0.1:{broker}", Pattern("lab/{source}/senml"), name, print):
            time.sleep(0.3)  # the session is there, and keeps what comes while nobody listens
        for topic, payload in told:
            publish.single(topic, payload, qos=1, hostname="127.0.0.1", port=broker)
        said = listened(sqlite_database_url, tmp_path, broker, name)
        assert "LG-101: 2 readings stored, 1 lines bad." in said
        assert "NOBODY: 1 messages let go." in said
        assert values(service) == [(NOW, -58.2), (NOW + 60, -58.5)]
        (upload,) = service.get("/v1/sources/LG-101/uploads", service.token("cur"))["items"]
        assert "nonsense" in upload["bad"][0]["why"] or upload["bad"][0]["line"] == 3
        with Subscription(f"mqtt://127.0.0.1:{broker}", Pattern("lab/{source}/senml"), name, print) as again:
            assert again.next(0.5) is None


def listened(database_url: str, tmp_path: Path, port: int, name: str) -> str:
    """What the command says when four messages came."""
    chosen = {"SHIPSVC_DATABASE_URL": database_url, "SHIPSVC_FILES_DIR": str(tmp_path / "evidence")}
    command = [sys.executable, "-c", "from shipsvc.cli import app; app()", "listen", "--as", "cur"]
    command += ["--broker", f"mqtt://127.0.0.1:{port}"]
    command += ["--topic", "lab/{source}/senml", "--every", "0.5", "--messages", "4", "--name", name]
    done = subprocess.run(
        command, env={**os.environ, **chosen}, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def test_topics() -> None:
    """OASIS MQTT 3.1.1, section 4.7: one level stands for the source."""
    pattern = Pattern("lab/{source}/senml")
    assert (pattern.filter, pattern.source("lab/ps-1/senml")) == ("lab/+/senml", "PS-1")
    for wrong in ("lab/senml", "{source}/{source}", "{source}/#", "lab/x{source}"):
        with pytest.raises(errors.Malformed):
            Pattern(wrong)
    with pytest.raises(errors.Malformed):
        Subscription("http://x", pattern, "n", print)
    with pytest.raises(errors.Away), Subscription("mqtt://127.0.0.1:9", pattern, "n", print):
        pass


def lines(payload: Any) -> list[Any]:
    """What one message becomes."""
    inbox = Inbox()
    inbox.take("S", payload, NOW, "m")
    content, marks = inbox.drain("S")
    assert marks == ["m"]
    assert inbox.drain("S") == (b"", [])
    return content.decode().splitlines()


def test_messages_become_resolved_lines() -> None:
    """RFC 8428 section 4.6: names whole, times absolute; what is none stays as a line that is no JSON."""
    pack = [{"bn": "a:", "bu": "Cel", "n": "temperature", "t": -30, "v": 20.5}, {"n": "door", "vb": True}]
    found = [json.loads(line) for line in lines(json.dumps(pack).encode())]
    assert found == [
        {"n": "a:temperature", "u": "Cel", "t": NOW - 30, "v": 20.5},
        {"n": "a:door", "u": "Cel", "t": NOW, "vb": True},
    ]
    assert lines(cbor2.dumps(pack)) == lines(json.dumps(pack).encode())
    for wrong in (b"", b"[", b"\xff\x00", b"[5]", b'[{"n":"x"}]'):
        (line,) = lines(wrong)
        with pytest.raises(ValueError, match="Expecting"):
            json.loads(line)
