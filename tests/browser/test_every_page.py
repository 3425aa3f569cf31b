"""Every page that the application has, as an owner and as a phone of 320 px see it, in light and dark.

Source: WCAG 2.2 by the rules of axe-core 4.14; 1.4.10 (nothing to be moved sideways at 320 px).
"""

from collections.abc import Iterator, Mapping

import pytest
from fastapi.routing import APIRoute

from shipsvc.web.deps import transaction
from shipsvc.web.pages import install
from shipsvc.web.pages.tables import BY_NAME
from tests import sensed
from tests.browser.device import Device
from tests.browser.queue import told
from tests.pictures import picture
from tests.trips import COLD
from tests.web.chip import CHIP, NUMBERS, PARCEL, VIAL

#: Beyond the limit of profile C for a while, and with a gap.
WARM_ONCE = [
    ("2026-03-11T08:50:00Z", "2026-03-12T11:50:00Z", -20.0),
    ("2026-03-12T12:00:00Z", "2026-03-12T14:00:00Z", 5.0),
    ("2026-03-13T12:00:00Z", "2026-03-14T00:00:00Z", -20.0),
]
#: Tests among which the pages are shared out, so that they run side by side.
SHARES = 2
NO_NUMBER = "/scan?code=BRM-0001-M"
#: For each address with something to fill in, what there is to look at.
NAMED: Mapping[str, tuple[str, ...]] = {
    "/cases/new": (f"/cases/new?item={NUMBERS[CHIP]}",),
    "/cases/{code}": ("/cases/{case}",),
    "/facts/{id}": ("/facts/{weighing}",),
    "/loans/{code}": ("/loans/L-9",),
    "/photographs/{sha256}": (),  # pictures on the page of the chip
    "/receive/{code}": ("/receive/T-9",),
    "/reports/{name}": tuple(f"/reports/{name}" for name in BY_NAME),
    "/scan": ("/scan", f"/scan?code={NUMBERS[CHIP]}", f"/scan?code={NUMBERS[VIAL]}&kind=packed", NO_NUMBER),
    "/shipments/{code}": ("/shipments/T-9",),
    "/shipments/{code}/packing-list": ("/shipments/T-9/packing-list",),
    "/shipments/{code}/receipt": ("/shipments/T-9/receipt",),
    "/sources/{code}/send": ("/sources/LG-1/send",),
    "/sources/{code}": ("/sources/LG-1", "/sources/LG-1?profile=C"),
    "/sign/{secret}": (),  # looked at in test_door.py
    "/things/{number}/labels/new": (f"/things/{NUMBERS[CHIP]}/labels/new",),
    "/things/{number}/labels/{serial}/void": (f"/things/{NUMBERS[CHIP]}/labels/1/void",),
    "/things/{number}/post-mass": (f"/things/{NUMBERS[CHIP]}/post-mass?weighing={{weighing}}",),
    "/things/{number}/split": (f"/things/{NUMBERS[CHIP]}/split",),
    "/things/{number}/weigh": (f"/things/{NUMBERS[CHIP]}/weigh",),
    "/things/{number}": (f"/things/{NUMBERS[CHIP]}", f"/things/{NUMBERS[PARCEL]}?as_of=2026-03-12"),
}


def addresses() -> Iterator[str]:
    """One address or more for every route of the pages but files; KeyError for one that ``NAMED`` does not know yet."""
    yield "/S/V00015.1"
    for router in install.ROUTERS:
        for route in router.routes:
            if isinstance(route, APIRoute) and "GET" in (route.methods or ()) and "." not in route.path:
                yield from [route.path] if route.path not in NAMED and "{" not in route.path else NAMED[route.path]


def ids(owner: Device) -> Mapping[str, str]:
    """What the service made itself, and ``NAMED`` cannot know."""
    weighing = told(owner.world, CHIP, "weighed")[0]["event_id"]
    return {"weighing": weighing, "case": owner.world.get("cur", "cases")["items"][0]["code"]}


@pytest.fixture
def owner(device: Device) -> Device:
    """A chip that is lent, on a shipment, overdue at last: every report and page has something to show."""
    world = device.world
    terms = {"lender": "TRP", "borrower": "SMP", "responsible": "Dr. A. Analyst", "purpose": "noble gases"}
    world.post("cur", "loans", {"code": "L-9", "lines": [NUMBERS[CHIP]], "due_on": "2026-05-01", **terms})
    route = {"addressee": "SMP", "carrier": "CRK", "expected_by": "2026-03-15T00:00:00Z", "handling": "Keep dry"}
    world.post("clerk", "shipments", {"code": "T-9", "consignor": "TRP", **route, "contents": [NUMBERS[PARCEL]]})
    world.tell("driver", "CRK", "released", PARCEL, "2026-03-14T08:59:00Z", to="SMP", shipment="T-9")
    world.at("2026-06-01T12:00:00Z")
    with transaction(world.running.service, writes=True) as connection:
        sensed.describe(connection, "C", COLD, "temperature", lifetime_budget_s=14_400)
        sensed.source(connection, "LG-1", 10, "temperature")
        sensed.send(connection, "LG-1", "temperature", WARM_ONCE, 10, "2026-03-14T00:20:00Z")
    head, chip = dict(world.head("clerk")), {"file": ("chip.png", picture("PNG"))}
    answer = world.running.client.post("/v1/files", files=chip, data={"acting_for": "TRP"}, headers=head)
    kept = answer.json()["sha256"]
    world.tell("clerk", "TRP", "photographed", CHIP, "2026-03-10T12:30:00Z", files_sha256=[kept])
    case = {"acting_for": "SMP", "kind": "seal", "items": [NUMBERS[CHIP]], "what": "The seal is cut"}
    world.post("ana", "cases", case)
    device.sign_in("cur")
    return device


@pytest.mark.parametrize("share", range(SHARES))
def test_every_page_is_for_everybody(owner: Device, share: int) -> None:
    """axe finds nothing, nothing sticks out, no script complains; in the dark, of which colours alone are other, the
    contrasts are looked at."""
    seen, found, made = 0, [], ids(owner)
    for address in [one.format(**made) for one in addresses()][share::SHARES]:
        owner.page.emulate_media(color_scheme="light")
        answer = owner.page.goto(owner.address + address)
        assert answer is not None
        assert answer.status == (422 if address == NO_NUMBER else 200), address
        seen += 1
        found += [f"{address}: {one}" for one in owner.violations()]
        found += [f"{address} is wide"] if owner.is_wide() else []
        owner.page.emulate_media(color_scheme="dark")
        found += [f"{address}, in the dark: {one}" for one in owner.violations("color-contrast")]
    assert found == []
    assert seen > 20
    assert owner.complaints == []


def test_the_photograph_of_a_chip_is_drawn(owner: Device) -> None:
    """The browser takes what it is given for a picture of 40 by 24 points."""
    owner.page.goto(f"{owner.address}/things/{NUMBERS[CHIP]}")
    picture = owner.page.locator(".pictures img")
    picture.scroll_into_view_if_needed()
    picture.evaluate("one => one.decode()")
    assert picture.evaluate("one => [one.naturalWidth, one.naturalHeight]") == [40, 24]
