"""Gross and tare: a container weighed empty, and what a weighing takes from that which tells its gross alone.

A tare is a dated measurement of a container, with its cap or without. A weighing that contradicts it is flagged and not
refused (design, promise 1).
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from shipsvc.domain import weighing
from shipsvc.domain.facts import Fact
from shipsvc.domain.mass import Balance, Mass
from shipsvc.domain.rulebook import Rules

#: Two tares of one container that differ by more than so many u are not those of one state of it (trade.md, step 4).
DIFFERS_R = 3


@dataclass(frozen=True, slots=True)
class Tare:
    """What a container weighs empty, in ng, its variance in ng^2, with its cap or not (None: not told), by a fact."""

    ng: int
    variance: float
    with_cap: bool | None
    event_id: str


def told(fact: Fact, rules: Rules) -> Tare | None:
    """The tare that a fact tells of a container; None where it tells no mass."""
    text = fact.text("mass")
    if text is None:
        return None
    known, said = rules.balances.get(fact.text("balance") or ""), weighing.stated_u_ng(fact.body)
    ng = Mass.parse(text).ng
    variance = said[1] ** 2 if said else one_load(known.balance, ng, fact.body) if known else 0.0
    cap = fact.body.get("with_cap")
    return Tare(ng, variance, cap if isinstance(cap, bool) else None, fact.id)


def one_load(balance: Balance, ng: int, words: Mapping[str, Any]) -> float:
    """Variance in ng^2 of one load from zero: s^2 / n + d^2 / 12, and what the certificate states."""
    read = weighing.scatter(words, balance)
    certified = (balance.relative * ng) ** 2 + balance.linearity_ng**2 / 3
    return read.s_ng**2 / read.readings + balance.readability_ng**2 / 12 + certified


def needs_tare(fact: Fact) -> bool:
    """Whether a weighing tells its gross and leaves the net to the tare of its container."""
    return fact.kind == "weighed" and needs_tare_of(fact.body)


def needs_tare_of(words: Mapping[str, Any]) -> bool:
    """The same of the body of a weighing."""
    return words.get("gross") is not None and words.get("mass") is None


def netted(words: Mapping[str, Any], tare: Tare | None) -> dict[str, Any]:
    """The words of a weighing with the net that they leave open: gross less the tare told with it, else that of the
    container; as they are where there is neither."""
    gross = Mass.parse(str(words["gross"])).ng
    if isinstance(words.get("tare"), str):
        return {**words, "mass": f"{gross - Mass.parse(words['tare']).ng} ng"}
    if tare is None:
        return {**words}
    return {**words, "mass": f"{gross - tare.ng} ng", weighing.TARE_VARIANCE: tare.variance}


def flags(fact: Fact, tare: Tare | None, rules: Rules) -> Iterator[tuple[str, str]]:
    """What contradicts the tare of the container, as (code, words)."""
    if needs_tare(fact) and tare is None and fact.text("tare") is None:
        yield "tare_unknown", "its gross was told, and nothing of what its container weighs empty"
    if tare is None:
        return
    used = _used(fact)
    if used is not None:
        known = rules.balances.get(fact.text("balance") or "")
        variance = tare.variance + (one_load(known.balance, used, {}) if known else 0.0)
        if abs(used - tare.ng) > DIFFERS_R * variance**0.5:
            yield (
                "tare_differs",
                f"{Mass(used).digits('mg')} mg, where its container weighed {Mass(tare.ng).digits('mg')}",
            )
    cap = fact.body.get("with_cap")
    if isinstance(cap, bool) and tare.with_cap is not None and cap != tare.with_cap:
        words = ("without its cap", "with its cap")
        yield "cap_differs", f"weighed {words[cap]}, its container was tared {words[tare.with_cap]}"


def _used(fact: Fact) -> int | None:
    """Which tare a fact itself used, in ng, or tells anew; None where it used none or takes that of the record."""
    if fact.kind == "tared":
        text = fact.text("mass")
        return Mass.parse(text).ng if text else None
    tare, gross, net = fact.text("tare"), fact.text("gross"), fact.text("mass")
    if tare is not None:
        return Mass.parse(tare).ng
    return Mass.parse(gross).ng - Mass.parse(net).ng if gross and net else None
