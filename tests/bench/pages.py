"""How soon the first page shows something in a real browser, and how much it weighs: the desk, and two lists.

The time is that of the first contentful paint (W3C Paint Timing) of a second visit, from the start of the navigation;
the weight is every byte that a first visit takes (W3C Resource Timing, transferSize). The service and the browser share
the machine.
"""

from collections.abc import Iterator
from contextlib import ExitStack
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from tests import crowd
from tests.bench import crowds
from tests.bench.bases import Base
from tests.bench.serving import serving
from tests.bench.table import Row, Times
from tests.browser.device import CHROMIUM, QUIET
from tests.web.service import PASSWORD

PAGES: Final = {"the desk": "/", "what is out on loan": "/loans/out", "all things": "/things"}
AIM: Final = "< 1 s, < 200 kB"
_PAINT: Final = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
_WEIGHT: Final = """[...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
    .reduce((sum, one) => sum + one.transferSize, 0)"""


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """A row for each page: first contentful paint and weight, on a small collection and on a large one."""
    if not find_spec("playwright"):
        yield Row(
            "first page in a browser", base.name, "the group `browser` is not installed", "", "", "< 1 s, < 200 kB"
        )
        return
    thousands, times = ((1, 5), 5) if quick else ((1, 100), 20)
    found = [_of_size(base, size, folder, times) for size in thousands]
    small, large = (f"{size * crowd.BLOCK:,} items" for size in thousands)
    for name in PAGES:
        (before, light), (after, heavy) = (one[name] for one in found)
        ours = f"{after.part_ms(0.5):.0f} ms, p95 {after.part_ms(0.95):.0f} ms, {heavy / 1000:.0f} kB ({large})"
        least = f"{before.part_ms(0.5):.0f} ms, p95 {before.part_ms(0.95):.0f} ms, {light / 1000:.0f} kB ({small})"
        growth = f"{after.part_ms(0.5) / before.part_ms(0.5):.2f}"
        yield Row(f"{name}: first contentful paint, weight", base.name, ours, least, growth, AIM)


def _of_size(base: Base, size: int, folder: Path, times: int) -> dict[str, tuple[Times, int]]:
    from playwright.sync_api import sync_playwright

    with ExitStack() as stack:
        address = stack.enter_context(serving(crowds.filled(base, size), folder))
        browser = stack.enter_context(sync_playwright()).chromium.launch(executable_path=CHROMIUM, args=QUIET)
        stack.callback(browser.close)
        return {name: _loaded(browser, address, path, times) for name, path in PAGES.items()}


def _loaded(browser: Any, address: str, path: str, times: int) -> tuple[Times, int]:
    """Each visitor is a new one: what they take on the first visit is the weight; then the paint of each later one."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(f"{address}/sign-in")
    page.fill("[name=login]", crowds.READER)
    page.fill("[name=password]", PASSWORD)
    page.click("form button")
    page.wait_for_url(f"{address}/")
    fresh = browser.new_context(storage_state=context.storage_state()).new_page()
    fresh.goto(address + path, wait_until="networkidle")
    weight = int(fresh.evaluate(_WEIGHT))
    paints = [_paint(page, address + path) for _ in range(times)]
    context.close()
    return Times(paints, sum(paints)), weight


def _paint(page: Any, url: str) -> float:
    """Seconds to the first contentful paint."""
    page.goto(url)
    # The policy of the pages lets nothing wait inside them.
    while (painted := page.evaluate(_PAINT)) is None:
        page.wait_for_timeout(5)
    return float(painted) / 1000
