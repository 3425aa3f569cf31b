"""What acts do to masses, written a second time for ``fsck`` alone: here mass is poured, and books are what is in them.

The service sets books and derives moves from them; here a book changes only by what is poured in or out, so that the
two agree only where every sample's book is what the ledger says it holds.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from shipsvc.app.fsck_book import NONE_KNOWN, USUALLY, Limits, Reading, Scales, apart, as_dry, in_common, reading, whole
from shipsvc.app.fsck_rules import Said, Thing

#: By the sample whose book decides and the fact: out of which account, into which; a sample's is its number.
Flow = tuple[str, str, str, str]


@dataclass
class Books:
    """All samples, how many ng have flowed from where to where, and the balances and limits of the day."""

    things: Mapping[str, Thing]
    scales: Scales = NONE_KNOWN
    limits: Limits = USUALLY
    flows: Counter[Flow] = field(default_factory=Counter)

    def act(self, sample: Thing, said: Said) -> bool:
        """Let an act do what it does to the sample and its pieces or parents; whether nothing is left of it."""
        found, words = reading(said.body, self.scales), said.body
        match said.kind:
            case "registered" | "accessioned":
                self.first(sample, said, found)
            case "weighed":
                if found:
                    dry = as_dry(words, sample.behind)
                    found = replace(found, behind=whole({**found.behind, "dryness": dry}))
                self.first(sample, said, found)
                if found and sample.how != "embedded" and sample.behind.get("dried_h"):
                    sample.behind = whole({**sample.behind, "dried_h": 0})
            case "dried":
                sample.behind = whole({**sample.behind, "dried_h": words.get("hours") or 0})
            case "posted" | "rebased":
                self.reset(sample, said, found)
            case "combined":
                self.mix(sample, said, found)
            case "used" | "loss_noted":
                self.spend(sample, said, found)
                if said.kind == "used" and words.get("all") is True:
                    return self.empty(sample, said, "unexplained" if found else "used_estimated")
            case "divided":
                return self.split(sample, said)
            case "reserve_set":
                sample.reserve = words.get("reserve") is True
            case "embedded":
                for number, words in self.sheet(sample, said, "children"):
                    self.begin(number, sample, words, said, None, "embedded")
                return self.empty(sample, said, "embedded")
            case _:
                return self.empty(sample, said, "written_off")
        return False

    def pour(self, owner: str, said: Said, out: str, into: str, ng: int) -> None:
        """So many ng, which below zero go the other way."""
        if ng < 0:
            out, into, ng = into, out, -ng
        if ng:
            self.flows[owner, said.id, out, into] += ng
        for name, change in ((out, -ng), (into, ng)):
            if name in self.things:
                self.things[name].mass_ng = (self.things[name].mass_ng or 0) + change

    def first(self, sample: Thing, said: Said, found: Reading | None, how: str = "") -> None:
        """The first mass of a sample."""
        if found is None or sample.mass_ng is not None or sample.how == "embedded":
            return
        source = "unexplained" if sample.how == "unweighed" else "origin"
        self.pour(sample.number, said, source, sample.number, found.ng)
        sample.mass_ng = found.ng
        _known(sample, found, how or found.how)

    def reset(self, sample: Thing, said: Said, found: Reading | None) -> None:
        """The book is set to a mass; the difference is unexplained, or better known than an estimate."""
        if found is None or sample.how == "embedded":
            return
        if sample.mass_ng is None:
            self.first(sample, said, found, said.kind)
            return
        other = {"posted": "unexplained", "rebased": "rebasis"}[said.kind]
        self.pour(sample.number, said, other, sample.number, found.ng - sample.mass_ng)
        _known(sample, found, said.kind)

    def spend(self, sample: Thing, said: Said, found: Reading | None) -> None:
        """Something left the sample."""
        if found is None or sample.mass_ng is None:
            return
        on_a_balance = said.body.get("balance") and said.body.get("method") not in ("estimated", "declared")
        goes = "worked_loss" if said.kind == "loss_noted" else "used_weighed" if on_a_balance else "used_estimated"
        self.pour(sample.number, said, sample.number, goes, found.ng)
        _doubt(sample, found)

    def empty(self, sample: Thing, said: Said, into: str) -> bool:
        """Nothing is left of it; always True."""
        if sample.mass_ng is not None:
            self.pour(sample.number, said, sample.number, into, sample.mass_ng)
            sample.mass_ng, sample.variance, sample.estimated_variance, sample.behind = 0, 0.0, 0.0, {}
        return True

    # ------------------------------------------------------------------------------------------------------ the family
    def sheet(self, sample: Thing, said: Said, name: str) -> list[tuple[str, Mapping[str, Any]]]:
        """The pieces or parts; a thing is no part of itself."""
        room = {"air": said.body["air"]} if said.body.get("air") else {}
        return [(e["number"], room | e) for e in said.body.get(name) or () if e["number"] != sample.number]

    def split(self, sample: Thing, said: Said) -> bool:
        """Pieces come off it; whether it ends by that."""
        had, holds = sample.mass_ng or 0, sample.mass_ng is not None
        for number, words in self.sheet(sample, said, "children"):
            found = reading(words, self.scales)
            self.begin(number, sample, words, said, found, "unweighed" if holds else "")
            if found:
                self.pour(sample.number, said, sample.number if holds else "origin", number, found.ng)
                if holds:
                    _doubt(sample, found)
            if words.get("used") is True and number in self.things:
                self.consume(self.things[number], words, said)
        lost = reading(said.body.get("loss"), self.scales)
        if lost and holds:
            self.pour(sample.number, said, sample.number, "worked_loss", lost.ng)
            _doubt(sample, lost)
        if said.body.get("ends") is not True:
            return False
        in_work = lost is None and self.in_work(sample.mass_ng or 0, had, sample, said)
        return self.empty(sample, said, "worked_loss" if in_work else "unexplained")

    def consume(self, piece: Thing, words: Mapping[str, Any], said: Said) -> None:
        """A piece is used up as soon as it is there."""
        if piece.mass_ng is not None:
            on_a_balance = words.get("balance") and words.get("method") not in ("estimated", "declared")
            self.pour(
                piece.number, said, piece.number, "used_weighed" if on_a_balance else "used_estimated", piece.mass_ng
            )
            piece.mass_ng, piece.variance, piece.estimated_variance, piece.behind = 0, 0.0, 0.0, {}

    def begin(
        self,
        number: str,
        parent: Thing,
        words: Mapping[str, Any],
        said: Said,
        found: Reading | None,
        otherwise: str,
    ) -> None:
        """A piece: what it was registered with goes back, since it is about to come out of its parent."""
        if number not in self.things:
            return
        piece = self.things[number]
        if piece.mass_ng and found is None and otherwise != "embedded":
            return
        self.pour(number, said, number, "origin", piece.mass_ng or 0)
        piece.mass_ng = 0 if found else None
        piece.material, piece.moisture_class = str(words.get("material", parent.material)), parent.moisture_class
        _known(piece, found or Reading(0, 0.0, otherwise), found.how if found else otherwise)

    def mix(self, sample: Thing, said: Said, found: Reading | None) -> None:
        """It is made of parts of others."""
        parts = [(n, part) for n, e in self.sheet(sample, said, "parents") if (part := reading(e, self.scales))]
        if not parts:
            self.first(sample, said, found)
            return
        all_in = sum(part.ng for _, part in parts)
        weighs = found.ng if found else all_in if sample.mass_ng is None else sample.mass_ng
        if found:
            _known(sample, found, found.how)
        elif sample.mass_ng is None:
            sample.variance, sample.estimated_variance, sample.how, sample.behind = 0.0, 0.0, "computed", {}
            for place, (_, part) in enumerate(parts):
                sample.variance += part.variance + in_common(sample.behind, part.behind)
                sample.estimated_variance += part.estimated
                sample.behind = apart(sample.behind, part.behind, 1) if place else part.behind
            sample.behind = whole({**sample.behind, "dryness": "", "dried_h": 0})
        self.pour(sample.number, said, sample.number, "origin", sample.mass_ng or 0)
        sample.mass_ng = 0
        for number, part in parts:
            parent = self.things.get(number)
            holds = parent is not None and parent.mass_ng is not None
            self.pour(number, said, number if holds else "origin", sample.number, part.ng)
            if parent and holds:
                _doubt(parent, part)
        worked = self.in_work(all_in - weighs, all_in, sample, said)
        self.pour(sample.number, said, sample.number, "worked_loss" if worked else "unexplained", all_in - weighs)

    def in_work(self, lost: int, of: int, sample: Thing, said: Said) -> bool:
        """Whether work may have lost so much."""
        process = str(said.body.get("process") or "").strip().lower()
        ppm = self.limits.in_work.get(process or sample.material)
        return 0 <= lost <= of * (self.limits.in_work[sample.material] if ppm is None else ppm) / 10**6


def _known(thing: Thing, found: Reading, how: str) -> None:
    thing.variance, thing.estimated_variance, thing.how = found.variance, found.estimated, how
    thing.behind = found.behind


def _doubt(thing: Thing, found: Reading) -> None:
    thing.variance = max(0.0, thing.variance + found.variance - in_common(thing.behind, found.behind))
    thing.behind = apart(thing.behind, found.behind, -1)
    thing.estimated_variance += found.estimated
