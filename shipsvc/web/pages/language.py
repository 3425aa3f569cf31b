"""The languages of the pages: which one somebody reads, and every text of a page in it.

All texts are English in templates, modules and scripts, and stand in one catalogue a language (gettext, read by Babel);
what it lacks is shown in English. The record itself is never translated: what people told stays in their words.
"""

from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from functools import cache
from gettext import NullTranslations
from pathlib import Path
from typing import Any, Final

from babel import Locale
from babel.messages.pofile import read_po
from babel.numbers import get_decimal_symbol
from starlette.requests import cookie_parser
from starlette.types import ASGIApp, Receive, Scope, Send

from shipsvc.domain.errors import Text
from shipsvc.web.errors import Problem

#: By the code that stands in cookies and pages: what it is called in itself, and the locale of its dates and figures.
LANGUAGES: Final[Mapping[str, tuple[str, str]]] = {"en": ("English", "en_GB"), "de": ("Deutsch", "de_DE")}
ENGLISH: Final = "en"
COOKIE: Final = "shipsvc-language"
CATALOGUES: Final = Path(__file__).parent / "languages"
#: Values of an error that are texts of ours, and nothing that people typed or named.
WORDS: Final = frozenset({"why", "what", "needed", "kind", "state", "act", "how", "one", "other"})
_current: ContextVar[str] = ContextVar("language", default=ENGLISH)


class Catalogue(NullTranslations):
    """The texts of one language as gettext gives them; ``scripts`` are those that scripts of pages say."""

    def __init__(self, language: str) -> None:
        super().__init__()
        self._texts: dict[str, str | Sequence[str]] = {}
        self.scripts: dict[str, str] = {}
        path = CATALOGUES / f"{language}.po"
        if not path.exists():
            return
        with path.open("rb") as file:
            for message in read_po(file, language):
                key, text = message.id, message.string
                if not key or not text or message.fuzzy:
                    continue
                self._texts[key if isinstance(key, str) else key[0]] = text
                if isinstance(key, str) and any(name.endswith(".js") for name, _ in message.locations):
                    self.scripts[key] = str(text)

    def gettext(self, message: str) -> str:
        """The text in this language, or as it is."""
        found = self._texts.get(message, message)
        return found if isinstance(found, str) else found[0]

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        """The same for one and for several; both languages count as English does."""
        found = self._texts.get(msgid1)
        one, several = (msgid1, msgid2) if found is None or isinstance(found, str) else (found[0], found[-1])
        return one if n == 1 else several


@cache
def catalogue(language: str) -> Catalogue:
    """The catalogue of a language."""
    return Catalogue(language)


def current() -> str:
    """The language of the page that is being made."""
    return _current.get()


def locale() -> Locale:
    """How its dates and figures are written."""
    return Locale.parse(LANGUAGES[current()][1])


def decimal_sign() -> str:
    """What stands before a fraction in its figures."""
    return get_decimal_symbol(locale())


def say(text: str, **values: Any) -> str:
    """A text of a page that a module holds; ``values`` go where it says %(name)s."""
    found = catalogue(current()).gettext(text)
    return found % values if values else found


def told(text: str) -> str:
    """A text of an error in the language of the page that is being made, with all that is filled into it."""
    if current() == ENGLISH or not isinstance(text, Text):
        return text
    values = {name: _value(name, one) for name, one in text.values.items()}
    return catalogue(current()).gettext(text.template).format(**values)


def _value(name: str, value: Any) -> Any:
    if isinstance(value, Text):
        return told(value)
    if name not in WORDS or not isinstance(value, str):
        return value
    texts = catalogue(current())
    # A word of the record is "condition_noted" there, and "condition noted" on pages.
    return next((found for one in (value, value.replace("_", " ")) if (found := texts.gettext(one)) != one), value)


def told_problem(problem: Problem) -> Problem:
    """A problem for a script of a page, which shows its ``detail``."""
    return problem.model_copy(update={"detail": told(problem.detail)})


def chosen(cookie: str, accepted: str) -> str:
    """The language of a request: what was chosen here, else the first of ours that the browser asks for (RFC 9110,
    12.5.4), else English."""
    if cookie in LANGUAGES:
        return cookie
    wanted = []
    for place, part in enumerate(accepted.split(",")[:20]):
        tag, _, weight = part.strip().partition(";")
        found = tag.strip().lower().partition("-")[0]
        wanted.append((-_weight(weight), place, ENGLISH if found == "*" else found))
    return next((found for weight, _, found in sorted(wanted) if weight < 0 and found in LANGUAGES), ENGLISH)


def _weight(said: str) -> float:
    name, _, value = said.strip().partition("=")
    try:
        return float(value) if name.strip() == "q" else 1.0
    except ValueError:
        return 0.0


class Languages:
    """Sets the language for the time of a request."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Ask the inner application in the language of whoever asks."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {name: value.decode("latin-1") for name, value in scope["headers"]}
        cookie = cookie_parser(headers.get(b"cookie", "")).get(COOKIE, "")
        before = _current.set(chosen(cookie, headers.get(b"accept-language", "")))
        try:
            await self.app(scope, receive, send)
        finally:
            _current.reset(before)
