"""At the bench and at the desk: a weighing judged while it is typed, a sheet that must balance, a second person.

Sources: trade.md 1.2 (preparator: a split sheet that must balance before it closes; witness: a short, separate
confirmation under their own sign-in), 2.3 (verdicts); WCAG 2.2 by the rules of axe-core 4.14.
"""

import pytest

from tests.browser.device import Device
from tests.web.chip import CHIP, NUMBERS
from tests.web.visits import cookie

NUMBER = NUMBERS[CHIP]


@pytest.fixture
def bench(device: Device) -> Device:
    """The owner's curator with the chip of 1204.3 mg, on a screen of 360 px."""
    device.world.at("2026-03-16T09:00:00Z")
    device.page.set_viewport_size({"width": 360, "height": 740})
    device.sign_in("cur")
    return device


def test_a_weighing_is_judged_while_it_is_typed(bench: Device) -> None:
    """No button is pressed before the verdict stands there; by keyboard alone it is told."""
    bench.open(f"/things/{NUMBER}/weigh")
    bench.page.get_by_label("Balance").select_option("B1")
    mass = bench.page.get_by_label("Net mass")
    for typed, said in (
        ("1204.2 mg", "Agrees with the book"),
        ("1190 mg", "Unexplained loss"),
        ("12043", "Write a plain"),
    ):
        mass.fill(typed)
        bench.page.get_by_text(said).first.wait_for()
    mass.fill("1190 mg")
    bench.page.get_by_text("Unexplained loss").wait_for()
    assert bench.violations() == []
    assert not bench.is_wide()
    assert bench.world.get("cur", "reports/mass-discrepancies", verdict="all")["items"] == []

    bench.page.get_by_role("button", name="Tell it").focus()
    bench.page.keyboard.press("Enter")
    bench.page.get_by_role("heading", name="Recorded: 1190 mg").wait_for()
    assert bench.violations() == []
    (row,) = bench.world.get("cur", "reports/mass-discrepancies", verdict="all")["items"]
    assert row["verdict"] == "unexplained_loss"
    assert bench.complaints == []


def test_a_split_balances_before_it_is_told(bench: Device) -> None:
    """The sum follows what is typed; what does not balance is not told; what does, is."""
    bench.open(f"/things/{NUMBER}/split")
    for label, typed in (
        ("Mass of piece 1", "300.1 mg"),
        ("Mass of piece 2", "200.2 mg"),
        ("Mass of the rest", "674 mg"),
    ):
        bench.page.get_by_label(label).fill(typed)
    bench.page.get_by_text("It does not balance").wait_for()
    assert bench.violations() == []
    assert not bench.is_wide()
    bench.page.get_by_role("button", name="Tell the split").click()
    assert "does not balance" in bench.page.get_by_role("alert").inner_text()
    bench.page.get_by_label("Mass of the rest").fill("704.0 mg")
    bench.page.get_by_text("It balances").wait_for()
    bench.page.get_by_role("button", name="Tell the split").click()
    bench.page.wait_for_url(f"**/things/{NUMBER}")
    assert len(bench.world.get("cur", f"items/{NUMBER}/family")["members"]) == 3
    assert bench.complaints == []


def test_a_second_person_confirms_from_the_desk(bench: Device) -> None:
    """The curator amends a mass far and is told that it takes somebody else; the clerk finds it, looks and confirms."""
    bench.open(f"/things/{NUMBER}")
    bench.follow(bench.page.get_by_role("link", name="weighed").first)
    bench.page.get_by_label("Why needed").fill("Read from another line")
    bench.page.get_by_label("Mass", exact=True).fill("1180.0 mg")
    bench.follow(bench.page.get_by_role("button", name="Put it right"))
    bench.page.get_by_text("somebody else has to confirm it").wait_for()
    assert bench.violations() == []

    value = cookie(bench.world.running, "clerk")
    bench.context.add_cookies([{"name": "shipsvc", "value": value, "url": bench.address}])
    bench.open("/")
    bench.follow(bench.page.get_by_role("link", name="Look, and confirm it"))
    assert not bench.is_wide()
    bench.follow(bench.page.get_by_role("button", name="I have looked, and it is so"))
    assert bench.page.get_by_text("It waits for a second person").count() == 0
    assert bench.world.get("cur", "reports/unconfirmed")["items"] == []
    assert bench.complaints == []
