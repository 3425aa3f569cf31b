"""From what was read to HTML: the templates, how times, lengths and masses are written, and what a page may load."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import babel.dates
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from shipsvc.domain.errors import Text
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import format_instant
from shipsvc.web.pages import language

#: Styles, scripts, pictures: served below /static/.
STATIC: Final = Path(__file__).parent / "static"
#: A page loads its own style and script, sends to this service alone, and stands in no frame of others.
HEADERS: Final[Mapping[str, str]] = {
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
}


@dataclass(frozen=True)
class Frame:
    """What stands round every page: who is signed in, in which zone times are written, and which moment is asked
    about (None: now, and all that is recorded). ``sees_all``: an auditor or administrator. ``asked_at``: when the page
    was asked for; ``steps``: the pages that are for their roles."""

    name: str
    institutions: tuple[str, ...]
    zone: str
    as_of: datetime | None = None
    known_on: datetime | None = None
    sees_all: bool = False
    asked_at: datetime | None = None
    steps: frozenset[str] = frozenset()

    @property
    def is_now(self) -> bool:
        """Whether the page tells of now, by all that is known."""
        return self.as_of is None and self.known_on is None

    @property
    def query(self) -> str:
        """The moments as the end of an address, "" for now."""
        return "&".join(f"{name}={at}" for name, at in self.moments.items())

    @property
    def moments(self) -> Mapping[str, str]:
        """The moments by their names in an address, as a form carries them on."""
        asked = {"as_of": self.as_of, "known_on": self.known_on}
        return {name: format_instant(at) for name, at in asked.items() if at}


#: Round a page that nobody need be signed in for.
NOBODY: Final = Frame("", (), "UTC")


@cache
def _environment(chosen: str) -> Environment:
    found = Environment(
        loader=PackageLoader("shipsvc.web.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
        finalize=_in_language,
    )
    texts = language.catalogue(chosen)
    found.install_gettext_translations(texts, newstyle=True)  # type: ignore[attr-defined]  # of the extension
    found.globals |= {"language": chosen, "languages": language.LANGUAGES, "script_words": texts.scripts}
    found.filters |= {
        "instant": instant,
        "day": day,
        "length": length,
        "plain": plain,
        "mg": mg,
        "typed": typed,
        "u_mg": u_mg,
        "ng": ng,
        "said": language.say,
    }
    return found


def _in_language(shown: Any) -> Any:
    """What an error says is said in the language of the page, wherever it stands on it."""
    return language.told(shown) if isinstance(shown, Text) else shown


def render(template: str, frame: Frame, *, status: int = 200, decodes: bool = False, **shown: Any) -> HTMLResponse:
    """A page. ``decodes``: it may run the decoder of symbols, which is WebAssembly (CSP level 3, wasm-unsafe-eval)."""
    headers = dict(HEADERS)
    if decodes:
        policy = headers["Content-Security-Policy"]
        headers["Content-Security-Policy"] = policy.replace("script-src 'self'", "script-src 'self' 'wasm-unsafe-eval'")
    headers["Content-Language"] = language.current()
    page = _environment(language.current()).get_template(template)
    return HTMLResponse(page.render(frame=frame, **shown), status, headers)


def instant(at: datetime | None, zone: str) -> Markup:
    """A moment in the reader's zone, with the zone's name beside it and UTC behind it; a dash for none."""
    if at is None:
        return Markup("&ndash;")
    local = at.astimezone(ZoneInfo(zone))
    words = f"{_written(local)}, {local:%H:%M}"
    told = Markup('<time datetime="{utc}" title="{utc}">{words} <small>{zone}</small></time>')
    return told.format(utc=format_instant(at), words=words, zone=local.tzname())


def day(on: date | None) -> Markup:
    """A day; a dash for none."""
    if on is None:
        return Markup("&ndash;")
    words = _written(on)
    return Markup('<time datetime="{on}">{words}</time>').format(on=on.isoformat(), words=words)


def _written(on: date) -> str:
    return babel.dates.format_skeleton("yMMMd", on, locale=language.locale())


def length(seconds: float | None) -> str:
    """A length of time, rounded down, as budgets are told: "37 h 10 min", "72 h"; from ten days on "11 d 13 h"."""
    if seconds is None:
        return "–"
    minutes = int(timedelta(seconds=seconds) / timedelta(minutes=1))
    in_hours = ((minutes // 60, language.say("h")), (minutes % 60, language.say("min")))
    in_days = ((minutes // 1440, language.say("d")), (minutes // 60 % 24, language.say("h")))
    found = [f"{count} {unit}" for count, unit in (in_hours if minutes < 14_400 else in_days) if count]
    return " ".join(found) or f"0 {language.say('min')}"


def mg(digits: str | None) -> str:
    """A mass in mg, all its digits, in groups of three before the point (ISO 80000-1: a small space, no comma)."""
    if digits is None:
        return "–"
    whole, point, rest = digits.removeprefix("-").partition(".")
    grouped = f"{int(whole):,}".replace(",", "\u202f")
    mark = language.decimal_sign() if point else ""
    return f"{'−' if digits.startswith('-') else ''}{grouped}{mark}{rest}\u00a0mg"


def typed(example: str) -> str:
    """A mass that shows how one is typed, with the decimal sign of the page."""
    return example.replace(".", language.decimal_sign())


def ng(figure: int) -> str:
    """A mass in ng, written in mg."""
    return mg(Mass(figure).digits("mg"))


def u_mg(digits: str | None) -> str:
    """A standard uncertainty in mg, to two significant digits (GUM 7.2.6)."""
    if digits is None:
        return "–"
    u = Decimal(digits)
    return mg(f"{round(u, 1 - u.adjusted()):f}") if u else mg("0")


def plain(word: str | None) -> str:
    """A word of the record as people write it: "giver_only" is "giver only", in their language; a dash for none."""
    return language.say(word.replace("_", " ")) if word else "–"
