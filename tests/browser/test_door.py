"""Two sides at the door, and photographs, in a real browser.

Sources: trade.md step 19 (names and signatures of both sides), 1.2 (no signal in the loading bay); ISO/IEC 18004 by
zxing-cpp, a decoder that is none of ours; Exif 2.3 (where a picture was taken); WCAG 2.2 by the rules of axe-core.
"""

import io
from pathlib import Path
from typing import Any

import pytest
import zxingcpp
from PIL import ExifTags, Image

from tests.browser.device import CHROMIUM, QUIET, Device
from tests.browser.queue import each, left, scanned, told
from tests.web.chip import NUMBERS, PARCEL


def draw(page: Any, canvas: str) -> None:
    """A stroke with the finger."""
    page.locator(canvas).scroll_into_view_if_needed()
    box = page.locator(canvas).bounding_box()
    page.mouse.move(box["x"] + 20, box["y"] + 20)
    page.mouse.down()
    for step in range(1, 6):
        page.mouse.move(box["x"] + 20 + 30 * step, box["y"] + 20 + 10 * (step % 3))
    page.mouse.up()


def picture(path: Path) -> Path:
    """A photograph that says where it was taken."""
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.GPSInfo).update({1: "N", 2: (51.0, 30.0, 0.0)})
    Image.new("RGB", (3000, 1500), "brown").save(path, "JPEG", exif=exif)
    return path


def files_of(device: Device, fact: str, who: str) -> list[bytes]:
    """The files that a fact names, as its institution reads them."""
    world = device.world
    named = world.get(who, f"events/{fact}")["body"]["files_sha256"]
    head = dict(world.head(who))
    return [world.running.client.get(f"/v1/files/{one}", headers=head).content for one in named]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_taker_signs_on_the_givers_phone_without_a_network(device: Device, scheme: str) -> None:
    """Release and signature are noted in the bay; back inside it is the laboratory's, and the drawing is there."""
    world = device.world
    device.sign_in("driver")
    device.page.emulate_media(color_scheme=scheme)
    device.open("/scan")
    device.ready()
    world.at("2026-03-14T09:00:00Z")
    device.away()
    device.page.reload()
    each(device, "released", to="SMP")
    scanned(device, NUMBERS[PARCEL])
    device.until("document.getElementById('queue-said').textContent.startsWith('No network')")
    left(device, 1)  # nothing moves on the page any more, so that the finger finds the place to sign
    page = device.page
    page.get_by_role("button", name="They have taken it over").click()
    assert page.locator("#signing").is_visible(), "nothing is signed without a name"
    page.get_by_label("Their name, printed").fill("Ana Lyst")
    page.get_by_role("button", name="They have taken it over").click()
    device.until("document.getElementById('signing-said').textContent.includes('no signature yet')")
    draw(page, "#signing canvas")
    assert device.violations() == []
    assert not device.is_wide()
    page.get_by_role("button", name="They have taken it over").click()
    page.locator("#signing").wait_for(state="hidden")
    left(device, 3)

    device.away(away=False)
    left(device, 0)
    (row,) = world.get("cur", "reports/one-device")["items"]
    assert (row["party"], row["how"], row["counts"]) == ("SMP", "drawn", True)
    custody = world.get("cur", f"items/{NUMBERS[PARCEL]}")["custody"]
    assert (custody["certain"], custody["handover"]) == ("SMP", "agreed")
    assert world.get("driver", f"events/{row['event_id']}")["note"]["text"] == "Signed by Ana Lyst"
    (drawn,) = files_of(device, row["event_id"], "driver")
    dark = sum(1 for point in Image.open(io.BytesIO(drawn)).convert("L").tobytes() if point < 128)
    assert dark > 100
    assert device.complaints == []


def test_the_taker_signs_on_a_phone_of_their_own(device: Device) -> None:
    """What the giver's screen shows is read by a phone that nobody signed in on; then it is theirs."""
    world = device.world
    device.sign_in("driver")
    device.open(f"/scan?code={NUMBERS[PARCEL]}&kind=released")
    device.page.fill(".next input[name=to]", "SMP")
    device.follow(device.page.locator(".next button.big"))
    device.page.get_by_role("button", name="Have them sign on their own phone").click()
    assert device.violations() == []
    assert not device.is_wide()
    shown = Image.open(io.BytesIO(device.page.locator(".symbol").screenshot()))
    (found,) = zxingcpp.read_barcodes(shown)
    path = found.text.removeprefix(world.running.service.settings.base_url)

    browser = device.chromium.launch(executable_path=CHROMIUM, args=QUIET)
    phone = browser.new_page(viewport={"width": 320, "height": 640})
    phone.goto(device.address + path)
    other = Device(device.chromium, world, device.address, device.profile, page=phone)
    assert other.violations() == []
    assert not other.is_wide()
    phone.get_by_label("Your name, printed").fill("Ana Lyst")
    draw(phone, "#sign canvas")
    other.follow(phone.get_by_role("button", name="I have taken it over"))
    assert "Signed. Thank you." in phone.inner_text("h1")
    assert other.violations() == []
    browser.close()
    assert world.get("cur", f"items/{NUMBERS[PARCEL]}")["custody"]["certain"] == "SMP"


def test_a_photograph_goes_with_the_fact_and_does_not_say_where(device: Device, tmp_path: Path) -> None:
    """Taken without a network, it waits beside its fact; what is kept is smaller, and has no place in it."""
    world = device.world
    device.sign_in("driver")
    device.open(f"/scan?code={NUMBERS[PARCEL]}&kind=condition_noted")
    device.ready()
    device.away()
    device.page.fill(".next input[name=words]", "a dent")
    device.page.set_input_files(".next [data-photos] input", picture(tmp_path / "dent.jpg"))
    device.page.click(".next button.big")
    left(device, 2)
    device.close()
    device.start()
    device.open("/scan")
    left(device, 0)
    (fact,) = told(world, PARCEL, "condition_noted")
    (kept,) = files_of(device, fact["event_id"], "driver")
    with Image.open(io.BytesIO(kept)) as image:
        assert image.size == (2400, 1200)
        assert dict(image.getexif().get_ifd(ExifTags.IFD.GPSInfo)) == {}
    assert world.get("driver", f"events/{fact['event_id']}")["flags"] == ["clock_skew"]  # the file is there
    assert device.complaints == []
