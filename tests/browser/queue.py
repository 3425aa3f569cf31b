"""Telling one thing after another on the scan page, and what is left on the device."""

from typing import Any

from tests.browser.device import Device
from tests.web.collection import Collection, typed


def each(device: Device, kind: str, **fields: str) -> None:
    """Say what happens at each scan."""
    page = device.page
    if page.locator("#many-more").get_attribute("open") is None:
        page.locator("#many-more summary").first.click()
    page.select_option("#each-kind", kind)
    for name, value in fields.items():
        page.fill(f"#each input[name={name}]", value)


def scanned(device: Device, text: str) -> None:
    """What a hand scanner does: it types, and presses Enter."""
    device.page.focus("#each-code")
    device.page.keyboard.insert_text(text)
    device.page.keyboard.press("Enter")
    device.until("document.getElementById('each-code').value === ''")


def told(world: Collection, name: str, kind: str) -> list[dict[str, Any]]:
    """The facts of a kind about a thing."""
    listed = world.get("cur", f"items/{typed(name)}/history", limit="200")["items"]
    return [fact for fact in listed if fact["kind"] == kind]


def left(device: Device, count: int) -> None:
    """Wait until so many facts are left on the device."""
    device.until(f"document.getElementById('queue-count')?.textContent === '{count}'")
