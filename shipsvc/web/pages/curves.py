"""A series of readings as a drawing: its lowest and highest over time, its limits as broken lines, what lay beyond them
and the time without readings shaded, each in a way of its own."""

from collections.abc import Sequence

from markupsafe import Markup

from shipsvc.app.series import Drawn, Series
from shipsvc.app.series_limits import Held, begins, ends
from shipsvc.domain.profiles import Limit
from shipsvc.web.pages.language import say
from shipsvc.web.pages.svg import GUTTER, UNITS, WIDTH, hatch, over_time, plot, tag, time_axis, words

_TOP, _HEIGHT = 14, 220
#: Points that a drawing holds: two for each unit of its width would not be told apart.
PIXELS = 600


def series(found: Series, drawn: Drawn, held: Held, zone: str) -> Markup | None:
    """The drawing; None without two readings at different times."""
    if found.begin is None or found.end is None or len(drawn.points) < 2 or found.begin >= found.end:
        return None
    limits = [value for one in held.limits if one.limit for value in _both(one.limit)]
    low, high = _range([value for _, value in drawn.points], limits)
    x = over_time(found.begin, found.end)
    bottom = _TOP + _HEIGHT

    def y(value: float) -> float:
        return round(bottom - (value - low) / (high - low) * _HEIGHT, 1)

    parts = [hatch("hatch-gap", 10), time_axis(found.begin, found.end, _TOP, bottom, zone)]
    for start, end in held.gaps:
        box = {"x": x(start), "y": _TOP, "width": max(x(end) - x(start), 1), "height": _HEIGHT}
        parts.append(tag("rect", **box, class_="gap", fill="url(#hatch-gap)"))
    for one in held.excursions:
        left, right = x(begins(one)), x(ends(one))
        parts.append(tag("rect", x=left, y=_TOP, width=max(right - left, 2), height=_HEIGHT, class_="beyond"))
        parts.append(tag("path", d=f"M{left:g} {_TOP - 4}H{max(right, left + 2):g}", class_="alarm-line"))
    for value in _ticks(low, high):
        parts.append(tag("path", d=f"M{GUTTER} {y(value):g}H{WIDTH - 10}", class_="axis"))
        parts.append(
            words(GUTTER - 6, y(value) + 4, f"{value:g} {UNITS.get(found.unit, found.unit)}".replace("-", "−"), **_END)
        )
    for stretch in held.limits:
        for limit in _both(stretch.limit) if stretch.limit else ():
            line = f"M{x(stretch.start):g} {y(limit):g}H{x(stretch.end):g}"
            parts.append(tag("path", d=line, class_="limit"))
    points = " ".join(f"{x(at):g},{y(value):g}" for at, value in drawn.points)
    parts.append(tag("polyline", points=points, class_="curve"))
    quantity = say(found.quantity.replace("_", " "))
    title = say("%(quantity)s by %(source)s", quantity=quantity, source=found.source["code"])
    return plot(title, WIDTH, bottom + 22, *parts)


_END = {"text_anchor": "end", "class_": "soft"}


def _both(limit: Limit) -> list[float]:
    return [value for value in (limit.lower, limit.upper) if value is not None]


def _range(values: Sequence[float], limits: Sequence[float]) -> tuple[float, float]:
    """The lowest and highest that are to be seen, with some room; limits that are far off do not flatten the line."""
    low, high = min(values), max(values)
    room = max(high - low, 1e-6)
    near = [limit for limit in limits if low - 2 * room <= limit <= high + 2 * room]
    low, high = min([low, *near]), max([high, *near])
    edge = max((high - low) * 0.06, 1e-6)
    return low - edge, high + edge


def _ticks(low: float, high: float) -> list[float]:
    """Some four round values in between."""
    rough = (high - low) / 4
    power = 10.0 ** _floor_log10(rough)
    step = next(factor * power for factor in (1, 2, 5, 10) if factor * power >= rough)
    first = -(-low // step)
    return [round((first + n) * step, 10) for n in range(8) if (first + n) * step <= high]


def _floor_log10(value: float) -> int:
    return int(f"{value:e}".partition("e")[2])
