"""What loggers read, as pages: drawn with limits, excursions and gaps, true to the API; and on the page of a shipment.

Sources: the readings are made here, and what lies beyond a limit is counted by hand; rulings 22 (crossings are linear
between neighbours, limits are strict); W3C SVG 1.1 for the drawing, read back by Python's own parser.
"""

import re
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest

from shipsvc.web.deps import transaction
from tests import sensed
from tests.databases import copied
from tests.trips import COLD
from tests.web.chip import CHIP, JAR, NUMBERS, PARCEL, VIAL
from tests.web.collection import Collection, collection
from tests.web.visits import check, opened

#: Every ten minutes; warm from 12:00 to 14:00 on the 12th; nothing for six hours on the 13th.
READ = [
    ("2026-03-11T08:50:00Z", "2026-03-12T11:50:00Z", -20.0),
    ("2026-03-12T12:00:00Z", "2026-03-12T12:00:00Z", -15.0),
    ("2026-03-12T12:10:00Z", "2026-03-12T13:50:00Z", 5.0),
    ("2026-03-12T14:00:00Z", "2026-03-12T14:00:00Z", -15.0),
    ("2026-03-12T14:10:00Z", "2026-03-13T06:00:00Z", -20.0),
    ("2026-03-13T12:00:00Z", "2026-03-14T00:00:00Z", -20.0),
]


@pytest.fixture(scope="module")
def world(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Collection]:
    """A chip under profile C, sent as T-9 with a logger in its jar."""
    path = tmp_path_factory.mktemp("pages") / "sources.sqlite3"
    with collection(copied(sqlite_template, path)) as found:
        with transaction(found.running.service, writes=True) as connection:
            sensed.describe(connection, "C", COLD, "temperature", lifetime_budget_s=14_400)
            sensed.place(connection, "TRP-GB1", "C")
            sensed.source(connection, "LG-1", 10, "temperature")
        send(found)
        with transaction(found.running.service, writes=True) as connection:
            sensed.send(connection, "LG-1", "temperature", READ, 10, "2026-03-14T00:20:00Z")
        found.at("2026-03-14T01:00:00Z")
        found.running.client.follow_redirects = False
        yield found


def send(world: Collection) -> None:
    """The chip in its vial, jar and parcel goes out as T-9, with a logger in the jar, and is received."""
    at = "2026-03-10T12:00:00Z"
    world.issue(kind="sample", form="material", what="interior chip", prefix="BRM", happened_at=at)
    for prefix, form, kind in (("V", "vial", "container"), ("J", "jar", "container"), ("P", "overpack", "parcel")):
        world.issue(prefix=prefix, form=form, kind=kind, happened_at=at)
    route = {"addressee": "SMP", "carrier": "CRK", "expected_by": None}
    world.post("clerk", "shipments", {"code": "T-9", "consignor": "TRP", **route, "contents": [NUMBERS[PARCEL]]})
    world.tell("cur", "TRP", "packed", CHIP, "2026-03-10T12:15:00Z", into=NUMBERS[VIAL], material=True)
    world.tell("cur", "TRP", "stored", VIAL, "2026-03-10T12:20:00Z", place="TRP-GB1")
    world.tell("cur", "TRP", "packed", VIAL, "2026-03-11T08:40:00Z", into=NUMBERS[JAR])
    world.tell("cur", "TRP", "logger_placed", JAR, "2026-03-11T08:40:00Z", logger="LG-1")
    world.tell("cur", "TRP", "packed", JAR, "2026-03-11T08:45:00Z", into=NUMBERS[PARCEL])
    world.tell("clerk", "TRP", "released", PARCEL, "2026-03-11T10:05:00Z", to="CRK", shipment="T-9")
    world.tell("driver", "CRK", "accepted", PARCEL, "2026-03-11T10:06:00Z", from_="TRP", shipment="T-9")
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T00:09:00Z", to="SMP", shipment="T-9")
    world.tell("ana", "SMP", "accepted", PARCEL, "2026-03-14T00:10:00Z", from_="CRK", shipment="T-9")


def drawing(page: str) -> ElementTree.Element:
    """The one drawing of a page."""
    (found,) = re.findall(r"<svg .*?</svg>", page, re.DOTALL)
    return ElementTree.fromstring(found)


def looks(found: ElementTree.Element, name: str) -> list[dict[str, str]]:
    """The attributes of what is drawn under a class."""
    return [one.attrib for one in found.iter() if name in one.get("class", "").split()]


def test_a_series_with_its_limits(world: Collection) -> None:
    """Two hours beyond -15 degrees, six without a reading: each in its table and shaded as long as it was."""
    page = check(world.running, "cur", "/sources/LG-1?profile=C")
    told = world.get("cur", "reports/excursions", source="LG-1", profile="C")["items"]
    assert [one["length_s"] for one in told] == [7200]
    for said in ("Beyond a limit", "2 h", "Without readings", "6 h", "Not above −15 °C."):
        assert said in page
    found = drawing(page)
    (beyond,), (gap,) = looks(found, "beyond"), looks(found, "gap")
    assert float(gap["width"]) / float(beyond["width"]) == pytest.approx(3, rel=0.05)
    (limit,) = looks(found, "limit")
    (curve,) = looks(found, "curve")
    heights = [float(point.split(",")[1]) for point in curve["points"].split()]
    assert min(heights) < float(limit["d"].split()[1].split("H")[0]) < max(heights)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("?profile=-", "Hatched: no reading speaks for it"),
        ("?profile=C&from=2026-03-13&to=2026-03-13", "Nothing lay beyond the limits."),
        ("?from=2026-05-01", "No reading in that time."),
        ("?as_of=2026-03-10", "No reading in that time."),
        ("?known_on=2026-03-14T00:10:00Z", "No reading in that time."),
    ],
)
def test_a_part_of_it(world: Collection, asked: str, said: str) -> None:
    """Without limits, of a day, of a time without readings, and as known before the file came."""
    page = check(world.running, "cur", f"/sources/LG-1{asked}")
    assert said in page
    assert "Beyond a limit</h2>" not in page


@pytest.mark.parametrize(
    ("asked", "status"), [("?quantity=oxygen", 422), ("?profile=NONE-SUCH", 404), ("?from=2026-02-30", 422)]
)
def test_what_cannot_be_drawn_is_said(world: Collection, asked: str, status: int) -> None:
    """As a page."""
    assert 'role="alert"' in opened(world.running, "cur", f"/sources/LG-1{asked}", status)


def test_who_sees_which(world: Collection) -> None:
    """The list has one's own; of others a source is not there, as an unknown one."""
    assert ">LG-1</a>" in check(world.running, "cur", "/sources")
    assert "No logger or sensor that is yours" in check(world.running, "stranger", "/sources")
    opened(world.running, "stranger", "/sources/LG-1", 404)


def test_did_it_stay_cold(world: Collection) -> None:
    """On the page of the shipment and of the chip, the same as the API says; the carrier is told of no sample."""
    page = check(world.running, "cur", "/shipments/T-9")
    (sample,) = world.get("cur", "shipments/T-9/conditions")["samples"]
    assert sample["proven_out_s"] == 7200
    assert "<strong>proven out for 2 h</strong>" in page
    assert "Did it stay cold and dry?" not in check(world.running, "driver", "/shipments/T-9")
    chip = check(world.running, "cur", f"/things/{NUMBERS[CHIP]}")
    assert 'href="/sources/LG-1"' in chip
    assert "What is left of its budgets" in chip
    (charged,) = [
        one for one in world.get("cur", f"items/{NUMBERS[CHIP]}/time-out")["charged"] if one["profile"] == "C"
    ]
    assert charged["lifetime"]["budget_s"] == 14_400
    assert f'<span class="word {charged["lifetime"]["state"]}">' in chip
