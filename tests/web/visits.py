"""Somebody in front of the pages: a session by cookie, a page as they see it, and what a page loads and leads to."""

from html.parser import HTMLParser

from shipsvc.app import sessions
from shipsvc.web import api_token
from shipsvc.web.deps import transaction
from tests.web.service import Running

HTML = {"Accept": "text/html,application/xhtml+xml"}


def cookie(running: Running, login: str) -> str:
    """A session of the pages; signing in by form is a test of its own."""
    service = running.service
    with transaction(service, writes=True) as connection:
        times = api_token.lifetimes(service.settings)
        person = running.people[login]
        return sessions.start_pages(connection, service.now(connection), times, person=person, address="")


def opened(running: Running, login: str, path: str, status: int = 200) -> str:
    """A page as somebody sees it."""
    headers = {**HTML, "Cookie": f"shipsvc={cookie(running, login)}"}
    answer = running.client.get(path, headers=headers)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    return answer.text


class Loads(HTMLParser):
    """Which addresses a page loads or leads to, and whether it holds script or style of its own."""

    def __init__(self) -> None:
        super().__init__()
        self.addresses: set[str] = set()
        self.inline: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        followed = ("href", "src") if found.get("method") == "post" else ("href", "src", "action")
        self.addresses |= {str(found[name]) for name in followed if found.get(name)}
        self.inline += [name for name in found if name == "style" or name.startswith("on")]
        self.inline += [tag] if tag == "style" or (tag == "script" and not found.get("src")) else []


def check(running: Running, login: str, path: str) -> str:
    """Open a page and follow its links: nothing is loaded from elsewhere, nothing stands in it that its policy
    forbids, and every link leads on."""
    page = opened(running, login, path)
    loads = Loads()
    loads.feed(page)
    assert loads.inline == []
    assert all(address.startswith(("/", "#", "?")) for address in loads.addresses)
    headers = {**HTML, "Cookie": f"shipsvc={cookie(running, login)}"}
    for address in loads.addresses - {"#main", "?", "/sign-out"}:
        if address.startswith("/"):
            assert running.client.get(address, headers=headers).status_code in {200, 303}, address
    return page
