"""Numbers held ready on a device for the pieces of splits, over HTTP: whose, once each, and what is told with them.

Sources: rulings 24 (a number is never given out twice), 17 (who tells); trade.md 1.2 (who gives out numbers). How many
are held is common practice, no source.
"""

import uuid
from collections.abc import Iterator
from typing import Any

import pytest
from httpx2 import Response

from tests.databases import copied
from tests.web.chip import CHIP, NUMBERS, send_chip
from tests.web.collection import Collection, collection, typed
from tests.web.test_pages_scan import opened
from tests.web.visits import cookie

KEPT = "BRM-0002"


@pytest.fixture
def world(sqlite_template: Any, tmp_path: Any) -> Iterator[Collection]:
    """A chip on its way to a laboratory, and one that its collection has."""
    with collection(copied(sqlite_template, tmp_path / "world.sqlite3")) as found:
        send_chip(found)
        found.issue(kind="sample", form="material", what="rim chip", prefix="BRM")
        found.tell("cur", "TRP", "weighed", KEPT, "2026-03-10T12:10:00Z", mass="500.0 mg", balance="B1")
        yield found


def asked(
    world: Collection, login: str, block: str, *, prefix: str = "BRM", person: str = "", **headers: str
) -> Response:
    """What the script of the page asks for."""
    body = {"person": person or world.running.people[login], "id": block, "prefix": prefix}
    sent = {"Sec-Fetch-Site": "same-origin", "Cookie": f"shipsvc={cookie(world.running, login)}", **headers}
    return world.running.client.post("/scan/numbers", json=body, headers=sent)


def test_a_device_that_asks_twice_holds_the_same_numbers(world: Collection) -> None:
    """An answer that was lost is given again; another device gets others, and so does whoever registers at the desk."""
    mine, other = str(uuid.uuid4()), str(uuid.uuid4())
    first = asked(world, "cur", mine).json()["numbers"]
    assert first == [typed(f"BRM-{serial:04d}") for serial in range(3, 3 + len(first))]
    assert asked(world, "cur", mine).json()["numbers"] == first
    second = asked(world, "clerk", other).json()["numbers"]
    assert len(set(first) | set(second)) == len(first) + len(second)
    issued = world.issue(kind="sample", form="material", what="third", prefix="BRM")["items"][0]["number"]
    assert issued not in {*first, *second}
    blocks = world.get("cur", "number-blocks", prefix="BRM")["items"]
    assert [(one["institution"], one["first"]) for one in blocks] == [("TRP", first[0]), ("TRP", second[0])]


def test_the_desk_does_not_offer_what_a_device_holds(world: Collection) -> None:
    """Else the same number would be written on two pieces."""
    held = asked(world, "cur", str(uuid.uuid4())).json()["numbers"]
    page = opened(world, "cur", f"/things/{typed(KEPT)}/split")
    assert not [number for number in held if number in page]


def test_who_gives_out_no_numbers_holds_none(world: Collection) -> None:
    """A driver, a borrower, for packaging, for somebody else, with the block of another, from a foreign page."""
    block = str(uuid.uuid4())
    assert asked(world, "driver", block).status_code == 404
    assert asked(world, "ana", block).status_code == 404
    assert asked(world, "cur", block, prefix="V").status_code == 404
    assert asked(world, "cur", block, person=world.running.people["ana"]).json()["code"] == "noted_by_another"
    assert asked(world, "cur", block, **{"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert asked(world, "cur", block).status_code == 200
    assert asked(world, "clerk", block).status_code == 409
    assert len(world.get("cur", "number-blocks", prefix="BRM")["items"]) == 1


def test_split_is_offered_where_role_and_state_allow(world: Collection) -> None:
    """For a sample that its collection has; not for one that is with a courier, not to a borrower, not in the name of
    a vial, not for one that has ended."""
    assert f'name="sample" required maxlength="300" value="{typed(KEPT)}"' in opened(
        world, "cur", f"/scan?code={typed(KEPT)}"
    )
    assert 'id="split"' not in opened(world, "cur", f"/scan?code={NUMBERS[CHIP]}")
    assert 'id="split"' not in opened(world, "ana", f"/scan?code={typed(KEPT)}")
    assert 'id="split"' not in opened(world, "cur", f"/scan?code={typed('V-0001')}")
    assert "&#34;BRM&#34;: &#34;TRP&#34;" in opened(world, "cur", "/scan")
    assert 'data-splits="{}"' in opened(world, "ana", "/scan")
    world.tell("cur", "TRP", "used", KEPT, "2026-03-10T13:00:00Z", mass="500.0 mg", all=True)
    assert 'id="split"' not in opened(world, "cur", f"/scan?code={typed(KEPT)}")
