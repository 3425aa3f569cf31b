"""The pages in two languages: one catalogue that holds every text, chosen by the browser or by a switch.

Sources: RFC 9110 12.5.4 (Accept-Language and its weights), CLDR by Babel (how dates and figures are written in a
language), WCAG 2.2, 3.1.1 (a page says its language).
"""

import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from shipsvc.web.pages import language
from shipsvc.web.pages.rendering import STATIC, day, mg
from tests import catalogue
from tests.databases import copied
from tests.web import visits
from tests.web.chip import CHIP, NUMBERS, send_chip
from tests.web.collection import Collection, collection
from tests.web.visits import HTML

TEMPLATES = STATIC.parent / "templates"
OTHERS = [code for code in language.LANGUAGES if code != language.ENGLISH]
#: What is no text in any language: the service's name, and examples of what to type.
NAMES = {"shipsvc", "· shipsvc", ":   ×   mm,"}
EXAMPLE = re.compile(r"[A-Z0-9-]+|[0-9.]+ mg")
GAP = re.compile(r"%\(\w+\)s|\{\w+\}")


# --------------------------------------------------------------------------------------------------------- catalogue
@pytest.mark.parametrize("path", sorted(TEMPLATES.glob("*.html")), ids=lambda path: path.name)
def test_no_text_of_a_template_is_outside_the_catalogue(path: Path) -> None:
    """What is left of a template without its tags and expressions has no words in it."""
    text = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", " ", path.read_text(), flags=re.DOTALL)
    shown = re.findall(r'(?:placeholder|aria-label|title|alt)="([^"]*)"', text)
    shown += re.sub(r"&[#\w]+;", " ", re.sub(r"<[^>]*>", "\n", text)).split("\n")
    words = {one.strip() for one in shown if re.search(r"[A-Za-z]{2}", one)}
    assert {one for one in words if not EXAMPLE.fullmatch(one)} <= NAMES


@pytest.mark.parametrize("path", sorted(STATIC.glob("*.js")), ids=lambda path: path.name)
def test_no_text_of_a_script_is_outside_the_catalogue(path: Path) -> None:
    """Whatever looks like a sentence is said by ``say``."""
    code = re.sub(r"//.*", "", path.read_text())
    said = set(re.findall(r'say\(\s*"([^"]+)"', code))
    sentences = set(re.findall(r'"([A-Z][a-z]+ [a-z][^"]*)"', code))
    assert sentences <= said


@pytest.mark.parametrize("code", OTHERS)
def test_a_catalogue_is_complete_and_says_nothing_more(code: str) -> None:
    """Each text has its translation with the same gaps; ``python -m tests.catalogue`` brings a catalogue up to date."""
    kept, whole = catalogue.catalogue(code), catalogue.whole(code)
    wanted = {message.id if isinstance(message.id, str) else message.id[0]: message for message in whole if message.id}
    have = {message.id if isinstance(message.id, str) else message.id[0] for message in kept if message.id}
    assert have == set(wanted)
    assert len(have) > 800
    for text, message in wanted.items():
        found = [message.string] if isinstance(message.string, str) else list(message.string or ())
        assert found
        for one in found:
            assert one, text
            assert set(GAP.findall(one)) == set(GAP.findall(text)), text


def test_texts_are_found_where_they_stand() -> None:
    """In a template, in the values of a module, in a script, in a caution, and among the words of the record."""
    found = {text if isinstance(text, str) else text[0] for text, _ in catalogue.texts()}
    assert {
        "Back to now",
        "Days late",
        "Camera off",
        "giver only",
        "Cold burns: face shield, loose insulated gloves.",
    } <= found


# ------------------------------------------------------------------------------------------------------------- choice
@pytest.mark.parametrize(
    ("cookie", "accepted", "wanted"),
    [
        ("", "", "en"),
        ("", "de", "de"),
        ("", "de-CH, en;q=0.5", "de"),
        ("", "en;q=0.5, de;q=0.9", "de"),
        ("", "fr, de;q=0.1", "de"),
        ("", "fr", "en"),
        ("", "de;q=0, en", "en"),
        ("", "*", "en"),
        ("", "de;q=x", "en"),
        ("en", "de", "en"),
        ("de", "en", "de"),
        ("xx", "de", "de"),
    ],
)
def test_the_language_is_the_readers(cookie: str, accepted: str, wanted: str) -> None:
    """What was chosen counts first, then the weights of the browser, then English."""
    assert language.chosen(cookie, accepted) == wanted


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip on its way."""
    with collection(copied(sqlite_template, tmp_path_factory.mktemp("language") / "world.sqlite3")) as found:
        send_chip(found)
        found.running.client.follow_redirects = False
        yield found


def read(world: Collection, path: str, **headers: str) -> str:
    """A page as a curator reads it."""
    cookies = f"shipsvc={visits.cookie(world.running, 'cur')}; {headers.pop('cookie', '')}"
    answer = world.running.client.get(path, headers={**HTML, "Cookie": cookies, **headers})
    assert answer.status_code == 200
    return answer.text


def test_a_page_in_german(world: Collection) -> None:
    """Its texts, its dates and masses, and the words of the record; what people wrote stays as they wrote it."""
    page = read(world, f"/things/{NUMBERS[CHIP]}", **{"Accept-Language": "de"})
    assert '<html lang="de">' in page
    for said in ("Masse laut Buch", "Abmelden", "verpackt", "1\u202f204,3\u00a0mg", "10. März 2026", "interior chip"):
        assert said in page, said
    assert "Sign out" not in page
    english = read(world, f"/things/{NUMBERS[CHIP]}")
    assert '<html lang="en">' in english
    assert "1\u202f204.3\u00a0mg" in english


def test_the_switch_is_kept_and_leads_back(world: Collection) -> None:
    """By a form, on every page, for whoever is signed in or not; a page of others cannot switch."""
    client = world.running.client
    own = {**HTML, "Sec-Fetch-Site": "same-origin", "Referer": "http://testserver/sign-in?next=%2Floans"}
    answer = client.post("/language", data={"language": "de"}, headers=own)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=%2Floans")
    assert f"{language.COOKIE}=de" in answer.headers["set-cookie"]
    client.cookies.clear()
    assert "Anmelden" in client.get("/sign-in", headers={**HTML, "Cookie": f"{language.COOKIE}=de"}).text
    assert (
        client.post("/language", data={"language": "de"}, headers={**own, "Sec-Fetch-Site": "cross-site"}).status_code
        == 403
    )
    assert client.post("/language", data={"language": "xx"}, headers=own).status_code == 422


def test_the_api_speaks_one_language(world: Collection) -> None:
    """Programs read the same words whatever a browser would ask for."""
    head = {**world.head("cur"), "Accept-Language": "de"}
    path = f"/v1/items/{NUMBERS[CHIP]}"
    assert world.running.client.get(path, headers=head).json() == world.get("cur", path.removeprefix("/v1/"))


def test_figures_and_days_are_those_of_cldr() -> None:
    """The decimal mark is the language's; digits stay in groups of three, and months are written as there."""
    token = language._current.set("de")
    try:
        assert mg("-1204.30") == "−1\u202f204,30\u00a0mg"
        assert ">3. Okt. 2026<" in day(date(2026, 10, 3))
    finally:
        language._current.reset(token)
    assert mg("-1204.30") == "−1\u202f204.30\u00a0mg"
