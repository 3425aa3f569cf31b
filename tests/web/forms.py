"""Forms of pages as a browser sends them: what stands in them, with some fields filled in."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

from httpx2 import Response

from tests.web.collection import Collection
from tests.web.visits import HTML, cookie, opened


@dataclass
class Form(HTMLParser):
    """The fields of the form with an action, as they would be sent without touching anything."""

    action: str
    fields: dict[str, str] = field(default_factory=dict)
    _inside: bool = False
    _select: str = ""

    def __post_init__(self) -> None:
        super().__init__()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._inside = found.get("action", "").partition("?")[0] == self.action
        if not self._inside:
            return
        if tag == "select":
            self._select = found["name"]
        if tag == "option" and self._select and ("selected" in found or self._select not in self.fields):
            self.fields[self._select] = found.get("value", "")
        if tag == "input" and (found.get("type") not in {"radio", "checkbox"} or "checked" in found):
            self.fields[found["name"]] = found.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "select":
            self._select = ""
        if tag == "form":
            self._inside = False


def filled(world: Collection, login: str, path: str, action: str = "", **fields: str) -> dict[str, str]:
    """The form on a page that goes to ``action`` (that page, if none is given), with some fields filled in."""
    form = Form(action or path.partition("?")[0])
    form.feed(opened(world.running, login, path))
    assert form.fields, f"no form to {form.action} on {path}"
    return {**form.fields, **fields}


def sent(world: Collection, login: str, path: str, fields: dict[str, str], **headers: str) -> Response:
    """The answer to a form."""
    own = {"Sec-Fetch-Site": "same-origin", **HTML, "Cookie": f"shipsvc={cookie(world.running, login)}"}
    return world.running.client.post(path, data=fields, headers={**own, **headers})
