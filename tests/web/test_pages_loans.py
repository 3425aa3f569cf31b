"""The pages of loans and shipments: they say what the API says, to those whom the API tells it."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from shipsvc.app import access
from shipsvc.domain import codes
from shipsvc.web.pages.rendering import mg
from tests.web.documents import new_id
from tests.web.furnished import furnish
from tests.web.service import Running, running
from tests.web.visits import check, opened

CHIP, BOX, LENT = "BRM-0010-J", "P-01-K", "BRM-0011-H"
PEOPLE = {"rec": ("TSI", "receiver"), "drv": ("CRK", "driver"), "nob": ("MRL", "analyst")}


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A chip that is lent as L-08 and under way as T-01, sealed, and people of both sides, the courier and nobody."""
    from tests.databases import copied

    path = tmp_path_factory.mktemp("pages") / "loans.sqlite3"
    with running(copied(sqlite_template, path)) as found:
        furnish(found)
        found.institution("MRL")
        for login, role in PEOPLE.items():
            found.add(login, role)
        lend(found)
        found.client.follow_redirects = False
        yield found


def lend(world: Running) -> None:
    """A second loan, L-09: 512.46 mg sent, received, and some of it used."""
    head = world.token("every")
    loan = {"lender": "TRP", "borrower": "TSI", "responsible": "p08", "purpose": "later", "due_on": "2027-05-20"}
    world.post("/v1/loans", {"code": "L-09", "lines": [LENT], "because": "Signed", **loan}, head)
    told = (
        ("released", "TRP", {"to": "TSI"}),
        ("accepted", "TSI", {"from": "TRP"}),
        ("used", "TSI", {"mass": "12.46 mg"}),
    )
    for kind, acting_for, body in told:
        world.clock.forward(minutes=1)
        fact = {"kind": kind, "subjects": [LENT], "acting_for": acting_for, "body": body}
        world.post("/v1/events", {"fact": {**fact, "id": new_id(), "time": {"raw": world.clock.at.isoformat()}}}, head)


def texts(page: str) -> list[str]:
    """The words of a page, tag by tag."""
    return [words.strip() for words in re.split(r"<[^>]+>", page) if words.strip()]


@pytest.mark.parametrize("login", ["every", "rec"])
def test_a_loan_line_by_line(world: Running, login: str) -> None:
    """Trade question 10, for both of its sides: who owes what until when, what was sent and what came back."""
    page = check(world, login, "/loans/L-09")
    told = world.client.get("/v1/loans/L-09", headers=world.token(login)).json()
    words = texts(page)
    for said in (LENT, "TSI", told["state"].replace("_", " "), told["zone"], mg("512.46"), mg("12.46")):
        assert said in words
    assert f'<time datetime="{told["due_on"]}">' in page
    assert '<th scope="col" class="figure">Sent</th>' in page
    assert "Written off" not in page  # nothing was


def test_the_list_of_loans(world: Running) -> None:
    """Each with its state, due date and how late; open and closed apart; nobody else's."""
    page = check(world, "every", "/loans")
    assert '<a class="number" href="/loans/L-08">L-08</a>' in page
    assert "L-08" in opened(world, "rec", "/loans?closed=false")
    assert "L-08" not in opened(world, "rec", "/loans?closed=true")
    assert "No loan that is yours to see" in opened(world, "nob", "/loans")


def test_a_shipment_with_what_is_in_it(world: Running) -> None:
    """Trade questions 18 and 19: the nest as packed, how far each thing has come, who told what, the last word."""
    page = check(world, "rec", "/shipments/T-01")
    words = texts(page)
    assert page.index(f">{BOX}</a>") < page.index(">V-0001-5</a>") < page.index(f">{CHIP}</a>")
    assert {"moving", "released", "L-08", mg("1204.3")} <= {word.removeprefix("chip · ") for word in words}
    assert page.count('class="told"') == 1
    assert "Late." in page
    assert "Late." not in opened(world, "rec", "/shipments/T-01?as_of=2026-03-11T00:00:00Z")


def test_a_carrier_reads_of_the_parcel_alone(world: Running) -> None:
    """Rulings 16: neither what is in it, nor what for."""
    page = check(world, "drv", "/shipments/T-01")
    assert BOX in page
    assert CHIP not in page
    assert "L-08" not in page
    check(world, "drv", "/shipments")


def test_what_is_coming(world: Running) -> None:
    """Trade question 21: what, when, what is in it, and what to do at the door; for people of the institution."""
    page = check(world, "rec", "/arriving")
    assert "What is coming to TSI" in page
    assert page.index("every seal before you open anything") < page.index("/shipments/T-01") < page.index(CHIP)
    assert "is on its way here" in check(world, "nob", "/arriving")
    assert "do not act for TSI" in opened(world, "nob", "/arriving?institution=TSI", 403)


@pytest.mark.parametrize("path", ["/loans/L-08", "/shipments/T-01"])
def test_what_is_others_is_not_there(world: Running, path: str) -> None:
    """The same page as for a code that nobody used (rulings 16)."""
    unknown = path[:-2] + "77"
    hidden = opened(world, "nob", path, 404)
    assert hidden.replace(path.split("/")[2], "X") == opened(world, "nob", unknown, 404).replace(
        unknown.split("/")[2], "X"
    )


def test_lists_go_on_after_a_page(world: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """One row a page here; the link leads to the rest, and a cursor of another list is refused."""
    from shipsvc.web.pages import loans, shipments

    box = {"consignor": "TRP", "addressee": "TSI", "carrier": "CRK", "contents": ["P-002-3"]}
    world.post("/v1/shipments", {"code": "T-02", **box}, world.token("every"))
    monkeypatch.setattr(loans, "ROWS", 1)
    monkeypatch.setattr(shipments, "ROWS", 1)
    monkeypatch.setattr(shipments, "COMING", 1)
    for path, first, second in (
        ("/loans", "L-08", "L-09"),
        ("/shipments", "T-01", "T-02"),
        ("/arriving", "T-01", "T-02"),
    ):
        page = opened(world, "rec", path)
        assert (f">{first}<" in page, f">{second}<" in page) == (True, False)
        found = re.search(r'rel="next" href="([^"]+)"', page)
        assert found
        assert f">{second}<" in opened(world, "rec", path + found[1].replace("&amp;", "&"))
    assert "cursor" in opened(world, "rec", "/loans?cursor=WyJ0aGluZ3MiLCJBIl0", 422)


def test_what_is_not_theirs_to_open_is_no_link(world: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """A thing in a parcel is named to whoever receives it; where its page were not there for them, no link leads to
    it."""
    assert '<a class="number" href="/things/V-0001-5">' in check(world, "rec", "/arriving")
    monkeypatch.setattr(access, "sees", lambda _, item: item != codes.parse("V-0001-5"))
    for path in ("/arriving", "/shipments/T-01"):
        page = check(world, "rec", path)
        assert '<span class="number">V-0001-5</span>' in page
        assert '<a class="number" href="/things/P-01-K">' in page
    assert opened(world, "rec", "/things/V-0001-5", 404)
