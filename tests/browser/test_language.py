"""The pages in German in a real browser, which asks for it: scripts too, and without a network.

Sources: RFC 9110 12.5.4 (Accept-Language); WCAG 2.2 by the rules of axe-core 4.14, 1.4.10 (320 px; German is longer).
"""

from tests.browser.device import Device
from tests.browser.queue import each, left, scanned
from tests.web.chip import CHIP, NUMBERS, PARCEL


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
