"""What the book says, written a second time for ``fsck`` alone (see ``fsck_rules``)."""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from statistics import stdev
from typing import Any

from shipsvc.app.fsck_rules import Said, Thing, alike
from shipsvc.domain.mass import Balance, Estimate, Mass, air_density, buoyancy_factor
from shipsvc.domain.verdicts import compare, e_n

#: Unless a collection says otherwise: [ng, ppm of what was expected] that handling may lose, ppm that air may add, and
#: ppm that work may lose unsaid. Trade practice, no source.
MAY_LOSE = {"sealed": [0, 0], "chip": [50_000, 1_000], "powder": [200_000, 10_000]}
MAY_GAIN = {"CI": 50_000, "CM": 20_000, "other": 2_000}
WORK_LOSES = {"sealed": 0, "chip": 5_000, "powder": 10_000, "chipping": 5_000, "crushing": 10_000, "sieving": 50_000}


@dataclass(frozen=True)
class Scale:
    """A balance as it is known today, and until when its check is good."""

    balance: Balance
    good_until: date
    papers: str = ""


@dataclass(frozen=True)
class Reading:
    """A mass as a fact states it: ng, its variance in ng^2, whether it was weighed, estimated or declared; and what
    ``behind`` says of it."""

    ng: int
    variance: float
    how: str
    behind: dict[str, Any] = field(default_factory=dict)

    @property
    def estimated(self) -> float:
        """The variance that is only an estimate's."""
        return self.variance if self.how == "estimated" else 0.0


@dataclass(frozen=True)
class Limits:
    """What a collection allows on a day: ng and ppm by material, ppm by class, ppm by process or material."""

    loses: Mapping[str, Any]
    gains: Mapping[str, int]
    in_work: Mapping[str, int]


@dataclass(frozen=True)
class Scales:
    """The balances on a day."""

    documents: "Documents"
    at: datetime
    told_by: datetime | None = None

    def get(self, code: str) -> Scale | None:
        """One of them; of one that was written down later, its beginning."""
        rows = self.documents.balances.get(code, ())
        told = [row for row in rows if self.told_by is None or row["recorded_at"] <= self.told_by]
        if not told:
            return None
        holding = [row for row in told if row["valid_from"] <= self.at]
        begun = min(row["valid_from"] for row in told)
        return _scale((holding or [row for row in told if row["valid_from"] == begun])[-1])


def _scale(row: Mapping[str, Any]) -> Scale:
    """By its papers: what they say of a load, as a share of that, the uncorrected error as one u."""
    load, share = row["calibration_load_ng"], 0.0
    if load:
        share = math.sqrt((row["error_of_indication_ng"] or 0) ** 2 + (row["calibration_u_ng"] or 0) ** 2) / load
    balance = Balance(row["readability_ng"], row["repeatability_ng"], share, row["linearity_ng"] or 0)
    checked = row["calibrated_on"] or row["valid_from"].date()
    return Scale(balance, row["good_until"], f"calibration of {row['code']} on {checked}")


#: Of a weighing whose tare was looked up, the member that stands for its variance.
OF_TARE = "tare_variance_ng2"
USUALLY = Limits(MAY_LOSE, MAY_GAIN, WORK_LOSES)


@dataclass(frozen=True)
class Documents:
    """All versions of balances and of what collections allow, by code, in the order in which they were told."""

    balances: Mapping[str, list[Mapping[str, Any]]]
    allowances: Mapping[str, list[Mapping[str, Any]]]

    def scales(self, at: datetime, told_by: datetime | None = None) -> "Scales":
        """The balances as they were on a day, by what was told by then, or by now."""
        return Scales(self, at, told_by)

    def limits(self, collection: str | None, at: datetime) -> Limits:
        """What the collection allowed on a day."""
        holding = [row for row in self.allowances.get(collection or "", ()) if row["valid_from"] <= at]
        if not holding:
            return USUALLY
        said = json.loads(holding[-1]["rules"])
        loses = {name: [one["least_ng"], one["share_ppm"]] for name, one in said["handling"].items()}
        return Limits(loses, said["moisture_ppm"], said["working_ppm"])


#: Of a day when nothing was written down yet.
NONE_KNOWN = Scales(Documents({}, {}), datetime(1, 1, 1, tzinfo=UTC))


def reading(words: Any, scales: Scales) -> Reading | None:
    """What the words say of a mass; None where they say nothing."""
    if not isinstance(words, Mapping) or not isinstance(words.get("mass"), str):
        return None
    if words.get("method") == "estimated":
        width = words.get("plus_minus")
        guess = Estimate.parse(words["mass"] + (f" +- {width}" if width else ""))
        return Reading(guess.mass.ng, guess.u_ng**2, "estimated")
    ng, scale = Mass.parse(words["mass"]).ng, scales.get(str(words.get("balance")))
    how, extra = "weighed" if scale else "declared", words.get(OF_TARE) or 0.0
    if words.get("expanded_uncertainty"):
        wide, k = Mass.parse(words["expanded_uncertainty"]).ng, words.get("coverage_factor") or 2
        return Reading(ng, (wide / k) ** 2 + extra, how, behind(ng, words, None, float(wide**2 + k**2 * extra)))
    return Reading(ng, _doubt_of(ng, words, scale.balance) if scale else 0.0, how, behind(ng, words, scale, None))


def behind(ng: int, words: Mapping[str, Any], scale: Scale | None, wide: float | None) -> dict[str, Any]:
    """What a mass shares, how the air bore on it, what was stated of it, how dry it was; {} where none is known."""
    lift, slope = lifted(ng, words["air"]) if words.get("air") else (None, 0.0)
    shared = {scale.papers: scale.balance.relative * ng} if scale and scale.balance.relative else {}
    found = {"expanded_variance": wide, "shared": shared, "buoyancy_ng": lift, "density_slope": slope}
    return whole({**found, "dryness": _dry(words), "dried_h": 0})


def lifted(ng: int, there: Mapping[str, Any]) -> tuple[float, float]:
    """What the air carries of rock of 2200 kg/m3 weighed against weights of 8000, and how that changes with 2200."""
    rho = air_density(there["temperature_c"], there["pressure_hpa"] * 100, there["humidity_percent"] / 100)
    by = (ng * buoyancy_factor(rho, 2201.0, 8000.0) - ng * buoyancy_factor(rho, 2199.0, 8000.0)) / 2
    return ng * buoyancy_factor(rho, 2200.0, 8000.0) - ng, by


NOT_KNOWN: dict[str, Any] = {"expanded_variance": None, "shared": {}, "buoyancy_ng": None, "density_slope": 0.0}
NOT_KNOWN |= {"dryness": "", "dried_h": 0}


def whole(found: Mapping[str, Any]) -> dict[str, Any]:
    """All of what stands behind a mass, or {} where that is nothing."""
    full = {**NOT_KNOWN, **found}
    return {} if full == NOT_KNOWN else full


def apart(one: Mapping[str, Any], other: Mapping[str, Any], sign: int) -> dict[str, Any]:
    """Behind two masses taken together (+1), or the one without the other (-1)."""
    one, other = {**NOT_KNOWN, **one}, {**NOT_KNOWN, **other}
    names = {*one["shared"], *other["shared"]}
    shared = {name: one["shared"].get(name, 0.0) + sign * other["shared"].get(name, 0.0) for name in names}
    wide, lift = one["expanded_variance"], one["buoyancy_ng"]
    return whole(
        {
            **one,
            "shared": shared,
            "expanded_variance": _known(wide, other["expanded_variance"], 1),
            "buoyancy_ng": _known(lift, other["buoyancy_ng"], sign),
            "density_slope": one["density_slope"] + sign * other["density_slope"],
        }
    )


def _known(one: float | None, other: float | None, sign: int) -> float | None:
    return None if one is None or other is None else one + sign * other


def in_common(one: Mapping[str, Any], other: Mapping[str, Any]) -> float:
    """Twice the covariance of two masses in ng^2."""
    there = other.get("shared", {})
    return 2.0 * sum(float(u) * float(there[name]) for name, u in one.get("shared", {}).items() if name in there)


def as_dry(words: Mapping[str, Any], before: Mapping[str, Any]) -> str:
    """How dry it was when it was weighed: as told, else dry where it stood in dry gas since the weighing before."""
    return _dry(words) or ("dry" if before.get("dried_h") else "")


def _dry(words: Mapping[str, Any]) -> str:
    return {"as_found": "as_found", "equilibrated": "dry", "re_dried": "dry"}.get(words.get("dryness") or "", "")


def _doubt_of(ng: int, words: Mapping[str, Any], balance: Balance) -> float:
    """The variance of a weighing in ng^2: that of the gross shrinks with the number of its readings, the tare's not."""
    tare = words.get(OF_TARE)
    step = balance.readability_ng / math.sqrt(12)
    empty = balance.repeatability_ng**2 + step**2 if tare is None else tare
    return once(ng, words, balance) + empty


def once(ng: int, words: Mapping[str, Any], balance: Balance) -> float:
    """The variance of one load, with what the papers say."""
    read = [Mass.parse(text).ng for text in words.get("readings") or ()]
    times = len(read) if len(read) > 1 else max(1, words.get("repeats") or 1)
    scatter = max(balance.repeatability_ng, stdev(read) if len(read) > 1 else 0.0)
    step, papers = balance.readability_ng / math.sqrt(12), (balance.relative * ng) ** 2 + balance.linearity_ng**2 / 3
    return scatter**2 / times + step**2 + papers


# -------------------------------------------------------------------------------------------------------------- tares
def tared(said: Said, scales: Scales) -> dict[str, Any]:
    """What a container weighed empty, by the words of a fact; {} where they say nothing."""
    if not said.body.get("mass"):
        return {}
    ng, scale = Mass.parse(said.body["mass"]).ng, scales.get(said.body.get("balance") or "")
    doubt = once(ng, said.body, scale.balance) if scale else 0.0
    if said.body.get("expanded_uncertainty"):
        doubt = (Mass.parse(said.body["expanded_uncertainty"]).ng / (said.body.get("coverage_factor") or 2)) ** 2
    return {"ng": ng, "variance": doubt, "with_cap": said.body.get("with_cap"), "event_id": said.id}


def on_tare(said: Said, tare: Mapping[str, Any], scales: Scales) -> tuple[Said, list[str]]:
    """A weighing with its net, where only the gross was told; and what is at odds with the tare of its container."""
    body, odd = said.body, []
    own = body["mass"] if said.kind == "tared" else body.get("tare")
    if body.get("gross") and not own and body.get("mass"):
        own = f"{Mass.parse(body['gross']).ng - Mass.parse(body['mass']).ng} ng"
    if tare and own:
        scale, ng = scales.get(body.get("balance") or ""), Mass.parse(own).ng
        doubt = tare["variance"] + (once(ng, {}, scale.balance) if scale else 0.0)
        odd += ["tare_differs"] if (ng - tare["ng"]) ** 2 > 9 * doubt else []
    caps = (body.get("with_cap"), tare.get("with_cap"))
    odd += ["cap_differs"] if None not in caps and caps[0] != caps[1] else []
    if said.kind == "tared" or body.get("mass"):
        return said, odd
    if not own and not tare:
        return said, [*odd, "tare_unknown"]
    net = Mass.parse(body["gross"]).ng - (Mass.parse(own).ng if own else tare["ng"])
    of_tare = {} if own else {OF_TARE: tare["variance"]}
    return replace(said, body={**body, "mass": f"{net} ng", **of_tare}), odd


def describe(thing: Thing, said: Said) -> None:
    """What a registration says of the material."""
    thing.material = said.body.get("material") or thing.material
    thing.moisture_class = said.body.get("moisture_class") or thing.moisture_class
    if said.body.get("reserve") is True and alike(said.teller, thing.owner):
        thing.reserve = True


def weigh(thing: Thing, said: Said, scales: Scales, limits: Limits) -> dict[str, Any] | None:
    """A weighing against the book: the row of the comparison, or None where there is no book or it says no mass."""
    found = reading(said.body, scales)
    if found is None or thing.mass_ng is None or thing.how == "embedded":
        return None
    mine, its = {**NOT_KNOWN, **found.behind}, {**NOT_KNOWN, **thing.behind}
    dry = as_dry(said.body, its)
    variance, expected = thing.variance + found.variance - in_common(mine, its), thing.mass_ng
    marks, lift = _marks(found, said, scales), 0
    marks += ["dryness_differs"] if dry and its["dryness"] and dry != its["dryness"] else []
    if mine["buoyancy_ng"] is not None and its["buoyancy_ng"] is not None:
        lift = round(mine["buoyancy_ng"] - its["buoyancy_ng"])
        variance += (mine["density_slope"] - its["density_slope"]) ** 2 * 400**2 / 3
        marks.append("buoyancy_corrected")
    variance = max(0.0, variance)
    least, ppm = limits.loses[thing.material]
    result = compare(
        expected,
        found.ng + lift,
        variance**0.5,
        allowance_ng=max(least, ppm * abs(expected) / 10**6),
        moisture_ng=limits.gains[thing.moisture_class] * abs(expected) / 10**6,
        estimated=2 * (thing.estimated_variance + found.estimated) > variance,
    )
    wide = (mine["expanded_variance"], its["expanded_variance"])
    return {
        "happened_at": said.at,
        "by_party": said.party,
        "expected_ng": expected,
        "observed_ng": found.ng,
        "u_ng": result.u_ng,
        "r": result.r if result.u_ng > 0 else None,
        "verdict": result.verdict.value,
        "marks": " ".join(marks),
        "buoyancy_ng": lift,
        "e_n": None if None in wide else e_n(found.ng + lift, expected, *(math.sqrt(one) for one in wide if one)),
        "dryness": dry,
        "is_sheet": False,
    }


def sheet(thing: Thing, said: Said, scales: Scales, limits: Limits) -> dict[str, Any] | None:
    """The sheet of a split that does not add up to what was there, as a row of comparisons; None where it does, or
    where something on it was not weighed."""
    body = said.body
    if said.kind != "divided" or thing.mass_ng is None or not (body.get("ends") is True or body.get("rest")):
        return None
    words = [piece for piece in body["children"] if piece["number"] != thing.number]
    read = [reading(one, scales) for one in (*words, *(body[name] for name in ("loss", "rest") if body.get(name)))]
    there = [one for one in read if one]
    if len(there) < len(read):
        return None
    variance = thing.variance + sum(one.variance for one in there)
    process = str(body.get("process") or "").strip().lower()
    ppm = limits.in_work.get(process or thing.material)
    in_work = abs(thing.mass_ng) * (limits.in_work[thing.material] if ppm is None else ppm) / 10**6
    result = compare(
        thing.mass_ng,
        sum(one.ng for one in there),
        variance**0.5,
        allowance_ng=max(limits.loses[thing.material][0], in_work),
        moisture_ng=limits.gains[thing.moisture_class] * abs(thing.mass_ng) / 10**6,
        estimated=2 * (thing.estimated_variance + sum(one.estimated for one in there)) > variance,
    )
    if result.verdict.value in ("agrees", "watch", "loss_within_allowance", "cannot_be_confirmed"):
        return None
    return {
        "happened_at": said.at,
        "by_party": said.party,
        "expected_ng": thing.mass_ng,
        "marks": "",
        "dryness": "",
        "observed_ng": sum(one.ng for one in there),
        "u_ng": result.u_ng,
        "verdict": result.verdict.value,
        "r": result.r if result.u_ng > 0 else None,
        "buoyancy_ng": 0,
        "e_n": None,
        "is_sheet": True,
    }


def _marks(found: Reading, said: Said, scales: Scales) -> list[str]:
    scale = scales.get(said.body.get("balance") or "")
    if scale is None:
        return ["balance_unknown"]
    marks = ["below_least_mass"] if found.ng < scale.balance.least_mass_ng else []
    marks += ["calibration_lapsed"] if said.at.date() > scale.good_until else []
    if found.behind.get("expanded_variance") is None:
        return marks
    usual = _doubt_of(found.ng, said.body, scale.balance)
    return marks if usual / 9 <= found.variance <= 9 * usual else [*marks, "stated_u_odd"]
