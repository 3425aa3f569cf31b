"""Splitting on the scan page without a network, with numbers that the device holds ready.

Sources: rulings 24 (a number is never given out twice), 5 (ids, device time). That numbers survive a closed browser is
what the issue asks; common practice, no source. WCAG 2.2 by axe-core.
"""

from tests.browser.device import Device
from tests.browser.queue import left
from tests.web.collection import typed

KEPT = "BRM-0002"
HELD = (
    "import('/static/queue.js').then((queue) => queue.remembered('numbers'))"
    ".then((held) => held?.blocks.BRM?.free ?? [])"
)


def pieces(device: Device, sample: str, *masses: str) -> list[str]:
    """Split a sample on the page; the numbers that the pieces get."""
    page = device.page
    if page.locator("#splitting details").get_attribute("open") is None:
        page.click("#splitting summary")
    page.fill("#split [name=sample]", sample)
    page.fill("#split [name=pieces]", str(len(masses)))
    device.until(f"document.querySelectorAll('#split [name=mass]').length === {len(masses)}")
    lines = page.locator("#split [name=mass]")
    for place, mass in enumerate(masses):
        lines.nth(place).fill(mass)
    given: list[str] = [lines.nth(place).get_attribute("data-number") for place in range(len(masses))]
    page.fill("#split [name=balance]", "B1")
    page.fill("#split [name=what]", "crumb")
    page.click("#split button")
    device.until(f"document.getElementById('split-said').textContent.includes('{given[-1]}')")
    return given


def test_a_sample_is_split_without_a_network_and_no_number_comes_twice(device: Device) -> None:
    """Two splits offline with the browser closed between them; back again, each piece exists under its own number."""
    world = device.world
    world.issue(kind="sample", form="material", what="rim chip", prefix="BRM")
    world.tell("cur", "TRP", "weighed", KEPT, "2026-03-10T12:10:00Z", mass="500.0 mg", balance="B1")
    device.sign_in("cur")
    device.open(f"/scan?code={typed(KEPT)}")
    device.ready()
    device.until(f"{HELD}.then((free) => free.length === 10)")
    held = device.page.evaluate(HELD)
    device.page.click("#splitting summary")
    device.page.fill("#split [name=pieces]", "2")
    device.until("document.querySelectorAll('#split [name=mass]').length === 2")
    assert "for BRM: 10" in device.page.inner_text("#numbers-ready")
    assert f"Mass of {held[0]}, in mg" in device.page.inner_text("#split-pieces")
    assert device.violations() == []
    assert not device.is_wide()
    device.page.reload()
    assert device.page.evaluate(HELD) == held, "a reload asks for no other block"

    device.away()
    device.open(f"/scan?code={typed(KEPT)}")
    device.until(f"document.querySelector('#split [name=sample]').value === '{typed(KEPT)}'")
    first = pieces(device, typed(KEPT), "100.2", "50")
    left(device, 2)
    device.close()
    device.start()
    device.away()
    device.sign_in("cur")
    device.open("/scan")
    second = pieces(device, typed(KEPT), "20.5")
    assert [*first, *second] == held[:3]
    left(device, 4)
    device.page.fill("#split [name=mass]", "1,5")
    device.page.click("#split button")
    device.until("document.getElementById('split-said').textContent.includes('with a point')")
    left(device, 4)
    assert len(world.get("cur", f"items/{typed(KEPT)}/family")["members"]) == 1

    device.away(away=False)
    left(device, 0)
    members = {one["number"]: one["mass_mg"] for one in world.get("cur", f"items/{typed(KEPT)}/family")["members"]}
    assert {number: members[number] for number in held[:3]} == dict(zip(held[:3], ["100.2", "50", "20.5"], strict=True))
    told = [one for one in world.get("cur", f"items/{typed(KEPT)}/history")["items"] if one["kind"] == "divided"]
    facts = [world.get("cur", f"events/{one['event_id']}") for one in told]
    assert [fact["time"]["source"] for fact in facts] == ["device"] * 2
    assert [fact["flags"] for fact in facts] == [["clock_skew"]] * 2, "the clock of the service stands still here"
    assert world.get("cur", f"items/{held[0]}")["what"] == "crumb"
    assert device.complaints == []


def test_numbers_are_forgotten_at_sign_out_and_topped_up_when_few_are_left(device: Device) -> None:
    """Few left: the device gets ten more behind them. Signed out: it holds none, and whoever is next gets others."""
    world = device.world
    world.issue(kind="sample", form="material", what="rim chip", prefix="BRM")
    device.sign_in("cur")
    device.open("/scan")
    device.until(f"{HELD}.then((free) => free.length === 10)")
    held = device.page.evaluate(HELD)
    pieces(device, typed(KEPT), *["1.5"] * 6)
    device.until(f"{HELD}.then((free) => free.length === 14)")
    more = device.page.evaluate(HELD)
    assert more[:4] == held[6:]
    device.follow(device.page.locator(".who button"))
    device.until(f"{HELD}.then((free) => free.length === 0)")
    device.sign_in("clerk")
    device.open("/scan")
    device.until(f"{HELD}.then((free) => free.length === 10)")
    assert not {*device.page.evaluate(HELD)} & {*held, *more}
