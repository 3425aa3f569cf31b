"""What a weighing says of itself: gross and tare, readings and how far they scatter, and what contradicts that.

A contradiction here is one of the words alone: a net that is not gross less tare, a mean that is not that of the
readings. Against the record nothing is refused.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from shipsvc.domain.errors import Text
from shipsvc.domain.mass import Balance, Mass

_DIGIT = re.compile(r"[0-9]")
#: The member that stands for the variance in ng^2 of a tare which was looked up; nobody tells it.
TARE_VARIANCE = "tare_variance_ng2"
_OF_A_BALANCE = ("gross", "tare", "readings", "repeats", "air", "expanded_uncertainty")


@dataclass(frozen=True, slots=True)
class Scatter:
    """How a mass was read: how many times, and the standard deviation s of one reading in ng."""

    readings: int
    s_ng: float


def scatter(words: Mapping[str, Any], balance: Balance) -> Scatter:
    """How the mass in the words was read. Of the s of the readings and the pooled one of the balance (GUM 4.2.4) the
    larger counts: a few readings agree by chance, and a bad day is a bad day. Common practice, no source."""
    readings = readings_ng(words)
    if len(readings) > 1:
        return Scatter(len(readings), max(balance.repeatability_ng, standard_deviation_ng(readings)))
    repeats = words.get("repeats")
    return Scatter(repeats if isinstance(repeats, int) and repeats > 1 else 1, balance.repeatability_ng)


def readings_ng(words: Mapping[str, Any]) -> list[int]:
    """The readings in ng; none where none are told."""
    found = words.get("readings")
    return [Mass.parse(text).ng for text in found] if isinstance(found, list) else []


def standard_deviation_ng(readings: list[int]) -> float:
    """Of two readings or more, in ng, from n - 1 (GUM 4.2.2); exact until the root is taken."""
    n, total = len(readings), sum(readings)
    squares = sum((n * one - total) ** 2 for one in readings)
    return math.sqrt(Fraction(squares, n * n * (n - 1)))


def variance(balance: Balance, mass_ng: int, words: Mapping[str, Any]) -> float:
    """Variance in ng^2 of a net weighing: the mean of the gross readings less one tare, each rounded to d, and what the
    certificate states. Of one reading it is ``balance.uncertainty_ng`` squared. A tare that was looked up brings the
    variance that it has."""
    read, tare_variance = scatter(words, balance), words.get(TARE_VARIANCE)
    if read.readings == 1 and tare_variance is None:
        return balance.uncertainty_ng(mass_ng) ** 2
    rounding = balance.readability_ng**2 / 12
    gross = read.s_ng**2 / read.readings + rounding
    certified = (balance.relative * mass_ng) ** 2 + balance.linearity_ng**2 / 3
    return gross + (balance.repeatability_ng**2 + rounding if tare_variance is None else tare_variance) + certified


def stated_u_ng(words: Mapping[str, Any]) -> tuple[float, float] | None:
    """What a weighing states of itself, in ng: its expanded uncertainty U and the standard one U / k; None where it
    states none. Without a factor k is 2, as is usual for about 95 % (GUM 6.3.3)."""
    text = words.get("expanded_uncertainty")
    if not isinstance(text, str):
        return None
    expanded = float(Mass.parse(text).ng)
    return expanded, expanded / float(words.get("coverage_factor") or 2)


def incomplete(words: Mapping[str, Any]) -> tuple[Text, str] | None:
    """What the weighing of a sample does not say though it must, and the member; None where it says enough."""
    if words.get("mass") is None and (words.get("gross") is None or words.get("balance") is None):
        return Text("a weighing tells its net mass, or its gross with the balance"), "mass"
    return None


def contradiction(words: Mapping[str, Any]) -> tuple[Text, str] | None:
    """What a weighing says against itself, and the member that says it; None where nothing does.

    Masses agree where they differ by no more than one step of the coarsest of them.
    """
    if words.get("method") in ("estimated", "declared"):
        told = next((name for name in _OF_A_BALANCE if words.get(name)), None)
        estimate = "a mass that is {how} was not weighed, so it has no {member}"
        return (Text(estimate, how=words["method"], member=told), told) if told else None
    said = words.get("expanded_uncertainty")
    if said is not None and Mass.parse(said).ng == 0:
        return Text("no mass is known without any uncertainty"), "expanded_uncertainty"
    if words.get("coverage_factor") is not None and words.get("expanded_uncertainty") is None:
        return Text("it is the factor of an expanded uncertainty, and none is stated"), "coverage_factor"
    if words.get("dried_h") is not None and words.get("dryness") == "as_found":
        return Text("as_found is before drying; say equilibrated or re_dried with the hours"), "dried_h"
    return _of_net(words) or _of_readings(words)


def _of_net(words: Mapping[str, Any]) -> tuple[Text, str] | None:
    net, gross, tare = (words.get(name) for name in ("mass", "gross", "tare"))
    if net is None and words.get("readings"):
        return Text("readings are of the net; tell that as mass, or how many there were as repeats"), "readings"
    if net is None or gross is None:
        return None
    if tare is None:
        lighter = Mass.parse(gross).ng < Mass.parse(net).ng - step_ng(net)
        return (Text("the gross is less than the net"), "gross") if lighter else None
    by_difference = Mass.parse(gross).ng - Mass.parse(tare).ng
    if abs(by_difference - Mass.parse(net).ng) <= max(map(step_ng, (net, gross, tare))):
        return None
    return Text("gross less tare is {found} mg, not {net}", found=Mass(by_difference).digits("mg"), net=net), "mass"


def _of_readings(words: Mapping[str, Any]) -> tuple[Text, str] | None:
    readings, repeats = readings_ng(words), words.get("repeats")
    if not readings:
        return None
    if repeats is not None and repeats != len(readings):
        return Text("there are {count} readings, not {repeats}", count=len(readings), repeats=repeats), "repeats"
    mean = Fraction(sum(readings), len(readings))
    steps = [step_ng(text) for text in (words["mass"], *words["readings"])]
    if abs(mean - Mass.parse(words["mass"]).ng) <= max(steps):
        return None
    digits = Mass(round(mean)).digits("mg")
    return Text("the mean of the readings is {mean} mg, not {mass}", mean=digits, mass=words["mass"]), "mass"


def step_ng(text: str) -> int:
    """One unit in the last place of a mass as it was typed: of "1204.3 mg" 0.1 mg."""
    last = max(found.start() for found in _DIGIT.finditer(text))
    unsigned = text.replace("-", "").replace("−", "").replace("+", "")
    last -= len(text) - len(unsigned)
    zeros = _DIGIT.sub("0", unsigned[:last])
    return Mass.parse(f"{zeros}1{unsigned[last + 1 :]}").ng
