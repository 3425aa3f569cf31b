"""The pages in German in a real browser, which asks for it: scripts too, and without a network.

Sources: RFC 9110 12.5.4 (Accept-Language); WCAG 2.2 by the rules of axe-core 4.14, 1.4.10 (320 px; German is longer).
"""

from tests.browser.device import Device
from tests.browser.queue import each, left, scanned
from tests.browser.test_split import HELD, KEPT, pieces
from tests.web.chip import CHIP, NUMBERS, PARCEL
from tests.web.collection import typed


def test_a_german_phone_reads_german(device: Device) -> None:
    """Help while typing, the queue without a network, the big pages at 320 px; then English by the switch."""
    device.options = {"locale": "de-DE"}
    device.close()
    device.start()
    device.sign_in("clerk")
    for path in ("/", f"/things/{NUMBERS[CHIP]}", f"/scan?code={NUMBERS[PARCEL]}", "/arriving", "/loans/out", "/scan"):
        device.open(path)
        assert device.page.evaluate("document.documentElement.lang") == "de"
        assert device.violations() == [], path
        assert not device.is_wide(), path
    device.page.fill("#code", "BRM-0001-M")
    assert "Das Prüfzeichen passt nicht" in device.page.inner_text("#code-help")
    device.ready()
    device.away()
    device.page.reload()
    assert "Kein Netz." in device.page.inner_text("#away")
    each(device, "seen")
    scanned(device, NUMBERS[PARCEL])
    left(device, 1)
    device.until("document.getElementById('queue-said').textContent.includes('sobald es zurück ist')")
    device.away(away=False)
    left(device, 0)

    device.open("/arriving")
    device.follow(device.page.get_by_role("button", name="English"))
    assert device.page.url.endswith("/arriving")
    assert device.page.evaluate("document.documentElement.lang") == "en"
    assert device.complaints == []


def test_a_german_split_is_typed_with_a_comma(device: Device) -> None:
    """Without a network, a comma is the decimal sign (CLDR); the fact has a point, and what is refused is said in
    German."""
    device.options = {"locale": "de-DE"}
    device.close()
    device.start()
    world = device.world
    world.issue(kind="sample", form="material", what="rim chip", prefix="BRM")
    world.tell("cur", "TRP", "weighed", KEPT, "2026-03-10T12:10:00Z", mass="500.0 mg", balance="B1")
    device.sign_in("cur")
    device.open(f"/scan?code={typed(KEPT)}")
    device.ready()
    device.until(f"{HELD}.then((free) => free.length === 10)")
    device.away()
    first, second = pieces(device, typed(KEPT), "100,25", "50.5")
    device.until(f"document.getElementById('split-said').textContent.includes('{first} 100.25 mg, {second} 50.5 mg')")
    device.page.fill("#split [name=mass]", "1.204,5")
    device.page.click("#split button")
    device.until("document.getElementById('split-said').textContent.startsWith('Eine Masse ist eine Zahl')")
    device.away(away=False)
    left(device, 0)
    shown = {number: world.get("cur", f"items/{number}")["book"]["mass_mg"] for number in (first, second)}
    assert shown == {first: "100.25", second: "50.5"}
    assert device.complaints == []
