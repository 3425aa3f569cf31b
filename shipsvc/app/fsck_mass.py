"""What acts do to masses, written a second time for ``fsck`` alone: here mass is poured, and books are what is in them.

The service sets books and derives moves from them; here a book changes only by what is poured in or out, so that the
two agree only where every sample's book is what the ledger says it holds.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from shipsvc.app.fsck_book import Reading, Scales, reading
from shipsvc.app.fsck_rules import Said, Thing

#: What work may lose unsaid, as a share of what was worked: trade practice, no source.
WORK_LOSES = {"sealed": 0.0, "chip": 0.005, "powder": 0.01}
#: By the sample whose book decides and the fact: out of which account, into which; a sample's is its number.
Flow = tuple[str, str, str, str]


@dataclass
class Books:
    """All samples, and how many ng have flowed from where to where."""

    things: Mapping[str, Thing]
    scales: Scales
    flows: Counter[Flow] = field(default_factory=Counter)

    def act(self, sample: Thing, said: Said) -> bool:
        """Let an act do what it does to the sample and its pieces or parents; whether nothing is left of it."""
        found, words = reading(said.body, self.scales), said.body
        match said.kind:
            case "registered" | "accessioned":
                self.first(sample, said, found)
            case "weighed":
                self.first(sample, said, found)
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
            sample.mass_ng, sample.variance, sample.estimated_variance = 0, 0.0, 0.0
        return True

    # ------------------------------------------------------------------------------------------------------ the family
    def sheet(self, sample: Thing, said: Said, name: str) -> list[tuple[str, Mapping[str, Any]]]:
        """The pieces or parts; a thing is no part of itself."""
        return [(e["number"], e) for e in said.body.get(name) or () if e["number"] != sample.number]

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
        lost = reading(said.body.get("loss"), self.scales)
        if lost and holds:
            self.pour(sample.number, said, sample.number, "worked_loss", lost.ng)
            _doubt(sample, lost)
        if said.body.get("ends") is not True:
            return False
        in_work = lost is None and self.in_work(sample.mass_ng or 0, had, sample)
        return self.empty(sample, said, "worked_loss" if in_work else "unexplained")

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
        whole = sum(part.ng for _, part in parts)
        weighs = found.ng if found else whole if sample.mass_ng is None else sample.mass_ng
        if found:
            _known(sample, found, found.how)
        elif sample.mass_ng is None:
            sum_of = [sum(part.variance for _, part in parts), sum(part.estimated for _, part in parts)]
            sample.variance, sample.estimated_variance, sample.how = *sum_of, "computed"
        self.pour(sample.number, said, sample.number, "origin", sample.mass_ng or 0)
        sample.mass_ng = 0
        for number, part in parts:
            parent = self.things.get(number)
            holds = parent is not None and parent.mass_ng is not None
            self.pour(number, said, number if holds else "origin", sample.number, part.ng)
            if parent and holds:
                _doubt(parent, part)
        worked = self.in_work(whole - weighs, whole, sample)
        self.pour(sample.number, said, sample.number, "worked_loss" if worked else "unexplained", whole - weighs)

    def in_work(self, lost: int, of: int, sample: Thing) -> bool:
        """Whether work may have lost so much."""
        return 0 <= lost <= of * WORK_LOSES.get(sample.material, WORK_LOSES["chip"])


def _known(thing: Thing, found: Reading, how: str) -> None:
    thing.variance, thing.estimated_variance, thing.how = found.variance, found.estimated, how


def _doubt(thing: Thing, found: Reading) -> None:
    thing.variance += found.variance
    thing.estimated_variance += found.estimated
