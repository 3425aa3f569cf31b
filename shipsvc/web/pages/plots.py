"""Plots on the page of a thing: custody over time, time in and out of storage, drift, and where the mass went.

Each is told apart without colour: what is certain is filled, what is not is hatched, limits are broken lines.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from markupsafe import Markup

from shipsvc.app.drift import Point
from shipsvc.app.reports_custody import Stretch
from shipsvc.domain.mass import Mass
from shipsvc.domain.verdicts import WATCH_R_MAX
from shipsvc.web.pages.language import say
from shipsvc.web.pages.rendering import mg
from shipsvc.web.pages.svg import GUTTER, WIDTH, hatch, over_time, plot, tag, time_axis, words

_ROW, _BAR, _TOP = 28, 16, 8
_SECONDS = timedelta(seconds=1)


# ------------------------------------------------------------------------------------------------------------ custody
def custody(stretches: Sequence[Stretch], until: datetime, zone: str) -> Markup | None:
    """A line for each party: filled while it has the thing for certain, hatched while one side alone says so."""
    parties = list(dict.fromkeys(p for one in stretches for p in (one.certain, one.claimed) if p))
    if not parties:
        return None
    start = stretches[0].since
    x = over_time(start, until)
    bottom = _TOP + _ROW * len(parties)
    parts = [hatch("hatch-custody"), time_axis(start, until, _TOP, bottom, zone)]
    parts += [words(0, _TOP + _ROW * place + _BAR, name) for place, name in enumerate(parties)]
    for one in stretches:
        left, right = x(one.since), x(one.until or until)
        box = {"x": left, "width": max(right - left, 2), "height": _BAR}
        for party, fill in ((one.certain, ""), (one.claimed, "url(#hatch-custody)")):
            if party is not None:
                top = _TOP + _ROW * parties.index(party) + 4
                looks = {"class_": "said", "fill": fill} if fill else {"class_": "sure"}
                parts.append(tag("rect", y=top, **box, **looks))
        if one.until is None and one.claimed:
            parts.append(
                words(
                    right - 4,
                    _TOP + _ROW * parties.index(one.claimed) + _BAR,
                    "open ▸",
                    text_anchor="end",
                    class_="mark",
                )
            )
    return plot(say("Who had it over time"), WIDTH, bottom + 22, *parts)


# -------------------------------------------------------------------------------------------------------------- drift
def drift(points: Sequence[Point], zone: str) -> Markup | None:
    """The running sum of differences over time, between broken lines at 3 u of it; a filled square beyond them."""
    if len(points) < 2:
        return None
    height, bottom = 240.0, 200.0
    limits = [WATCH_R_MAX * one.u_ng for one in points]
    top_ng = max([*limits, *(abs(one.difference_ng) for one in points)]) * 1.1 or 1
    x = over_time(points[0].at, points[-1].at)

    def y(ng: float) -> float:
        return round(bottom / 2 + 8 - ng / top_ng * (bottom / 2), 1)

    parts = [time_axis(points[0].at, points[-1].at, _TOP, bottom + 8, zone)]
    for ng in (top_ng / 1.1, 0, -top_ng / 1.1):
        parts.append(tag("path", d=f"M{GUTTER} {y(ng)}H{WIDTH - 10}", class_="axis"))
        parts.append(words(GUTTER - 6, y(ng) + 4, _rounded(ng), text_anchor="end", class_="soft"))
    for sign, name in ((1, "+3 u"), (-1, "−3 u")):
        line = " ".join(f"{x(one.at):g},{y(sign * limit):g}" for one, limit in zip(points, limits, strict=True))
        parts.append(tag("polyline", points=line, class_="limit"))
        parts.append(words(GUTTER + 4, y(sign * limits[0]) - sign * 5 + (4 if sign < 0 else 0), name, class_="soft"))
    line = " ".join(f"{x(one.at):g},{y(one.difference_ng):g}" for one in points)
    parts.append(tag("polyline", points=line, class_="edge"))
    parts += [_point(x(one.at), y(one.difference_ng), one.alarms) for one in points]
    return plot(say("The running sum of differences, and its limits"), WIDTH, height, *parts)


def _point(x: float, y: float, alarms: bool) -> Markup:
    if alarms:
        return tag("rect", x=x - 5, y=y - 5, width=10, height=10, class_="alarm")
    return tag("circle", cx=x, cy=y, r=4, class_="sure")


def _rounded(ng: float) -> str:
    digits = Decimal(Mass(round(ng)).digits("mg"))
    return mg(f"{round(digits, 1 - digits.adjusted()).normalize():f}") if digits else mg("0")


# --------------------------------------------------------------------------------------------------------------- mass
def bar(share: float) -> Markup:
    """A bar beside a figure in a table: as long as its share of the largest, hollow where it is less than nothing."""
    parts = []
    if share:
        looks = "sure" if share > 0 else "less"
        parts.append(tag("rect", x=1, y=3, width=max(1.5, 198 * abs(share)), height=12, class_=looks))
    return tag("svg", *parts, class_="bar", viewBox="0 0 200 18", width=200, height=18, aria_hidden="true")
