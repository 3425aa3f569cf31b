"""What is owed and what the book says, written a second time for ``fsck`` alone (see ``fsck_rules``)."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from statistics import stdev
from typing import Any

from shipsvc.app.fsck_rules import LINE_IS_OUT, Agreement, Said, Thing, alike
from shipsvc.domain import times
from shipsvc.domain.loans import term_end
from shipsvc.domain.mass import Balance, Estimate, Mass
from shipsvc.domain.verdicts import compare

#: (ng, share of what was expected) that handling may lose, and the share that air may add: trade practice, no source.
MAY_LOSE = {"sealed": (0, 0.0), "chip": (50_000, 0.001), "powder": (200_000, 0.01)}
MAY_GAIN = {"CI": 0.05, "CM": 0.02, "other": 0.002}


@dataclass(frozen=True)
class Scale:
    """A balance as it is known today, and until when its check is good."""

    balance: Balance
    good_until: date


@dataclass(frozen=True)
class Reading:
    """A mass as a fact states it: ng, its variance in ng^2, and whether it was weighed, estimated or declared."""

    ng: int
    variance: float
    how: str

    @property
    def estimated(self) -> float:
        """The variance that is only an estimate's."""
        return self.variance if self.how == "estimated" else 0.0


Scales = Mapping[str, Scale]


def reading(words: Any, scales: Scales) -> Reading | None:
    """What the words say of a mass; None where they say nothing."""
    if not isinstance(words, Mapping) or not isinstance(words.get("mass"), str):
        return None
    if words.get("method") == "estimated":
        width = words.get("plus_minus")
        guess = Estimate.parse(words["mass"] + (f" +- {width}" if width else ""))
        return Reading(guess.mass.ng, guess.u_ng**2, "estimated")
    ng, scale = Mass.parse(words["mass"]).ng, scales.get(str(words.get("balance")))
    return Reading(ng, _doubt_of(ng, words, scale.balance), "weighed") if scale else Reading(ng, 0.0, "declared")


def _doubt_of(ng: int, words: Mapping[str, Any], balance: Balance) -> float:
    """The variance of a weighing in ng^2: that of the gross shrinks with the number of its readings, the tare's not."""
    read = [Mass.parse(text).ng for text in words.get("readings") or ()]
    times = len(read) if len(read) > 1 else max(1, words.get("repeats") or 1)
    if times == 1:
        return balance.uncertainty_ng(ng) ** 2
    scatter = max(balance.repeatability_ng, stdev(read) if len(read) > 1 else 0.0)
    step = balance.readability_ng / math.sqrt(12)
    return scatter**2 / times + balance.repeatability_ng**2 + 2 * step**2 + (balance.relative * ng) ** 2


def describe(thing: Thing, said: Said) -> None:
    """What a registration says of the material."""
    thing.material = said.body.get("material") or thing.material
    thing.moisture_class = said.body.get("moisture_class") or thing.moisture_class
    if said.body.get("reserve") is True and alike(said.teller, thing.owner):
        thing.reserve = True


def weigh(thing: Thing, said: Said, scales: Scales) -> dict[str, Any] | None:
    """A weighing against the book: the row of the comparison, or None where there is no book or it says no mass."""
    found = reading(said.body, scales)
    if found is None or thing.mass_ng is None or thing.how == "embedded":
        return None
    variance, expected = thing.variance + found.variance, thing.mass_ng
    least, share = MAY_LOSE.get(thing.material, MAY_LOSE["chip"])
    result = compare(
        expected,
        found.ng,
        variance**0.5,
        allowance_ng=max(least, share * abs(expected)),
        moisture_ng=MAY_GAIN.get(thing.moisture_class, MAY_GAIN["other"]) * abs(expected),
        estimated=2 * (thing.estimated_variance + found.estimated) > variance,
    )
    return {
        "happened_at": said.at,
        "by_party": said.party,
        "expected_ng": expected,
        "observed_ng": found.ng,
        "u_ng": result.u_ng,
        "r": result.r if result.u_ng > 0 else None,
        "verdict": result.verdict.value,
        "marks": _marks(found, said, scales),
    }


def _marks(found: Reading, said: Said, scales: Scales) -> str:
    scale = scales.get(said.body.get("balance") or "")
    if scale is None:
        return "balance_unknown"
    marks = ["below_least_mass"] if found.ng < scale.balance.least_mass_ng else []
    return " ".join([*marks, "calibration_lapsed"] if said.at.date() > scale.good_until else marks)


# --------------------------------------------------------------------------------------------------------- what is owed
def owed(thing: Thing, said: Said) -> None:
    """The loan that a sample is on (rulings 15, 20 and 31)."""
    line = thing.line
    match said.kind:
        case "loan_signed":
            _sign(thing, said)
        case "due_set" | "recalled":
            for found in (line, thing.next_line):
                if found and found.loan == said.body.get("loan"):
                    found.due_on = _day(said.body.get("due_on"))
                    break
        case "released":
            _goes(thing, said)
        case "accepted":
            _comes(thing, said)
        case "used":
            if line.state in LINE_IS_OUT and said.body.get("all") is True:
                line.state, line.since = "used_up", said.at
            elif line.state == "held":
                line.state = "part_used"


def _sign(thing: Thing, said: Said) -> None:
    body = said.body
    months = body.get("term_months")
    signed = Agreement(
        body.get("loan"),
        body.get("lender"),
        body.get("borrower"),
        "promised",
        said.at,
        _day(body.get("due_on")),
        body.get("zone") or "UTC",
        body.get("returned_when") or "received_by_lender",
        months if isinstance(months, int) else None,
    )
    if thing.line.state in LINE_IS_OUT:
        thing.next_line = signed
    else:
        thing.line, thing.next_line = signed, None


def _goes(thing: Thing, said: Said) -> None:
    line = thing.line
    if not said.own:
        return
    if line.state == "promised" and alike(said.party, line.lender):
        line.state, line.since = "sent", said.at
        return
    goes_back = line.state in ("held", "part_used") and alike(said.party, line.borrower) and not thing.next_line
    if goes_back and not alike(said.body.get("to"), line.borrower):
        line.state = "returned" if line.returned_when == "handed_to_carrier" else "returning"
        line.since = said.at


def _comes(thing: Thing, said: Said) -> None:
    if not said.own:
        return
    if thing.next_line and alike(said.party, thing.next_line.borrower):
        thing.line, thing.next_line = thing.next_line, None
        _begin(thing.line, said)
    elif thing.line.state in ("promised", "sent") and alike(said.party, thing.line.borrower):
        _begin(thing.line, said)
    elif thing.line.state in LINE_IS_OUT and alike(said.party, thing.line.lender):
        thing.line.state, thing.line.since = "returned", said.at


def _begin(line: Agreement, said: Said) -> None:
    line.state, line.since = "held", said.at
    if line.due_on is None and line.term_months is not None:
        line.due_on = term_end(times.local_date(said.at, line.zone), line.term_months)


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
