"""Weighings over HTTP: what they may say of themselves, and what that does to their uncertainty."""

from collections.abc import Iterator
from typing import Any

import pytest

from shipsvc.app import fsck
from shipsvc.web.deps import transaction
from tests.web.chip import CHIP, NUMBERS, send_chip
from tests.web.collection import Collection, Json, collection

AT = "2026-03-11T09:00:00Z"
PERSON = "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip of 1204.3 mg, once on each database."""
    with collection(database_url) as found:
        send_chip(found)
        yield found


def budget(world: Collection, **said: Any) -> Any:
    """What a weighing of the chip came to."""
    told = world.tell("cur", "TRP", "weighed", CHIP, AT, mass="1204.2 mg", balance="B1", **said)
    return world.get("cur", f"items/{NUMBERS[CHIP]}/weighings/{told['id']}/budget")


def test_repeats_lower_what_the_readings_scatter(world: Collection) -> None:
    """Four readings halve the repeatability of the gross and leave the tare's: u^2 = s^2/4 + s^2 + d^2/6, with demo.md
    T5's B1: sqrt(0.15^2 * 1.25 + 0.1^2 / 6) = 0.1726 mg. The comparison uses the same figure, and so does ``fsck``."""
    found = budget(world, repeats=4)

    assert float(found["u_mg"]) == pytest.approx(0.1726, abs=5e-5)
    assert float(found["difference_u_mg"]) == pytest.approx((0.1726**2 + 0.2160**2) ** 0.5, abs=1e-4)
    wide = budget(world, readings=["1203.9 mg", "1204.5 mg"])
    by_hand = (0.18 / 2 + 0.15**2 + 0.1**2 / 6) ** 0.5  # s of the two readings is 0.6 / sqrt 2 mg
    assert float(wide["u_mg"]) == pytest.approx(by_hand, abs=5e-5)
    with transaction(world.running.service, writes=False) as connection:
        assert list(fsck.check(connection)) == []


def test_the_air_that_was_read_is_the_air_of_the_correction(world: Collection) -> None:
    """CIPM-2007 at 20 °C, 1013.25 hPa and 50 % gives 1.1992 kg/m3 (OIML R 111 takes 1.2): rock of 2200 kg/m3 then reads
    low by 1204.2 mg * 1.1992 * (1/2200 - 1/8000) = 0.476 mg, at 700 hPa by less in proportion."""
    sea = {"temperature_c": 20, "pressure_hpa": 1013.25, "humidity_percent": 50}
    high = {**sea, "pressure_hpa": 700}

    at_sea, on_high = (budget(world, air=air)["buoyancy"] for air in (sea, high))

    assert float(at_sea["correction_mg"]) == pytest.approx(0.476, abs=1e-3)
    assert float(on_high["correction_mg"]) == pytest.approx(0.476 * 700 / 1013.25, abs=3e-3)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"gross": "5124.4 mg", "tare": "3920.0 mg"}, "gross less tare is 1204.4 mg"),
        ({"readings": ["1204.2 mg", "1203.2 mg"]}, "the mean of the readings is 1203.7 mg"),
        ({"readings": ["1204.2 mg", "1204.2 mg"], "repeats": 3}, "there are 2 readings, not 3"),
        ({"method": "estimated", "repeats": 3}, "has no repeats"),
        ({"dryness": "as_found", "dried_h": 48}, "before drying"),
        ({"air": {"temperature_c": "20", "pressure_hpa": 1000, "humidity_percent": 50}}, "should be a number"),
    ],
)
def test_a_weighing_that_contradicts_itself_is_malformed(world: Collection, said: Any, words: str) -> None:
    """Rulings 1: of itself, not of the record; an amendment to such a weighing is refused in the same words."""
    refused = world.tell("cur", "TRP", "weighed", CHIP, AT, mass="1204.2 mg", balance="B1", status=422, **said)
    assert words in refused["detail"]
    good = world.tell("cur", "TRP", "weighed", CHIP, AT, mass="1204.2 mg", balance="B1")
    said = {"mass": "1204.2 mg", "balance": "B1", **said}
    again = world.tell("cur", "TRP", "weighed", CHIP, AT, amends=good["id"], status=422, **said)
    assert words in again["detail"]


def test_all_that_a_weighing_may_say(world: Collection) -> None:
    """Trade section 3 on weighing: gross, tare, net, repeats, dryness and hours, air, witness: kept as it was said."""
    said: Json = {"gross": "5124.4 mg", "tare": "3920.2 mg", "readings": ["1204.1 mg", "1204.3 mg"], "repeats": 2}
    said |= {"dryness": "re_dried", "dried_h": 48, "witness": PERSON}
    said |= {"air": {"temperature_c": 20.5, "pressure_hpa": 1008.2, "humidity_percent": 41}}
    told = world.tell("cur", "TRP", "weighed", CHIP, AT, mass="1204.2 mg", balance="B1", **said)
    shown = world.get("cur", f"events/{told['id']}")
    assert {name: shown["body"][name] for name in said} == said
