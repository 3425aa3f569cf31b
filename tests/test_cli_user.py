"""``shipsvc user``, as an administrator of the machine would give it."""

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner, Result

from shipsvc.cli import app
from shipsvc.config import Settings
from shipsvc.main import create_app

PASSWORD = "a phrase nobody guesses"


def run(*words: str) -> Result:
    """Give a command; nothing but an exit may come out of it."""
    result = CliRunner().invoke(app, list(words))
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


@pytest.fixture
def begun(sqlite_database_url: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """The URL of a database with its first administrator, which the settings name."""
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", sqlite_database_url)
    about = "--institution TRP --institution-name Tarnhythe --zone Europe/London --login first --name First".split()
    assert run("begin", *about, "--password", PASSWORD).exit_code == 0
    return sqlite_database_url


def status(url: str, login: str) -> int:
    """How a sign-in is answered."""
    service = create_app(Settings(database_url=url))
    form = {"grant_type": "password", "username": login, "password": PASSWORD}
    with TestClient(service) as client:
        return client.post("/v1/token", data=form).status_code


def accepted(url: str, output: str) -> int:
    """How the link that was printed is answered."""
    found = re.search(r"invitation#(\S+)", output)
    assert found, output
    with TestClient(create_app(Settings(database_url=url))) as client:
        body = {"token": found[1], "password": PASSWORD}
        return client.post("/v1/invitations/accept", json=body).status_code


def test_user_add(begun: str) -> None:
    """The person can sign in; the password is not said again; a second time the name is in use."""
    words = ("user", "add", "ana", "--by", "first", "--name", "Ana", "--role", "TRP:clerk", "--password", PASSWORD)
    added, again = run(*words), run(*words)

    assert (added.exit_code, added.output) == (0, "ana can sign in.\n")
    assert status(begun, "ana") == 200
    assert again.exit_code == 1
    assert "already" in again.output


def test_user_invite_and_reset(begun: str) -> None:
    """Without a mail server the link is printed; it is good once."""
    invited = run("user", "invite", "ana", "--by", "first", "--name", "Ana")
    assert invited.exit_code == 0
    assert status(begun, "ana") == 400
    assert [accepted(begun, invited.output) for _ in range(2)] == [200, 404]
    assert status(begun, "ana") == 200
    assert accepted(begun, run("user", "reset", "ana", "--by", "first").output) == 200


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("invite ana --by nobody --name Ana", "nobody"),
        ("invite ana --by first --name Ana --role TRP:king", "TRP:curator"),
        ("invite Ana! --by first --name Ana", "small letters"),
        ("reset nobody --by first", "nobody"),
    ],
)
def test_user_says_what_is_wrong(begun: str, words: str, said: str) -> None:
    """One line that says what to mend, and no link."""
    refused = run("user", *words.split())

    assert refused.exit_code != 0
    assert said in refused.output
    assert "invitation#" not in refused.output
    assert Path(begun.removeprefix("sqlite:///")).is_file()
