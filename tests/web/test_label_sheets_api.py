"""Sheets of labels over HTTP, and the page on which they are made."""

from collections.abc import Iterator

import pypdfium2
import pytest
import zxingcpp

from tests.web import visits
from tests.web.chip import CHIP, NUMBERS, PARCEL, send_chip
from tests.web.collection import Collection, collection
from tests.web.visits import HTML

SHEET = "/v1/labels/sheet.pdf"


@pytest.fixture(scope="module")
def world(sqlite_template: object, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip with a label, and a parcel without."""
    from tests.databases import copied

    path = tmp_path_factory.mktemp("pages") / "labels.sqlite3"
    with collection(copied(sqlite_template, path)) as found:  # type: ignore[arg-type]
        send_chip(found)
        yield found


def read(pdf: bytes) -> list[str]:
    """What is in the symbols of the first page (PDFium, zxing-cpp)."""
    page = pypdfium2.PdfDocument(pdf)[0].render(scale=6).to_pil().convert("L")
    return [code.text for code in zxingcpp.read_barcodes(page)]


def test_a_sheet_holds_the_labels_that_were_asked_for(world: Collection) -> None:
    """By the code of a print or by number; the symbol is the one that is drawn singly, so that it scans alike."""
    asked = {"codes": ["BRM0001L.1", NUMBERS[CHIP]], "size": "jar", "hazards": ["dry_ice"]}
    answer = world.running.client.get(SHEET, params=asked, headers=dict(world.head("cur")))

    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
    assert answer.headers["content-disposition"] == 'attachment; filename="labels-jar.pdf"'
    first, second = read(answer.content)
    assert first == second
    base, _, code = first.rpartition("/S/")
    assert base == world.running.service.settings.base_url.upper().rstrip("/")
    told = world.get("cur", f"labels/{code}")
    assert (told["code"], told["authentic"]) == ("BRM0001L.1", True)


@pytest.mark.parametrize(
    ("who", "codes", "status"),
    [
        ("cur", NUMBERS[PARCEL], 404),
        ("cur", "BRM0001L.9", 404),
        ("stranger", NUMBERS[CHIP], 404),
        ("cur", "nonsense", 422),
        ("cur", "", 422),
    ],
)
def test_what_has_no_live_label_has_no_sheet(world: Collection, who: str, codes: str, status: int) -> None:
    """Neither a thing without a print, nor what is not theirs to see, nor what is no code."""
    asked = {"codes": codes} if codes else {}
    answer = world.running.client.get(SHEET, params=asked, headers=dict(world.head(who)))
    assert answer.status_code == status, answer.text


def test_a_replaced_label_is_not_drawn_again(world: Collection) -> None:
    """Trade case 20: the old print is void for good; its number leads to the new one."""
    (vial,) = world.issue(what="4 ml", print_labels=True)["items"]
    number, old = vial["number"], f"{vial['number'].replace('-', '')}.1"
    world.post("clerk", f"items/{number}/labels", {"because": "smudged"})
    answer = world.running.client.get(SHEET, params={"codes": old}, headers=dict(world.head("cur")))
    assert (answer.status_code, answer.json()["code"]) == (409, "rule_forbids")
    answer = world.running.client.get(SHEET, params={"codes": number}, headers=dict(world.head("cur")))
    assert f"{number.replace('-', '')}.2." in read(answer.content)[0]


# ------------------------------------------------------------------------------------------------------------ the page
def test_the_page_makes_the_same_sheet(world: Collection) -> None:
    """From a form that works without a script; numbers apart by spaces, commas or lines."""
    page = visits.check(world.running, "cur", f"/labels?codes={NUMBERS[CHIP]}")
    assert NUMBERS[CHIP] in page
    headers = {**HTML, "Cookie": f"shipsvc={visits.cookie(world.running, 'cur')}"}
    asked = {"codes": f"BRM0001L.1,\n {NUMBERS[CHIP]}", "size": "bag", "make": "true"}
    made = world.running.client.get("/labels", params=asked, headers=headers)
    api = {"codes": ["BRM0001L.1", NUMBERS[CHIP]], "size": "bag"}
    assert made.content == world.running.client.get(SHEET, params=api, headers=dict(world.head("cur"))).content


def test_what_is_wrong_stands_above_the_form(world: Collection) -> None:
    """Which is as it was filled in."""
    page = visits.opened(world.running, "cur", f"/labels?codes={NUMBERS[PARCEL]}&size=box&make=true", 404)
    assert 'role="alert"' in page
    assert NUMBERS[PARCEL] in page
    assert 'value="box" checked' in page
    assert "between one and" in visits.opened(world.running, "cur", "/labels?make=true", 422)
    assert 'role="alert"' not in visits.opened(world.running, "cur", "/labels")
