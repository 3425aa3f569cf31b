"""The exposure bar: a window of time divided by what is known of it, a row for each way of knowing, so that none is
told apart by colour; and what stands beside it."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, Final

from markupsafe import Markup

from shipsvc.app.conditions import Conditions
from shipsvc.domain.times import Pair
from shipsvc.web import conditions_shown
from shipsvc.web.condition_schemas import SourceHeard
from shipsvc.web.history_schemas import ChargedShown
from shipsvc.web.pages.language import say
from shipsvc.web.pages.svg import GUTTER, UNITS, WIDTH, Value, hatch, over_time, plot, tag, time_axis, words
from shipsvc.web.pages.tables import Column

#: The states of the bar from the best to the worst: what a page calls each, and how it is drawn.
STATES: Final[Mapping[str, tuple[str, Mapping[str, Value]]]] = {
    "proven_in": ("proven in", {"class_": "in"}),
    "by_record": ("in, by the record", {"class_": "in record"}),
    "indirect": ("indirect", {"class_": "said", "fill": "url(#hatch-indirect)"}),
    "unknown": ("nothing known", {"class_": "said", "fill": "url(#hatch-unknown)"}),
    "proven_out": ("proven out", {"class_": "sure"}),
}
#: What each state means, in a row beside the bar.
MEANING: Final = {
    "proven_in": "a logger or sensor read the decisive quantity, within limits",
    "by_record": "in a place that keeps its profile; no sensor there reads it",
    "indirect": "only a logger further out read it within limits",
    "unknown": "packed, on the way, a gap between readings, or not said",
    "proven_out": "read beyond a limit, or taken out",
}
SOURCES: Final = (
    Column("Source", "source", "source"),
    Column("Of", "quantity", "word"),
    Column("In", "where"),
    Column("Reaches it", "reaches", "flag"),
    Column("Lowest", "lowest", "days"),
    Column("Highest", "highest", "days"),
    Column("Unit", "unit"),
    Column("Counts", "counts_s", "length"),
    Column("Without a gap", "covered_s", "length"),
    Column("Beyond a limit", "times", "days"),
    Column("Longest", "longest_s", "length"),
)
_ROW, _BAR, _TOP = 26, 16, 6
_SECOND: Final = timedelta(seconds=1)


def bar(found: Conditions, zone: str) -> tuple[Markup, list[dict[str, Any]]] | None:
    """A row for each state over the window, and how long each was: ``state``, ``what``, ``seconds``, ``percent``. None
    where nothing is told of any of the window."""
    start, until = _told(found)
    lengths = {state: getattr(found.bar, state).total for state in STATES}
    total = sum(lengths.values(), timedelta(0))
    if not total:
        return None
    x = over_time(start, until)
    bottom = _TOP + _ROW * len(STATES)
    parts = [hatch("hatch-unknown"), hatch("hatch-indirect", 14), time_axis(start, until, _TOP, bottom, zone)]
    for place, (state, (name, looks)) in enumerate(STATES.items()):
        top = _TOP + _ROW * place + 4
        parts.append(words(0, top + _BAR - 4, say(name), class_="soft"))
        parts.append(tag("path", d=f"M{GUTTER} {top + _BAR:g}H{WIDTH - 10}", class_="axis"))
        for begins, ends in getattr(found.bar, state):
            box = {"x": x(begins), "y": top, "width": max(x(ends) - x(begins), 2), "height": _BAR}
            parts.append(tag("rect", **box, **looks))
    rows = [
        {
            "state": state,
            "what": say(STATES[state][0]),
            "meaning": say(MEANING[state]),
            "seconds": length // _SECOND,
            "percent": f"{100 * (length / total):.2f}",
        }
        for state, length in lengths.items()
    ]
    return plot(say("What is known of it over time"), WIDTH, bottom + 22, *parts), rows


def _told(found: Conditions) -> Pair:
    """From the first to the last of what is told."""
    pairs = [pair for state in STATES for pair in getattr(found.bar, state)]
    return (min(a for a, _ in pairs), max(b for _, b in pairs)) if pairs else found.window


def budgets(charged: Sequence[ChargedShown]) -> list[dict[str, Any]]:
    """A row for each budget that there is: how much of it is gone, at least and at most, how much is left, and a bar of
    that against the budget as a broken line."""
    rows = []
    for one in charged:
        for which, spent, least_s, most_s in (
            ("a whole life", one.lifetime, one.at_least_s, one.at_most_s),
            ("one stretch", one.single, one.longest_at_least_s, one.longest_at_most_s),
        ):
            if spent.budget_s is not None:
                gone = {"at_least_s": least_s, "at_most_s": most_s, "bar": _spent(spent.budget_s, least_s, most_s)}
                rows.append({"profile": one.profile, "for": which, **dict(spent), **gone})
    return rows


def _spent(budget_s: int, least_s: int, most_s: int) -> Markup:
    """Filled: gone for sure. Hatched: perhaps gone. The line: the budget."""
    scale = 190 / max(budget_s, most_s, 1)
    parts = [hatch("hatch-spent")]
    if least_s:
        parts.append(tag("rect", x=1, y=3, width=max(1.5, scale * least_s), height=12, class_="sure"))
    if most_s > least_s:
        width = max(1.5, scale * (most_s - least_s))
        parts.append(tag("rect", x=1 + scale * least_s, y=3, width=width, height=12, fill="url(#hatch-spent)"))
    parts.append(tag("path", d=f"M{1 + scale * budget_s:.7g} 0V18", class_="limit"))
    return tag("svg", *parts, class_="bar", viewBox="0 0 200 18", width=200, height=18, aria_hidden="true")


def sources(number: str, found: Conditions) -> list[dict[str, Any]]:
    """What each source around it said, as rows of ``SOURCES``."""
    heard: list[SourceHeard] = conditions_shown.of_sample(number, found)["sources"]
    return [
        {
            **dict(one),
            "unit": UNITS.get(one.unit, one.unit),
            "lowest": figure(one.lowest),
            "highest": figure(one.highest),
            "times": len(one.excursions),
            "longest_s": max((_length_s(e) for e in one.excursions), default=None),
        }
        for one in heard
    ]


def _length_s(excursion: Any) -> float:
    return float((excursion.end - excursion.start).total_seconds())


def figure(value: float | None) -> str | None:
    """A reading to two digits after the point, as many as it needs."""
    return None if value is None else f"{round(value, 2):g}".replace("-", "−")
