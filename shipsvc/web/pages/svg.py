"""Drawing: elements of SVG by presentation attributes and classes alone, as the policy of the pages wants it."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import babel.dates
from markupsafe import Markup, escape

from shipsvc.web.pages import language

#: Width of plots over time, and the room for words at their left, in units of 1 px.
WIDTH, GUTTER = 760, 120
#: Steps between the marks of an axis of time, in months, and how many marks there may be.
_STEPS: Final = (1, 2, 3, 6, 12, 24, 60, 120)
_TICKS_MAX = 7
Value = str | float
#: UCUM codes as people write them, where that differs.
UNITS: Final = {"Cel": "°C", "[ppm]": "ppm", "m/s2": "m/s²"}


def tag(name: str, *inner: str | Markup, **attributes: Value) -> Markup:
    """An element; ``class_`` is written class, ``stroke_width`` stroke-width, numbers to a tenth."""
    said = Markup("").join(
        Markup(' {}="{}"').format(key.rstrip("_").replace("_", "-"), f"{value:.7g}" if _number(value) else value)
        for key, value in attributes.items()
    )
    opened, closed = Markup("<"), Markup("</")
    return opened + name + said + Markup(">") + Markup("").join(map(escape, inner)) + closed + name + Markup(">")


def _number(value: Value) -> bool:
    return isinstance(value, int | float)


def plot(title: str, width: float, height: float, *inner: Markup) -> Markup:
    """A whole drawing, with what it shows in words."""
    size: dict[str, Value] = {"width": width, "height": height, "viewBox": f"0 0 {width:g} {height:g}"}
    return tag(
        "svg", tag("title", title), *inner, xmlns="http://www.w3.org/2000/svg", class_="plot", role="img", **size
    )


def hatch(name: str, apart: float = 6) -> Markup:
    """A pattern of slanting lines so far apart, to be filled with as ``url(#name)``: it is told apart in grey, too."""
    line = tag("path", d="M0 0V8", class_="hatch")
    pattern = tag(
        "pattern", line, id=name, width=apart, height=8, patternUnits="userSpaceOnUse", patternTransform="rotate(45)"
    )
    return tag("defs", pattern)


def words(x: float, y: float, said: str, **attributes: Value) -> Markup:
    """A line of words that begins at x on the base line y."""
    return tag("text", said, x=x, y=y, **attributes)


def over_time(start: datetime, end: datetime) -> Callable[[datetime], float]:
    """Where an instant stands between the gutter and the right edge."""
    length = max((end - start).total_seconds(), 1.0)

    def x(at: datetime) -> float:
        share = (min(max(at, start), end) - start).total_seconds() / length
        return round(GUTTER + share * (WIDTH - GUTTER - 10), 1)

    return x


def time_axis(start: datetime, end: datetime, top: float, bottom: float, zone: str) -> Markup:
    """Upright lines at the beginnings of months, or of days where it is short, with their names below."""
    x = over_time(start, end)
    parts = []
    for at, named in _marks(start.astimezone(ZoneInfo(zone)), end.astimezone(ZoneInfo(zone))):
        parts.append(tag("path", d=f"M{x(at):g} {top:g}V{bottom:g}", class_="axis"))
        parts.append(words(min(x(at) + 2, WIDTH - 70), bottom + 14, named, class_="soft"))
    return Markup("").join(parts)


def _marks(start: datetime, end: datetime) -> list[tuple[datetime, str]]:
    months = (end.year - start.year) * 12 + end.month - start.month
    if months < 2:
        step = timedelta(days=max(1, (end - start).days // 4))
        days = [start.replace(hour=0, minute=0, second=0, microsecond=0) + step * n for n in range(1, 7)]
        return [(at, _named(at.date(), "d MMM y")) for at in days if start <= at <= end]
    step_months = next((step for step in _STEPS if months / step <= _TICKS_MAX), _STEPS[-1])
    first = start.year * 12 + start.month - 1
    found = []
    for number in range(first + -first % step_months, first + months + 1, step_months):
        at = datetime(number // 12, number % 12 + 1, 1, tzinfo=start.tzinfo)
        if start <= at <= end:
            found.append((at, _named(at.date(), "MMM y")))
    return found


def _named(on: date, form: str) -> str:
    return str(babel.dates.format_date(on, form, locale=language.locale()))
