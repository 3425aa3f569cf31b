"""One fact on its page: amended, taken back, confirmed by a second person; labels printed anew and voided.

Sources: rulings 2 (a second person, never the same, never the custodian) and 3 (amendments); trade.md 1.2 (witness: a
short, separate confirmation under their own sign-in), trade cases 20 and 88.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from shipsvc.domain import codes
from tests.databases import copied
from tests.web.collection import Collection, collection
from tests.web.forms import filled, sent
from tests.web.visits import check, opened


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A collection."""
    path = tmp_path_factory.mktemp("pages") / "facts.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        found.running.client.follow_redirects = False
        yield found


@pytest.fixture
def number(world: Collection) -> str:
    """A chip of 512.3 mg with a label."""
    at = "2026-03-10T12:00:00Z"
    about = {"kind": "sample", "form": "material", "what": "chip", "prefix": "BRM", "happened_at": at}
    found = str(world.issue(print_labels=True, **about)["items"][0]["number"])
    world.tell("cur", "TRP", "weighed", codes.parse(found), at, mass="512.3 mg", balance="B1")
    return found


def told(world: Collection, number: str, kind: str = "weighed") -> str:
    """The page of the newest fact of a kind about a thing, by the link on the page of the thing."""
    facts = world.get("cur", f"items/{number}/history", limit="200")["items"]
    fact = next(one for one in reversed(facts) if one["kind"] == kind)
    path = f"/facts/{fact['event_id']}"
    assert f'<a href="{path}">' in opened(world.running, "cur", f"/things/{number}")
    return path


def test_a_fact_on_its_page(world: Collection, number: str) -> None:
    """What was told, both times, for whom; for others it is not there."""
    path = told(world, number)
    page = check(world.running, "cur", path)
    for said in ("512.3 mg", "B1", "TRP", "2026-03-10T12:00:00Z"):
        assert said in page
    assert "Put it right" not in opened(world.running, "aud", path)
    opened(world.running, "stranger", path, 404)


def test_a_small_slip_is_put_right(world: Collection, number: str) -> None:
    """A reason and another last digit: the old words stay, the new ones hold."""
    path = told(world, number)
    form = filled(world, "cur", path, f"{path}/amend", because="Misread the last digit", **{"member mass": "512.4 mg"})
    assert sent(world, "cur", f"{path}/amend", {**form, "act": "amend"}).status_code == 303
    shown = world.get("cur", f"events/{path[7:]}")
    assert (shown["body"]["mass"], shown["in_force"]["body"]["mass"]) == ("512.3 mg", "512.4 mg")
    assert shown["in_force"]["time"] == shown["time"]
    page = check(world.running, "cur", path)
    assert "Misread the last digit" in page
    assert "waits for a second person" not in page.replace("by more than 3 u, waits for a second person", "")
    assert world.get("cur", f"items/{number}")["book"]["mass_mg"] == "512.4"


@pytest.mark.parametrize(("because", "status"), [("", 422), ("ok now", 303)])
def test_undone_with_a_reason_or_not_at_all(world: Collection, number: str, because: str, status: int) -> None:
    """Taken back: nothing holds in its place."""
    path = told(world, number)
    form = filled(world, "cur", path, f"{path}/amend", because=because, act="withdraw")
    assert sent(world, "cur", f"{path}/amend", form).status_code == status
    assert (world.get("cur", f"events/{path[7:]}")["in_force"] is None) == (status == 303)
    if status == 303:
        assert "Nothing holds in its place" in check(world.running, "cur", path)


def test_nobody_overlooks_what_another_amended(world: Collection, number: str) -> None:
    """Two forms of the same page: the second one is told."""
    path = told(world, number)
    first, second = (
        filled(world, "cur", path, f"{path}/amend", because="Misread", act="amend", **{"member mass": mass})
        for mass in ("512.4 mg", "512.2 mg")
    )
    assert sent(world, "cur", f"{path}/amend", first).status_code == 303
    answer = sent(world, "cur", f"{path}/amend", {**second, "id": second["id"][:-4] + "0001"})
    assert answer.status_code == 409
    assert "Misread" in answer.text


def test_a_second_person_confirms_from_the_desk(world: Collection, number: str) -> None:
    """A mass moved far waits; its teller is told that it takes somebody else, who finds it on the desk."""
    path = told(world, number)
    form = filled(world, "cur", path, f"{path}/amend", because="Grams", act="amend", **{"member mass": "498.0 mg"})
    assert sent(world, "cur", f"{path}/amend", form).status_code == 303
    assert "You told it, so somebody else has to confirm it" in opened(world.running, "cur", path)
    version = world.get("cur", f"events/{path[7:]}")["amendments"][0]["id"]
    assert f'href="/facts/{version}"' in opened(world.running, "clerk", "/")
    confirming = filled(world, "clerk", f"/facts/{version}", f"{path}/confirm")
    assert sent(world, "clerk", f"{path}/confirm", confirming).status_code == 303
    assert "waits for a second person</h2>" not in opened(world.running, "clerk", path)
    assert all(row["event_id"] != version for row in world.get("cur", "reports/unconfirmed")["items"])
    again = sent(world, "clerk", f"{path}/confirm", confirming)
    assert (again.status_code, "nothing of it waits any more" in again.text) == (409, True)


def test_a_label_is_printed_anew_with_a_reason(world: Collection, number: str) -> None:
    """The new one takes the place of the old (trade case 20), and its sheet comes next."""
    path = f"/things/{number}/labels/new"
    assert "is the live one" in check(world.running, "cur", path)
    form = filled(world, "cur", path)
    assert sent(world, "cur", path, form).status_code == 409
    answer = sent(world, "cur", path, {**form, "because": "Torn in the freezer"})
    code = codes.print_code(codes.parse(number), 2)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/labels?codes={code}")
    assert [one["state"] for one in world.get("cur", f"items/{number}/labels")["items"]] == ["replaced", "live"]
    assert code in check(world.running, "cur", answer.headers["location"])


def test_a_label_in_use_ends_with_a_second_person(world: Collection, number: str) -> None:
    """It waits, as the page of the thing says; then somebody else confirms it."""
    vial = world.issue()["items"][0]["number"]
    world.tell(
        "cur", "TRP", "label_attached", codes.print_code(codes.parse(number), 1), "2026-03-10T13:00:00Z", to=vial
    )
    path = f"/things/{number}/labels/1/void"
    assert sent(world, "cur", path, filled(world, "cur", path)).status_code == 422
    answer = sent(world, "cur", path, filled(world, "cur", path, because="On the wrong vial"))
    assert answer.status_code == 303
    waits = answer.headers["location"]
    assert "A label that is in use is to be void" in check(world.running, "cur", waits)
    page = check(world.running, "clerk", f"/things/{number}")
    assert "is to be void once a second person confirms it" in page
    assert re.search(rf'href="{waits}"', page)
    assert (
        sent(world, "clerk", f"{waits}/confirm", filled(world, "clerk", waits, f"{waits}/confirm")).status_code == 303
    )
    (label,) = world.get("cur", f"items/{number}/labels")["items"]
    assert (label["state"], label["unconfirmed"]) == ("void", False)


def test_a_label_that_is_nowhere_ends_at_once(world: Collection, number: str) -> None:
    """No second person is needed, and it cannot be voided twice."""
    path = f"/things/{number}/labels/1/void"
    form = filled(world, "cur", path, because="Smudged in the printer")
    assert sent(world, "cur", path, form).headers["location"] == f"/things/{number}"
    assert sent(world, "cur", path, form).status_code == 409
    opened(world.running, "cur", f"/things/{number}/labels/7/void", 404)


def test_who_decides_about_labels(world: Collection, number: str) -> None:
    """The owner's issuers and the holder; the page of the thing leads nobody else there."""
    path = f"/things/{number}/labels/new"
    assert path not in opened(world.running, "aud", f"/things/{number}")
    assert "decide about its labels" in opened(world.running, "aud", path)
    assert sent(world, "aud", path, {"because": "I would like one"}).status_code == 403
