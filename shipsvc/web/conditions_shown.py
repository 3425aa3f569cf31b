"""Conditions as JSON: seconds out rounded down, seconds perhaps out rounded up, numbers as people type them."""

from datetime import timedelta
from typing import Any

from shipsvc.app.conditions import STATES, Conditions, Heard, Measured
from shipsvc.app.surroundings import instant
from shipsvc.domain import codes
from shipsvc.domain.quantities import QUANTITIES
from shipsvc.domain.readings import Excursion
from shipsvc.domain.times import Intervals
from shipsvc.web.condition_schemas import BarPart, ConditionsOf, ExcursionShown, MeasuredShown, SourceHeard

#: Figures are shown to so many digits; what is stored is not rounded.
DIGITS = 6


def of_sample(number: str, found: Conditions) -> dict[str, Any]:
    """The members of an answer about one sample."""
    profiles = dict.fromkeys(stay.code for stay in found.stays if stay.code)
    parts = [BarPart(start=a, end=b, state=state) for state in STATES for a, b in getattr(found.bar, state)]
    return {
        "number": codes.display(number),
        "since": found.window[0],
        "profiles": list(profiles),
        **{f"{state}_s": whole_s(getattr(found.bar, state)) for state in STATES},
        "disagree_s": whole_s(found.disagree),
        "parts": sorted(parts, key=lambda part: part.start),
        "sources": [_heard(one) for one in found.heard],
        "measured": _measured(found.measured) if found.measured else None,
    }


def conditions(number: str, found: Conditions) -> ConditionsOf:
    """One sample of several."""
    return ConditionsOf(**of_sample(number, found))


def whole_s(found: Intervals) -> int:
    """A length in whole seconds, to the nearest."""
    return round(found.total / timedelta(seconds=1))


def excursion(found: Excursion) -> dict[str, Any]:
    """The members of an excursion."""
    return {
        "start": instant(found.begin_s),
        "end": instant(found.end_s),
        "readings": found.readings,
        "peak": round(found.peak, DIGITS),
        "area_h": round(found.area, DIGITS),
        "counts": found.weight.value,
    }


def _heard(one: Heard) -> SourceHeard:
    measured: dict[str, Any] = {"quantity": one.quantity}  # one of the closed list, as it was stored
    return SourceHeard(
        **measured,
        source=one.source,
        unit=QUANTITIES[one.quantity],
        where=codes.display(one.where) if codes.issuable(one.where) else one.where,
        rank=one.rank,
        reaches=one.reaches,
        present_s=whole_s(one.present),
        counts_s=whole_s(one.counts),
        covered_s=whole_s(one.covered),
        lowest=one.lowest,
        highest=one.highest,
        excursions=[ExcursionShown(**excursion(found)) for found in one.excursions],
    )


def _measured(found: Measured) -> MeasuredShown:
    return MeasuredShown(
        mean_kinetic_temperature_cel=_rounded(found.mean_kinetic_c),
        temperature_covered_s=whole_s(found.temperature_covered),
        frost_point_lowest_cel=_rounded(found.frost_point_lowest_c),
        frost_point_highest_cel=_rounded(found.frost_point_highest_c),
        frost_point_computed=found.frost_point_computed,
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, DIGITS)
