"""Roles with one step of the way see that step: at the top of each page, as the first page, and as what a scan offers.

Source: trade.md 1.2 (what each role does and needs on the screen). That a page leaves out what a role does not need is
no rule of access: that is in ``app.access``, and tested there.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.databases import copied
from tests.web.chip import NUMBERS, PARCEL, VIAL, send_chip
from tests.web.collection import Collection, collection
from tests.web.visits import HTML, cookie, opened

STEPS = {
    "driver": ["Scan", "Shipments"],
    "mail_room": ["Scan", "Arriving"],
    "preparator": ["Scan", "Things"],
    "registrar": ["Desk", "Loans", "Shipments", "Cases", "Things"],
    "curator": ["Desk", "Scan", "Arriving", "Loans", "Shipments", "Cases", "Holdings", "Things"],
}


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Iterator[Collection]:
    """One person of TRP for each role, and a courier's driver."""
    path = tmp_path_factory.mktemp("roles") / "roles.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        send_chip(found)
        for role in STEPS:
            if role not in found.running.people:
                found.running.add(role, ("TRP", role))
        found.running.client.follow_redirects = False
        yield found


@pytest.mark.parametrize("role", STEPS)
def test_the_pages_at_the_top_are_those_of_the_role(world: Collection, role: str) -> None:
    """In the order of all others."""
    page = opened(world.running, role, "/scan")
    top = page[page.index("<nav") : page.index("</nav>")]
    assert re.findall(r">([A-Z][a-z]+)</a>", top) == STEPS[role]


@pytest.mark.parametrize("role", STEPS)
def test_whose_step_is_not_at_a_desk_begins_at_the_door(world: Collection, role: str) -> None:
    """The first page after signing in."""
    headers = {**HTML, "Cookie": f"shipsvc={cookie(world.running, role)}"}
    answer = world.running.client.get("/", headers=headers)
    if "Desk" in STEPS[role]:
        assert answer.status_code == 200
    else:
        assert (answer.status_code, answer.headers["location"]) == (303, "/scan")


def offered(page: str) -> set[str]:
    """The kinds of facts that a scan offers."""
    return set(re.findall(r'data-tell="([a-z_]+)"', page)) | set(re.findall(r"&amp;kind=([a-z_]+)", page))


def test_what_a_scan_offers_is_of_their_step(world: Collection) -> None:
    """A preparator hands nothing over; a registrar notes what they see; a driver neither packs nor opens a vial."""
    code = f"/scan?code={NUMBERS[VIAL]}"
    prepared = offered(opened(world.running, "preparator", code))
    assert {"taken_out", "stored", "opened"} <= prepared
    assert not prepared & {"released", "accepted", "sealed"}
    assert offered(opened(world.running, "registrar", code)) == {"seen", "condition_noted", "not_seen", "found"}
    driven = offered(opened(world.running, "driver", f"/scan?code={NUMBERS[PARCEL]}"))
    assert "released" in driven
    assert not driven & {"packed", "stored", "unpacked"}
