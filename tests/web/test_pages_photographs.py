"""Photographs on the page of a thing: for whoever may see them, as copies that tell no place.

Sources: Exif 2.3 (GPS attributes), read back by Pillow; rulings 16 (others' papers are not shown); trade.md case 106.
"""

import io
from typing import Any

import pytest
from PIL import Image

from tests.pictures import picture
from tests.web.door import Door
from tests.web.evidence import kept, lent
from tests.web.test_files_erased import erase
from tests.web.visits import cookie, opened


def shown(door: Door, sha256: str, who: str, status: int = 200) -> Any:
    """Ask for a photograph as the page of a thing does."""
    headers = {"Cookie": f"shipsvc={cookie(door.service, who)}"}
    answer = door.service.client.get(f"/photographs/{sha256}", headers=headers)
    assert answer.status_code == status, answer.text
    return answer


@pytest.fixture
def told(door: Door) -> tuple[str, str, str]:
    """A lent sample, a photograph of it that its holder told, and a paper in the same fact."""
    number, photograph, paper = lent(door), kept(door, picture("JPEG")), kept(door, b"a note")
    fact = door.fact("photographed", number, "2026-03-06T09:00:00Z", acting_for="TSI", files_sha256=[photograph, paper])
    door.tell(fact, "analyst")
    return number, photograph, paper


def test_the_page_shows_the_photographs_that_were_told(door: Door, told: tuple[str, str, str]) -> None:
    """The owner sees the picture of the holder, and the holder its own; the paper is no picture."""
    number, photograph, paper = told
    for who in ("clerk", "analyst"):
        page = opened(door.service, who, f"/things/{number}")
        assert f'src="/photographs/{photograph}"' in page
        assert f"/photographs/{paper}" not in page
        shown(door, paper, who, 404)


def test_what_is_shown_tells_no_place_to_anybody(door: Door, told: tuple[str, str, str]) -> None:
    """Not even to those who sent it: what a browser shows, it may keep. What it is cannot be run either."""
    for who in ("clerk", "analyst"):
        answer = shown(door, told[1], who)
        assert answer.headers["content-type"] == "image/jpeg"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["content-security-policy"] == "sandbox; default-src 'none'"
        with Image.open(io.BytesIO(answer.content)) as image:
            assert image.size == (40, 24)
            assert not image.getexif()


def test_a_photograph_that_was_erased_is_not_on_the_page(door: Door) -> None:
    """What is left of it is the word that there was one."""
    number, photograph = lent(door), kept(door, picture("PNG"), "clerk", "TRP")
    door.tell(door.fact("photographed", number, "2026-03-06T09:00:00Z", files_sha256=[photograph]))
    assert photograph in opened(door.service, "curator", f"/things/{number}")

    erase(door, photograph)
    assert f"/photographs/{photograph}" not in opened(door.service, "curator", f"/things/{number}")
    shown(door, photograph, "curator", 404)


def test_a_strangers_photograph_is_as_unknown_as_none(door: Door, told: tuple[str, str, str]) -> None:
    """Who has nothing to do with the sample gets the answer that they would get for any hash."""
    shown(door, told[1], "driver", 404)
