"""The curator finds what is overdue, by keyboard alone, and prints it.

Sources: trade.md 4, questions 7 and 11 (what needs me today; who owes us, and how late); rulings 20 (days late are
counted in the loan's zone, the due day is not one of them). That paper must carry the moment it is about is common
practice, no source.
"""

import pypdfium2
import pytest

from tests.browser.device import Device
from tests.web.chip import CHIP, NUMBERS

#: A day on which L-9, due on 1 May, is 31 days late.
PRINTED_ON = "2026-06-01T12:00:00Z"


@pytest.fixture
def desk(device: Device) -> Device:
    """The chip has been at the laboratory beyond its due day; a curator sits at a wide screen."""
    world = device.world
    terms = {"lender": "TRP", "borrower": "SMP", "responsible": "Dr. A. Analyst", "purpose": "noble gases"}
    world.post("cur", "loans", {"code": "L-9", "lines": [NUMBERS[CHIP]], "due_on": "2026-05-01", **terms})
    world.tell("cur", "TRP", "released", CHIP, "2026-03-14T00:09:00Z", to="SMP")
    world.tell("ana", "SMP", "accepted", CHIP, "2026-03-14T00:10:00Z", from_="TRP")
    world.at(PRINTED_ON)
    device.sign_in("cur")
    device.page.set_viewport_size({"width": 1100, "height": 800})
    return device


def tabbed_to(device: Device, text: str) -> None:
    """Press Tab until a link of these words has the focus; every stop on the way can be seen (WCAG 2.2, 2.4.7)."""
    for _ in range(60):
        device.page.keyboard.press("Tab")
        outlined = device.page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outlined != "none", device.page.evaluate("document.activeElement.outerHTML")
        if device.page.evaluate("document.activeElement.textContent.trim()") == text:
            return
    raise AssertionError(f"no way by Tab to {text!r}")


def test_what_is_overdue_is_found_by_keyboard_and_printed(desk: Device) -> None:
    """From the first page with Tab and Enter to the list, then to paper: what, who owes it, how late, as of when."""
    desk.open("/")
    tabbed_to(desk, "What is overdue")
    desk.page.keyboard.press("Enter")
    desk.page.wait_for_url("**/reports/overdue")
    assert desk.violations() == []
    row = desk.page.inner_text("tbody tr")
    assert all(said in row for said in (NUMBERS[CHIP], "L-9", "SMP", "1 May 2026", "31")), row

    paper = pypdfium2.PdfDocument(desk.page.pdf(format="A4"))
    assert len(paper) == 1
    words = " ".join(paper[0].get_textpage().get_text_range().split())
    for said in ("What is overdue", NUMBERS[CHIP], "L-9", "SMP", "1 May 2026", "31", "cur", "1 Jun 2026"):
        assert said in words, words
    assert "Sign out" not in words
    assert "Find" not in words.split()
    assert desk.complaints == []
