"""Cases on their pages: opened, talked about, contained, decided, closed and opened again, by those who may.

Sources: trade step 31 (incidents: found when and by whom, contained, decided with a reason), section 5.3 (open,
contained, decided, closed); rulings 16 for who sees one.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.databases import copied
from tests.web.chip import CHIP, NUMBERS, receive_chip, send_chip
from tests.web.collection import Collection, collection
from tests.web.forms import filled, sent
from tests.web.visits import check, opened


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip that a laboratory has."""
    path = tmp_path_factory.mktemp("pages") / "cases.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        send_chip(found)
        receive_chip(found)
        found.at("2026-03-16T09:00:00Z")
        found.running.client.follow_redirects = False
        yield found


def opened_by(world: Collection, login: str, **fields: str) -> str:
    """The page of a case that somebody opens, from the page of the thing."""
    path = f"/cases/new?item={NUMBERS[CHIP]}"
    assert path in opened(world.running, login, f"/things/{NUMBERS[CHIP]}")
    form = filled(world, login, path, **{"kind": "seal", "what": "The seal is cut", **fields})
    answer = sent(world, login, "/cases/new", form)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def act(world: Collection, login: str, path: str, status: int = 303, **fields: str) -> None:
    """Move a case on by a form."""
    assert sent(world, login, path, fields).status_code == status


def test_from_a_broken_seal_to_the_decision(world: Collection) -> None:
    """The laboratory tells, the owner finds it on the desk, decides and closes; every step stands on the page."""
    path = opened_by(world, "ana")
    desk = check(world.running, "cur", "/")
    assert "Cases that nobody has decided" in desk
    assert f'<a href="{path}">Decide it</a>' in desk
    assert f'<a href="{path}">Say what you know of it</a>' in opened(world.running, "ana", "/")

    assert "Decide it" not in check(world.running, "ana", path)
    act(world, "ana", path, act="say", what="Photographed from four sides", shared="yes", acting_for="SMP")
    act(world, "ana", path, act="contain", because="In the glovebox", hold="yes")
    act(world, "cur", path, act="decide", decision="Accepted", cause="Opened at the border", because="Seen by two")
    act(world, "cur", path, act="close", because="The border office has answered")
    page = check(world.running, "cur", path)
    for said in ("Closed", "Accepted", "Opened at the border", "Photographed from four sides"):
        assert said in page
    case = world.get("cur", f"cases/{path[7:]}")
    assert (case["state"], case["decision"], case["hold"]) == ("closed", "Accepted", False)
    act(world, "cur", path, act="reopen", because="The photographs do not fit", hold="yes")
    assert world.get("cur", f"cases/{path[7:]}")["state"] == "open"


@pytest.mark.parametrize(
    ("fields", "status"),
    [
        ({"act": "close", "because": "Done"}, 409),  # nothing is decided
        ({"act": "decide", "decision": "", "because": "So"}, 422),
        ({"act": "decide", "decision": "Accepted", "because": ""}, 422),
        ({"act": "say", "what": " ", "acting_for": "TRP"}, 422),
        ({"act": "forget"}, 422),
    ],
)
def test_what_may_not_be_is_said_on_the_page(world: Collection, fields: dict[str, str], status: int) -> None:
    """And changes nothing."""
    path = opened_by(world, "cur")
    act(world, "cur", path, status, **fields)
    assert world.get("cur", f"cases/{path[7:]}")["state"] == "open"


def test_only_the_owner_decides(world: Collection) -> None:
    """An internal case is not there for others; whoever only reads opens none."""
    path = opened_by(world, "cur", internal="yes")
    opened(world.running, "ana", path, 404)
    shared = opened_by(world, "ana")
    act(world, "ana", shared, 403, act="decide", decision="Accepted", because="We think so")
    assert "Your role reads" in opened(world.running, "aud", "/cases/new")
    assert "/cases/new?item=" not in opened(world.running, "aud", f"/things/{NUMBERS[CHIP]}")
    opened(world.running, "stranger", shared, 404)


@pytest.mark.parametrize("fields", [{"items": "BRM-0001-X"}, {"what": " "}, {"kind": "gossip"}, {"items": ""}])
def test_a_case_about_nothing_is_not_opened(world: Collection, fields: dict[str, str]) -> None:
    """Said above the form, which keeps what was written."""
    form = filled(world, "cur", "/cases/new", **{"items": NUMBERS[CHIP], "what": "A stain", "kind": "damage", **fields})
    answer = sent(world, "cur", "/cases/new", form)
    assert answer.status_code in {404, 422}
    assert 'role="alert"' in answer.text


def test_the_list_of_cases(world: Collection) -> None:
    """By how far they have come; every link leads on, also for those who have nothing to do with any."""
    path = opened_by(world, "cur")
    assert path[7:] in check(world.running, "cur", "/cases?state=open")
    assert path[7:] not in opened(world.running, "cur", "/cases?state=closed")
    assert path[7:] not in opened(world.running, "cur", "/cases?as_of=2026-03-01")
    assert "No case that is yours to see" in check(world.running, "stranger", "/cases")


def test_the_desk_puts_danger_first(world: Collection) -> None:
    """Trade question 7: in the order of danger, each row with what clears it; what is in order is said to be."""
    opened_by(world, "cur")
    page = check(world.running, "cur", "/")
    heads = re.findall(r"<h2><a [^>]*>([^<]+)</a></h2>", page)
    assert heads[0] == "Cases that nobody has decided"
    sections = page.count('<section class="need">')
    assert page.count(">What clears it</th>") == sections == len(heads)
    assert "Nothing is overdue." in page
