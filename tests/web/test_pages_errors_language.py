"""What is wrong is said in the language of the page, and masses are read in it; programs read what they always did.

Sources: RFC 9110 12.5.4 (Accept-Language), RFC 9457 3.1.4 (detail is for people); CLDR by Babel for the decimal sign
and for units of time; WCAG 2.2, 3.1.1 and 3.3.1 (an error is said in words, on a page that says its language). A comma
never parts thousands: groups of digits are parted by a small space alone (SI Brochure, 5.4.4).
"""

import uuid
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from babel.units import format_unit
from httpx2 import Response

from shipsvc.domain import errors
from shipsvc.domain.errors import Text
from shipsvc.web import errors as problems
from shipsvc.web.pages import language
from shipsvc.web.pages.forms import mass_typed
from shipsvc.web.pages.rendering import length
from tests import catalogue
from tests.databases import copied
from tests.web.chip import CHIP, NUMBERS, PARCEL, VIAL, send_chip
from tests.web.collection import Collection, collection
from tests.web.forms import filled, sent
from tests.web.visits import HTML, cookie

GERMAN = {"Accept-Language": "de"}
WEIGH = f"/things/{NUMBERS[CHIP]}/weigh"
#: Words that stand in English messages, and in no German ones.
ENGLISH = (" is ", " the ", " not ", " and ", " this ")


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip on its way."""
    with collection(copied(sqlite_template, tmp_path_factory.mktemp("errors") / "world.sqlite3")) as found:
        send_chip(found)
        found.running.client.follow_redirects = False
        yield found


@pytest.fixture
def german() -> Iterator[None]:
    """A page in German is being made."""
    token = language._current.set("de")
    yield
    language._current.reset(token)


def alert(answer: Response) -> str:
    """What a page says is wrong."""
    page = unescape(answer.text)
    assert '<html lang="de">' in page
    said = page[page.index('role="alert"') :].partition(">")[2]
    return said.removeprefix("<p>").partition("</p>")[0]


def looked(world: Collection, path: str, login: str = "cur", **headers: str) -> Response:
    """A page, asked for in German."""
    own = {**HTML, **GERMAN, "Cookie": f"shipsvc={cookie(world.running, login)}"}
    return world.running.client.get(path, headers={**own, **headers})


def weighed(world: Collection, login: str = "cur", **fields: str) -> Response:
    """The answer to the form of a weighing, sent from a German page."""
    return sent(world, login, WEIGH, filled(world, "cur", WEIGH, **{"act": "tell", **fields}), **GERMAN)


# ---------------------------------------------------------------------------------------------------------- on pages
@pytest.mark.parametrize(
    ("path", "status", "said"),
    [
        ("/audit?item=BRM-0001-M", 422, "BRM-0001-M endet nicht mit dem Prüfzeichen von"),
        ("/things?as_of=gestern", 422, "gestern ist keine Zeit mit Zeitzone."),
        ("/audit?item=BRM-0099-A", 422, "endet nicht mit dem Prüfzeichen"),
        ("/shipments/T-77", 404, "Nicht gefunden, oder nicht für Sie sichtbar: Sendung T-77. Prüfen Sie"),
        (f"/things/{NUMBERS[VIAL]}/weigh", 409, f"Das geht nicht: {NUMBERS[VIAL]} ist keine Probe (Behälter); nur"),
        ("/things?cursor=x", 422, "Das kann so nicht angenommen werden"),
    ],
)
def test_a_page_that_cannot_be_shown(world: Collection, path: str, status: int, said: str) -> None:
    """A check character, a time, a thing that is not there, one of the wrong kind: in German, and in nothing else."""
    answer = looked(world, path)
    assert answer.status_code == status
    assert said in alert(answer)
    if "cursor" not in path:
        assert [word for word in ENGLISH if word in alert(answer)] == []


@pytest.mark.parametrize(
    ("fields", "status", "said"),
    [
        (
            {"mass": "viel"},
            422,
            'Das kann so nicht angenommen werden: /body/mass: "viel" ist keine Masse. '
            'Schreiben Sie eine einfache Zahl mit ihrer Einheit, wie "512,0 mg".',
        ),
        ({"mass": "1 mg", "when": "gestern"}, 422, "gestern ist keine Zeit mit Zeitzone. Schreiben Sie sie wie "),
        ({"mass": "1 mg", "dried_h": "zwei"}, 422, "zwei ist keine ganze Zahl. Bessern Sie das aus"),
        ({"mass": "-1 mg"}, 422, "eine Masse, die da ist, kann nicht unter null sein"),
        ({"mass": "1 mg", "why": "x" * 401}, 422, "why ist länger als 400 Zeichen"),
        ({"mass": "1 mg", "acting_for": "CRK"}, 403, "Sie handeln nicht für CRK. Wählen Sie eine Einrichtung"),
        ({"mass": ""}, 422, "/body: mass: eine Wägung gibt ihre Nettomasse an, oder ihr Brutto mit der Waage. Bessern"),
        ({"mass": "1 mg", "gross": "5 mg", "tare": "2 mg"}, 422, "mass: Brutto weniger Tara ist 3 mg, nicht 1 mg."),
        ({"mass": "1 mg", "id": "x"}, 422, "/id: Das ist nicht so geschrieben, wie es hier gebraucht wird"),
    ],
)
def test_a_form_that_is_refused(world: Collection, fields: dict[str, str], status: int, said: str) -> None:
    """A mass, a time, an institution, a field left out: above the form, in German."""
    answer = weighed(world, **fields)
    assert answer.status_code == status
    assert said in alert(answer)
    assert [word for word in ENGLISH if word in alert(answer)] == []


def test_a_second_word_against_a_first(world: Collection) -> None:
    """The same id with other words (rulings 5)."""
    fields = filled(world, "cur", WEIGH, act="tell", balance="B1", mass="1204.2 mg")
    assert sent(world, "cur", WEIGH, fields, **GERMAN).status_code == 303
    answer = sent(world, "cur", WEIGH, {**fields, "mass": "1204.1 mg"}, **GERMAN)
    assert answer.status_code == 409
    assert f"Die Kennung {fields['id']} wurde schon für eine andere Angabe gebraucht." in alert(answer)


def test_a_role_that_somebody_has_not(world: Collection) -> None:
    """A driver tells of no weighing; roles and kinds of facts are named in German too."""
    answer = weighed(world, "driver", mass="1 mg", acting_for="CRK")
    assert answer.status_code == 403
    said = "Das braucht eine Rolle bei CRK: Versand, Analyse oder eine andere, die angeben darf: gewogen. Fragen Sie"
    assert said in alert(answer)


def test_too_many_tries(world: Collection) -> None:
    """A wrong password, and then no more tries."""
    client, form = world.running.client, {"login": "nobody", "password": "not it", "next": "/"}
    headers = {**HTML, **GERMAN, "Sec-Fetch-Site": "same-origin"}
    answers = [
        client.post("/sign-in", data=form, headers=headers)
        for _ in range(world.running.service.settings.login_failures_max + 1)
    ]
    assert (
        alert(answers[0])
        == "Der Name oder das Passwort ist falsch. Prüfen Sie beides und versuchen Sie es noch einmal."
    )
    assert answers[-1].status_code == 429
    wait_s = answers[-1].headers["retry-after"]
    assert f"Zu viele Anmeldungen sind fehlgeschlagen. Warten Sie {wait_s} Sekunden" in alert(answers[-1])


def test_the_same_in_english_is_as_it_was(world: Collection) -> None:
    """Word for word what the API says."""
    answer = sent(world, "cur", WEIGH, filled(world, "cur", WEIGH, mass="much", act="tell"))
    assert (
        'The request is malformed: /body/mass: "much" is not a mass. Write a plain number and its unit, such as '
        '"512.0 mg".</p>'
    ) in unescape(answer.text)


# --------------------------------------------------------------------------------------------------------- for scripts
def queued(world: Collection, **headers: str) -> dict[str, Any]:
    """What the script of the scan page is told of a fact that is refused."""
    time = {"raw": "2026-03-14T00:10:00Z"}
    fact = {"id": str(uuid.uuid4()), "kind": "weighed", "subjects": [NUMBERS[CHIP]], "time": time, "acting_for": "TRP"}
    body = {"person": world.running.people["cur"], "device": "web-1", "facts": [{**fact, "body": {"mass": "much"}}]}
    own = {"Sec-Fetch-Site": "same-origin", "Cookie": f"shipsvc={cookie(world.running, 'cur')}", **headers}
    answer = world.running.client.post("/scan/facts", json=body, headers=own)
    assert answer.status_code == 200
    problem: dict[str, Any] = answer.json()["results"][0]["problem"]
    return problem


def test_a_queue_is_answered_in_the_language_of_the_page(world: Collection) -> None:
    """Scripts show the detail as it comes; the code is for them."""
    german, english = queued(world, **GERMAN), queued(world)
    assert '"much" ist keine Masse.' in german["detail"]
    assert '"much" is not a mass.' in english["detail"]
    assert {**german, "detail": ""} == {**english, "detail": ""}


@pytest.mark.parametrize(
    ("path", "data", "said"),
    [
        ("/receive/T-77", {"id": "x"}, "Nicht gefunden, oder nicht für Sie sichtbar: Sendung T-77."),
        ("/scan/files?person=x", {}, "Diese Angaben hat jemand anderes auf diesem Gerät notiert."),
    ],
)
def test_a_script_that_is_refused(world: Collection, path: str, data: dict[str, str], said: str) -> None:
    """As JSON, with the status and headers of any problem."""
    own = {"Sec-Fetch-Site": "same-origin", "Accept": "application/json", **GERMAN}
    own["Cookie"] = f"shipsvc={cookie(world.running, 'ana')}"
    answer = world.running.client.post(path, data=data, headers=own)
    assert answer.headers["content-type"] == problems.MEDIA_TYPE
    assert answer.json()["detail"].startswith(said)


# ------------------------------------------------------------------------------------------------------------- the API
def test_the_api_says_what_it_always_said(world: Collection) -> None:
    """Byte for byte, whatever language is asked for."""
    head = {**world.head("cur"), **GERMAN}
    client = world.running.client
    wrong = client.get("/v1/items/BRM-0001-M", headers=head).json()
    assert wrong["detail"] == (
        "BRM-0001-M does not end in the check character that BRM0001 has. Read the label again, or scan it."
    )
    unknown = client.get("/v1/shipments/T-77", headers=head).json()
    assert unknown["detail"] == "There is no shipment T-77 that you may see. Check how it is written."
    time = {"raw": "2026-03-14T00:10:00Z"}
    fact = {"id": str(uuid.uuid4()), "kind": "weighed", "subjects": [NUMBERS[CHIP]], "time": time, "acting_for": "TRP"}
    told = client.post("/v1/events", json={"fact": {**fact, "body": {"mass": "12,5 mg"}}}, headers=head).json()
    said = '"12,5 mg" is not a mass. Write a plain number and its unit, such as "512.0 mg".'
    assert told["detail"] == f"The request is malformed: /fact/body/mass: {said}"
    assert told["errors"] == [{"pointer": "/fact/body/mass", "code": "not_a_mass", "detail": said}]
    other = {**fact, "acting_for": "CRK", "body": {"mass": "1 mg"}}
    refused = client.post("/v1/events", json={"fact": other}, headers=head).json()
    assert refused["detail"].startswith('You do not act for CRK. Name an institution that you act for in "acting_for".')


# -------------------------------------------------------------------------------------------------------------- masses
@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("1204,2 mg", "1204.2 mg"),
        ("1,204 g", "1.204 g"),
        ("1,234 mg", "1.234 mg"),
        ("100 +- 10,5 mg", "100 +- 10.5 mg"),
        ("1204.2 mg", "1204.2 mg"),
        # With two marks it is not told which of them is the decimal sign; it stays, and is no mass.
        ("1.204,2 mg", "1.204,2 mg"),
        ("1,204,200 mg", "1,204,200 mg"),
        ("1,204.2 mg", "1,204.2 mg"),
        ("etwa, viel", "etwa, viel"),
    ],
)
@pytest.mark.usefixtures("german")
def test_a_comma_on_a_german_page(typed: str, kept: str) -> None:
    """The decimal sign of German (CLDR), and never a mark between thousands."""
    assert mass_typed(typed) == kept


@pytest.mark.parametrize("typed", ["12,5 mg", "1,234 mg", "100 +- 10,5 mg"])
def test_a_comma_on_an_english_page(typed: str) -> None:
    """It could be either; the answer says so, and what to write."""
    with pytest.raises(errors.AmbiguousComma) as refused:
        mass_typed(typed)
    assert str(refused.value).startswith(f'"{typed}" has a comma, which is a decimal sign to some')
    assert mass_typed("12.5 mg") == "12.5 mg"


def test_a_german_weighing_is_kept_with_a_point(world: Collection) -> None:
    """What the record holds is what the API takes: all digits, with a point; each field of the form is read alike."""
    fields = {"gross": "5124,50 mg", "tare": "3920,20 mg", "readings": "1204,2 mg\n1204,4 mg", "balance": "B1"}
    answer = weighed(world, **fields)
    assert answer.status_code == 303
    fact = world.get("cur", f"events/{answer.headers['location'].partition('told=')[2]}")
    said = {name: fact["body"][name] for name in ("mass", "gross", "tare", "readings")}
    assert said == {
        "mass": "1204.3 mg",
        "gross": "5124.50 mg",
        "tare": "3920.20 mg",
        "readings": ["1204.2 mg", "1204.4 mg"],
    }


def test_a_comma_is_refused_on_english_pages_and_shown_as_typed(world: Collection) -> None:
    """Nothing is guessed, and nothing of the form is lost."""
    answer = sent(world, "cur", WEIGH, filled(world, "cur", WEIGH, mass="1,204 mg", act="tell"))
    assert answer.status_code == 422
    assert '"1,204 mg" has a comma' in unescape(answer.text)
    assert 'value="1,204 mg"' in answer.text


def test_a_german_split_and_amendment(world: Collection) -> None:
    """Pieces, loss and rest; and the mass of a fact that is put right."""
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T00:09:00Z", to="TRP")
    world.tell("cur", "TRP", "accepted", PARCEL, "2026-03-14T00:10:00Z", from_="CRK")
    split = f"/things/{NUMBERS[CHIP]}/split"
    masses = {"mass 0": "300,1 mg", "mass 1": "200,2 mg", "loss": "0,5 mg", "rest": "703,5 mg", "balance": "B1"}
    summed = sent(world, "cur", split, filled(world, "cur", split, act="check", **masses), **GERMAN)
    assert summed.status_code == 200
    assert "1\u202f204,3\u00a0mg" in summed.text

    weighing = weighed(world, mass="1204,2 mg", balance="B1").headers["location"].partition("told=")[2]
    path = f"/facts/{weighing}"
    fields = filled(world, "cur", path, f"{path}/amend", because="read anew", **{"member mass": "1204,25 mg"})
    assert sent(world, "cur", f"{path}/amend", fields, **GERMAN).status_code == 303
    assert world.get("cur", f"events/{weighing}")["in_force"]["body"]["mass"] == "1204.25 mg"


# --------------------------------------------------------------------------------------------------------------- parts
@pytest.mark.usefixtures("german")
def test_lengths_of_time_in_german() -> None:
    """The short units of CLDR."""

    def cldr(count: int, unit: str) -> str:
        return str(format_unit(count, unit, "short", locale="de_DE"))

    assert length(37 * 3600 + 600) == f"{cldr(37, 'hour')} {cldr(10, 'minute')}"
    assert length(277 * 3600) == f"{cldr(11, 'day')} {cldr(13, 'hour')}"
    assert length(0) == cldr(0, "minute")


@pytest.mark.usefixtures("german")
def test_what_people_typed_is_never_translated() -> None:
    """A thing may be called "sample", and a text may hold braces."""
    typed = errors.NotFound(what="item", name="{sample} sample")
    assert language.told(typed.said).startswith(
        "Nicht gefunden, oder nicht für Sie sichtbar: Gegenstand {sample} sample."
    )
    assert language.told("sample") == "sample"


def test_a_text_is_its_english_words() -> None:
    """Whoever does not know of it sees a text as any other."""
    inner = Text("{number} is a {kind}", number="V-1", kind="container")
    said = errors.RuleForbids(why=inner)
    assert (str(said), said.said) == ("This cannot be done: V-1 is a container",) * 2
    assert type(str(said)) is str
    dumped = problems.problem_of(said).model_dump()["detail"]
    assert type(dumped) is str
    assert dumped == f"{said}. {problems.REMEDIES[errors.RuleForbids]}"


def test_free_texts_are_found_where_they_are_raised(tmp_path: Path) -> None:
    """Words of an error, a template, and one that is named first; not what is typed, and not words of other things."""
    path = tmp_path / "module.py"
    path.write_text(
        'raise errors.Malformed(why="say why", pointer="/because")\n'
        'raise errors.NotFound(what="loan", name="x")\n'
        'raise errors.RuleForbids(why=errors.Text("{one} is closed", one=1))\n'
        'late, early = "{one} is late", "{one} is early"\n'
        "raise Malformed(why=Text(late if x else early, one=1))\n"
        'print(why="no error", what="none")\n'
    )
    found = {text for text, _ in catalogue.free_texts(path)}
    assert found == {"say why", "loan", "{one} is closed", "{one} is late", "{one} is early"}


@pytest.mark.parametrize(
    "path",
    [path for path in sorted(catalogue.PACKAGE.rglob("*.py")) if catalogue.behind_pages(path)],
    ids=lambda path: path.relative_to(catalogue.PACKAGE).as_posix(),
)
def test_what_a_page_can_show_is_no_text_without_its_template(path: Path) -> None:
    """An f-string forgets what it was made of, and could not be said in another language."""
    assert catalogue.forgetful(path) == []
