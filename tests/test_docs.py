"""The documents against the code: what can be run, set or asked is named, and what is named is there."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
from pydantic import SecretStr

from shipsvc.cli import app as commands
from shipsvc.config import Settings
from shipsvc.main import create_app

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
DOCUMENTS = {"README.md": README, "DEVELOPERS.md": DEVELOPERS}
ROOMS = ("domain", "store", "app", "web")
#: For the tests, not for the service; tests/postgres.py reads it.
OF_TESTS = {"SHIPSVC_TEST_PG_URL"}
_CODE = re.compile(r"`([^`\n]+)`")
_FILE = re.compile(r"[\w*.-]+(/[\w*.-]+)*\.(py|md|toml|txt|lock)|Dockerfile|\.ci/\w+")
_LINK = re.compile(r"\]\(([^)#:]+)\)")
_DECISION = re.compile(r"^\*\*D(\d+)\. .*?(?=^\*\*D\d+\. |^#|\Z)", re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def paths() -> list[str]:
    """Every path of the API."""
    described: dict[str, Any] = create_app(Settings(database_url="sqlite:///never-opened.sqlite3")).openapi()
    return list(described["paths"])


def inside_code(text: str) -> Iterator[str]:
    """The words between backticks."""
    for piece in _CODE.findall(text):
        yield from piece.split()


def exists(name: str) -> bool:
    """Whether a file of that name is in the repository: by its path from the top, or alone by its own name."""
    if "/" in name:
        return any(ROOT.glob(name)) or any((ROOT / "shipsvc").glob(name))
    places = (ROOT, *(ROOT / folder for folder in ("shipsvc", "tests", "migrations", "demo_seed")))
    return any(any(place.glob(name)) for place in places) or any(ROOT.glob(f"*/*/{name}"))


def test_every_command_is_named() -> None:
    """Each command of the program stands in README.md as it is typed, and no other one does."""
    there = set(typer.main.get_group(commands).commands)
    named = set(re.findall(r"`[^`\n]*\bshipsvc ([a-z]+)", README))

    assert len(there) >= 5
    assert there == named


def test_every_setting_is_named_with_its_default() -> None:
    """One row of the table for each; and no variable is named that nothing reads."""
    rows = dict(re.findall(r"^\| `(SHIPSVC_\w+)` \|.*\| (.+?) \|$", README, re.MULTILINE))

    assert rows == {
        f"SHIPSVC_{name.upper()}": as_written(field.default) for name, field in Settings.model_fields.items()
    }
    for text in DOCUMENTS.values():
        assert set(re.findall(r"SHIPSVC_\w+", text)) - OF_TESTS <= rows.keys()
    assert all(name in (ROOT / "tests" / "postgres.py").read_text() for name in OF_TESTS)


def as_written(default: Any) -> str:
    """A default as it stands in the table: texts as code, numbers plainly, no text as a word."""
    if isinstance(default, SecretStr):
        default = default.get_secret_value()
    if isinstance(default, str):
        return f"`{default}`" if default else "empty"
    return str(int(default)) if default == int(default) else str(default)


def test_every_report_is_named(paths: list[str]) -> None:
    """A curator finds each report in README.md by its path, where the question it answers is asked."""
    reports = [path for path in paths if path.startswith("/v1/reports/")]

    assert len(reports) >= 8
    assert [path for path in reports if f"`{path}" not in README] == []


def test_every_path_that_is_named_is_answered(paths: list[str]) -> None:
    """What the documents tell a reader to ask is a path of the API."""
    answered = [re.compile(re.sub(r"\\\{\w+\\\}", "[^/]+", re.escape(path))) for path in paths]

    for name, text in DOCUMENTS.items():
        for path in re.findall(r"(?<!\w)(/(?:v1/|healthz|readyz|metrics)[\w/{}.-]*[\w}])", text):
            assert any(pattern.fullmatch(path) for pattern in answered), f"{name}: {path}"


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_file_that_is_named_is_there(name: str) -> None:
    """Paths between backticks and links lead somewhere."""
    text = DOCUMENTS[name]
    named = {word for word in inside_code(text) if _FILE.fullmatch(word)} | set(_LINK.findall(text))

    assert named
    assert sorted(word for word in named if not exists(word)) == []


def test_the_rooms_are_where_the_table_says() -> None:
    """DEVELOPERS.md, "The rooms": each module that it names for a noun is in the layer of its column."""
    table = DEVELOPERS.partition("| noun |")[2].partition("\n\n")[0]
    checked = 0
    for row in table.splitlines()[2:]:
        for layer, cell in zip(ROOMS, row.strip("|").split("|")[1:], strict=True):
            for module in (word for word in _CODE.findall(cell) if " " not in word):
                assert (ROOT / "shipsvc" / layer / f"{module}.py").is_file(), f"{layer}: {module}"
                checked += 1
    assert checked > 30


def decisions() -> dict[int, str]:
    """Every decision by its number."""
    return {int(found[1]): found[0] for found in _DECISION.finditer(DEVELOPERS)}


def test_decisions_are_numbered_without_a_gap() -> None:
    """D1, D2, ... each once; and the code cites none that is not there."""
    found = [int(number) for number in re.findall(r"^\*\*D(\d+)\. ", DEVELOPERS, re.MULTILINE)]
    cited = {
        int(number)
        for file in (ROOT / "shipsvc").rglob("*.py")
        for number in re.findall(r"\(D(\d+)\)", file.read_text())
    }

    assert found == list(range(1, len(found) + 1))
    assert cited <= set(found)


@pytest.mark.parametrize("number", decisions(), ids=lambda number: f"D{number}")
def test_every_decision_is_enforced(number: int) -> None:
    """It ends with the names of files that are there."""
    _, said, enforced = decisions()[number].partition("*Enforced by:*")
    files = _CODE.findall(enforced)

    assert said, "a decision ends with what enforces it"
    assert files
    assert [file for file in files if not (ROOT / file).is_file()] == []
