"""Two sides at the door: a link signs once, for what was handed over, for minutes; and pictures from a phone are kept.

Sources: rulings 14 (own words), trade.md step 19 (names and signatures of both sides); OWASP Forgot Password Cheat
Sheet for links (random, single use, soon over, kept as a hash). Twenty minutes are common practice, no source.
"""

import base64
import io
import re
from collections.abc import Iterator
from typing import Any

import pytest
from httpx2 import Response
from PIL import Image

from tests.web import visits
from tests.web.chip import NUMBERS, PARCEL, send_chip
from tests.web.collection import Collection, collection
from tests.web.visits import HTML

OWN = {"Sec-Fetch-Site": "same-origin", **HTML}


@pytest.fixture
def world(sqlite_database_url: str) -> Iterator[Collection]:
    """A parcel that the courier hands to the laboratory at this moment."""
    with collection(sqlite_database_url) as found:
        send_chip(found)
        found.running.client.follow_redirects = False
        yield found


def cookie(world: Collection, login: str) -> dict[str, str]:
    """What a browser of ours sends."""
    return {**OWN, "Cookie": f"shipsvc={visits.cookie(world.running, login)}"}


def hand_over(world: Collection, who: str = "driver", for_: str = "CRK", to: str = "SMP") -> str:
    """The release; its id."""
    return str(world.tell(who, for_, "released", PARCEL, "2026-03-14T09:00:00Z", to=to)["id"])


def offered(world: Collection, release: str, who: str = "driver") -> Response:
    """What the giver's device shows."""
    return world.running.client.post("/handover", data={"release": release}, headers=cookie(world, who))


def link(world: Collection, release: str) -> str:
    """The path of the link."""
    page = offered(world, release).text
    return str(re.findall(r'href="http[^"]*(/sign/[A-Za-z0-9_-]+)"', page)[0])


def drawing(kind: str = "PNG") -> str:
    """A picture as the script sends it."""
    out = io.BytesIO()
    Image.new("RGB", (60, 24), "white").save(out, kind)
    return "data:image/png;base64," + base64.b64encode(out.getvalue()).decode()


def signed(world: Collection, path: str, **said: str) -> Response:
    """Open the link as anybody and sign."""
    client = world.running.client
    form = client.get(path, headers=HTML).text
    made = re.findall(r'name="id" value="([^"]+)"', form)
    return client.post(path, data={"id": made[0] if made else "", "name": "Ana Lyst", "drawn": "", **said}, headers=OWN)


def held(world: Collection) -> tuple[Any, Any]:
    """Who has the parcel for certain, and how the handover stands."""
    custody = world.get("cur", f"items/{NUMBERS[PARCEL]}")["custody"]
    return custody["certain"], custody["handover"]


@pytest.mark.parametrize("drawn", ["", drawing()], ids=["name", "drawn"])
def test_whoever_takes_it_signs_without_an_account(world: Collection, drawn: str) -> None:
    """Numbers, both sides and the time are shown, and not what is in it; then it is theirs, and marked."""
    path = link(world, hand_over(world))
    form = world.running.client.get(path, headers=HTML).text
    assert all(said in form for said in (NUMBERS[PARCEL], "CRK", "SMP"))
    assert "chip" not in form
    assert "BRM" not in form

    answer = signed(world, path, drawn=drawn)

    assert (answer.status_code, "Ana Lyst" in answer.text) == (200, True)
    assert held(world) == ("SMP", "agreed")
    (row,) = world.get("cur", "reports/one-device")["items"]
    assert {name: row[name] for name in ("acting_for", "party", "how", "counts")} == {
        "acting_for": "CRK",
        "party": "SMP",
        "how": "link",
        "counts": True,
    }
    assert row["about"] == [NUMBERS[PARCEL]]
    fact = world.get("driver", f"events/{row['event_id']}")
    assert fact["note"]["text"] == "Signed by Ana Lyst"
    assert bool(fact["body"].get("files_sha256")) is bool(drawn)
    assert "signed on the device of CRK" in visits.opened(world.running, "cur", f"/things/{NUMBERS[PARCEL]}")


def test_the_side_that_signed_can_see_that_it_did(world: Collection) -> None:
    """What is said in one's name is one's own to look at; a third party sees nothing of it."""
    signed(world, link(world, hand_over(world)))
    assert len(world.get("ana", "reports/one-device")["items"]) == 1
    assert world.get("stranger", "reports/one-device")["items"] == []
    assert "Handovers of which one device told both sides" in visits.opened(world.running, "aud", "/audit")


def test_a_link_is_good_once(world: Collection) -> None:
    """The second time it is as if it had never been; so is one that was made up."""
    path = link(world, hand_over(world))
    signed(world, path)
    for gone in (path, "/sign/shl_" + "A" * 43):
        page = world.running.client.get(gone, headers=HTML)
        assert (page.status_code, "was used, or is over" in page.text) == (404, True)
    assert signed(world, path, id="00000000-0000-7000-8000-000000000001").status_code == 404
    assert len(world.get("cur", "reports/one-device")["items"]) == 1


def test_a_link_is_over_after_twenty_minutes(world: Collection) -> None:
    """And cannot be made at all an hour after the release."""
    release = hand_over(world)
    path = link(world, release)
    world.running.clock.forward(minutes=20)
    assert signed(world, path, id="00000000-0000-7000-8000-000000000001").status_code == 404
    world.running.clock.forward(minutes=40)
    late = offered(world, release)
    assert (late.status_code, "more than an hour ago" in late.text) == (409, True)
    assert held(world)[0] != "SMP"


def test_nobody_has_another_house_sign_for_it(world: Collection) -> None:
    """A link is for whoever handed it over: the owner, who reads the fact, makes none; a stranger does not see it."""
    release = hand_over(world)
    assert offered(world, release, "cur").status_code == 409
    assert offered(world, release, "stranger").status_code == 404
    other = world.tell("driver", "CRK", "seen", PARCEL, "2026-03-14T09:01:00Z")["id"]
    assert offered(world, other).status_code == 404


def test_a_link_goes_with_the_release(world: Collection) -> None:
    """Once the release is taken back there is nothing to sign for."""
    release = hand_over(world)
    path = link(world, release)
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T09:00:00Z", amends=release, withdraw=True)
    assert world.running.client.get(path, headers=HTML).status_code == 404


@pytest.mark.parametrize(("name", "drawn"), [("  ", ""), ("Ana", "data:,x"), ("Ana", drawing("JPEG"))])
def test_what_is_no_signature_spends_nothing(world: Collection, name: str, drawn: str) -> None:
    """Without a name, or with something else than a drawing, it is refused, and the link stays good."""
    path = link(world, hand_over(world))
    assert signed(world, path, name=name, drawn=drawn).status_code in {415, 422}
    assert world.running.client.get(path, headers=HTML).status_code == 200
    assert held(world)[0] != "SMP"


def test_another_page_cannot_sign(world: Collection) -> None:
    """The form counts from our own page only (OWASP CSRF)."""
    path = link(world, hand_over(world))
    foreign = {**HTML, "Sec-Fetch-Site": "cross-site"}
    said = {"id": "00000000-0000-7000-8000-000000000001", "name": "x"}
    assert world.running.client.post(path, data=said, headers=foreign).status_code == 403


# ------------------------------------------------------------------------------------------------------------ pictures
def sent(world: Collection, login: str, person: str, for_: str) -> Response:
    """A picture from a phone."""
    out = io.BytesIO()
    Image.new("RGB", (8, 8), "red").save(out, "JPEG")
    upload: Any = {"data": {"acting_for": for_}, "files": {"file": ("photo.jpg", out.getvalue())}}
    path = f"/scan/files?person={world.running.people[person]}"
    return world.running.client.post(path, headers={**cookie(world, login), "Accept": "application/json"}, **upload)


def test_a_picture_is_kept_by_its_hash(world: Collection) -> None:
    """As POST /v1/files does, for whoever is known by the cookie; again is harmless."""
    first = sent(world, "driver", "driver", "CRK")
    assert first.status_code == 201, first.text
    assert sent(world, "driver", "driver", "CRK").status_code == 200
    head = dict(world.head("driver"))
    kept = world.running.client.get(f"/v1/files/{first.json()['sha256']}", headers=head)
    assert kept.headers["content-type"] == "image/jpeg"


def test_a_picture_goes_out_in_the_name_of_who_took_it(world: Collection) -> None:
    """Not in another's who happens to be signed in, nor for an institution that is not theirs."""
    assert sent(world, "clerk", "driver", "TRP").json()["code"] == "noted_by_another"
    assert sent(world, "driver", "driver", "TRP").status_code == 403
