"""A browser with a disk of its own, which can be closed and started again, and whose network can go."""

import os
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.web.collection import Collection
from tests.web.visits import cookie

CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
#: No sandbox, since tests may run as root in a container; nothing of Chromium's own goes over the network.
QUIET = [
    *("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"),
    *("--disable-sync", "--no-first-run"),
]
AXE = Path(__file__).parent.parent / "vendor" / "axe.min.js"


@dataclass
class Device:
    """One device: ``page`` is the page in front."""

    chromium: Any
    world: Collection
    address: str
    profile: Path
    options: dict[str, Any] = field(default_factory=dict)
    arguments: list[str] = field(default_factory=list)
    context: Any = None
    page: Any = None
    #: What the page complained of.
    complaints: list[str] = field(default_factory=list)

    def start(self) -> None:
        """Start the browser on this device's disk."""
        options = {"viewport": {"width": 320, "height": 700}, **self.options}
        self.context = self.chromium.launch_persistent_context(
            str(self.profile), executable_path=CHROMIUM, args=[*QUIET, *self.arguments], **options
        )
        self.context.set_default_timeout(30_000)
        self.page = self.context.pages[0]
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def close(self) -> None:
        """Close the browser; what is on its disk stays."""
        self.context.close()

    def sign_in(self, login: str) -> None:
        """A session of the pages; signing in by form is a test of its own."""
        kept = {"expires": time.time() + 86_400, "sameSite": "Lax"}
        self.context.add_cookies(
            [{"name": "shipsvc", "value": cookie(self.world.running, login), "url": self.address, **kept}]
        )

    def open(self, path: str) -> None:
        """Open a page of the service."""
        self.page.goto(self.address + path)

    def follow(self, locator: Any) -> None:
        """Press what leads to another page, and wait until all of that page is there."""
        with self.page.expect_navigation():
            locator.click()

    def ready(self) -> None:
        """Wait until the page can do without the network."""
        self.page.locator("#kept-here").wait_for()

    def until(self, expression: str, within_s: float = 30) -> None:
        """Wait until something holds in the page, whose policy lets nothing wait inside it."""
        from playwright.sync_api import Error

        ends = time.monotonic() + within_s
        while time.monotonic() < ends:
            with suppress(Error):  # the page is being left for another
                if self.page.evaluate(expression):
                    return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"not in time: {expression}")

    def away(self, away: bool = True) -> None:
        """Take the network away, or give it back."""
        self.context.set_offline(away)

    def violations(self, *rules: str) -> list[str]:
        """What axe finds on the page, by all its rules or by those given."""
        self.page.evaluate(AXE.read_text())
        found = self.page.evaluate("(only) => axe.run(only.length ? {runOnly: only} : {})", list(rules))
        return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found["violations"]]

    def is_wide(self) -> bool:
        """Whether the page must be moved sideways to be read."""
        return bool(self.page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"))
