"""The stranger page in a browser (trade case 24): the same for every code, and no more than how to keep it and whom to
call."""

import re
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from tests.databases import copied
from tests.web.collection import Collection, collection
from tests.web.test_labels_api import CODES, drawn, read_back
from tests.web.visits import HTML, Loads


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A sample with a label, and a vial with one."""
    with collection(copied(sqlite_template, tmp_path_factory.mktemp("stranger") / "world.sqlite3")) as found:
        found.issue(kind="sample", form="material", what="interior chip", prefix="BRM", print_labels=True)
        found.issue(what="4 ml", print_labels=True)
        found.running.client.follow_redirects = False
        yield found


def page(world: Collection, path: str, status: int = 200) -> str:
    """What a browser is answered, which nobody signed in at."""
    answer = world.running.client.get(path, headers=HTML)
    assert answer.status_code == status
    assert answer.headers["cache-control"] == "no-store"
    return answer.text


def test_the_page_is_the_same_for_every_code(world: Collection) -> None:
    """Letter for letter; nothing of the thing, its owner or its way; nothing that leads to it."""
    (text,) = {page(world, f"/{s}/{code}") for s in "Ss" for code in CODES}
    for said in ("upright", "dry", "cold", "do not open", "number on the label"):
        assert said in text
    for unsaid in ("chip", "BRM", "Tarnhythe", "TRP", "Braithmoss", "vial", "V-0001"):
        assert unsaid not in text
    loads = Loads()
    loads.feed(text)
    assert loads.inline == []
    assert not any(address.startswith(("/things", "/v1")) for address in loads.addresses)


def test_the_label_in_hand_names_whom_to_call(world: Collection) -> None:
    """By its tag, and no more than the name."""
    path = read_back(drawn(world, "V00015.1")).removeprefix("HTTP://127.0.0.1:8000")
    mine, other = page(world, path), page(world, "/S/V00015.1")
    assert mine.replace("It belongs to Tarnhythe Repository. ", "") == other


def test_programs_go_on_reading_plain_words(world: Collection) -> None:
    """Whoever does not ask for HTML is answered as before; caches are told that it depends."""
    answer = world.running.client.get("/S/V00015.1", headers={"Accept": "*/*"})
    assert answer.headers["content-type"].startswith("text/plain")
    assert answer.headers["vary"] == "Accept"


@pytest.mark.parametrize("code", ["V00015.1.K3F9A1XY", "//evil.example", "x?y&z", "a\rb"])
def test_who_works_with_it_goes_on_to_the_scan_page(world: Collection, code: str) -> None:
    """With the code, whatever it is, and never to another host (CWE-601)."""
    answer = world.running.client.get(f"/S/{quote(code, safe='')}?here", headers=HTML)
    if answer.status_code == 303:
        assert re.fullmatch(r"/scan\?code=[A-Za-z0-9._%~-]+", answer.headers["location"])
    else:
        assert answer.status_code == 404, "a code with a slash in it is no address of ours"
