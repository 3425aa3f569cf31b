"""Receiving on a phone of 320 px, and what a stranger reads there.

Sources: trade.md 1.2 (receiving laboratory: as found before touching), trade case 24 (the stranger); WCAG 2.2 by the
rules of axe-core 4.14.
"""

from pathlib import Path

import pytest

from tests.browser.device import Device
from tests.browser.queue import left, told
from tests.browser.test_door import files_of, picture
from tests.web.chip import NUMBERS, PARCEL


@pytest.fixture
def door(device: Device) -> Device:
    """A sealed parcel before the door of a laboratory, whose analyst has a phone."""
    world = device.world
    world.tell("clerk", "TRP", "sealed", PARCEL, "2026-03-11T10:00:00Z", "2026-03-11T10:07:00Z", seals=["S-1"])
    route = {"addressee": "SMP", "carrier": "CRK", "expected_by": None, "handling": "Keep dry"}
    world.post("clerk", "shipments", {"code": "T-9", "consignor": "TRP", **route, "contents": [NUMBERS[PARCEL]]})
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T08:59:00Z", to="SMP", shipment="T-9")
    world.at("2026-03-14T09:00:00Z")
    device.sign_in("ana")
    return device


def test_a_broken_seal_on_a_phone(door: Device) -> None:
    """From the scan to the list, by label; the seal is told broken, nothing is opened, and the sender can see it."""
    door.open(f"/scan?code={NUMBERS[PARCEL]}")
    door.follow(door.page.get_by_role("link", name="receive it, step by step"))
    assert door.violations() == []
    assert not door.is_wide()
    seal = door.page.get_by_role("group", name="S-1")
    seal.get_by_label("broken").check()
    door.page.get_by_role("group", name="Outer box").get_by_label("damaged", exact=True).check()
    assert door.page.get_by_role("group", name="Opened?").get_by_label("not opened").is_checked()
    door.follow(door.page.get_by_role("button", name="Receive"))
    assert "Recorded." in door.page.inner_text(".done")
    assert door.violations() == []
    packed = door.world.get("cur", "shipments/T-9/packing-list")["contents"][0]
    assert packed["seals"][0]["state"] == "broken"
    assert door.complaints == []


def test_a_list_that_is_kept_is_filled_in_without_a_network(door: Device, tmp_path: Path) -> None:
    """Kept on the device beforehand, with a photograph of the seal; back in the network it goes out by itself."""
    door.open("/receive/T-9")
    door.page.click("#keep-list")
    door.until("document.getElementById('kept').textContent.startsWith('Kept')")
    door.until("navigator.serviceWorker.ready.then((found) => found.scope.endsWith('/receive'))")
    door.close()
    door.start()
    door.away()
    door.open("/receive/T-9")
    page = door.page
    page.get_by_role("group", name="S-1").get_by_label("broken").check()
    page.set_input_files("[data-into='photos seals']", picture(tmp_path / "seal.jpg"))
    page.get_by_role("group", name="What is before you").get_by_role("checkbox").check()
    page.get_by_role("button", name="Receive", exact=True).click()
    door.until("document.getElementById('kept').textContent.startsWith('No network')")
    assert door.violations() == []
    assert door.world.get("cur", "shipments/T-9")["contents"][0]["state"] != "confirmed"
    door.close()
    door.world.at("2026-03-14T09:10:00Z")
    door.start()
    door.open("/scan")
    left(door, 0)
    assert door.world.get("cur", "shipments/T-9/packing-list")["contents"][0]["seals"][0]["state"] == "broken"
    (checked,) = told(door.world, PARCEL, "seal_checked")
    assert len(files_of(door, checked["event_id"], "ana")) == 1
    assert told(door.world, PARCEL, "accepted")[-1]["acting_for"] == "SMP"
    assert door.complaints == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_stranger_on_a_phone(device: Device, scheme: str) -> None:
    """For everybody, without signing in; the link for those who work with it asks them to."""
    device.page.emulate_media(color_scheme=scheme)
    device.open("/S/V00015.1")
    assert device.violations() == []
    assert not device.is_wide()
    device.follow(device.page.get_by_role("link", name="Sign in"))
    assert device.page.url.endswith("/sign-in?next=%2Fscan%3Fcode%3DV00015.1")
