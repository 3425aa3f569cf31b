"""The story of things that were ever near each other, told from the beginning, for ``fsck`` alone.

The whole state is a handful of ``Thing``s that change as the facts go by. After each fact the things it touched are
written down as the span they should have; nothing looks at what the service wrote.
"""

from collections.abc import Iterable, Mapping
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import groupby
from typing import Any

from shipsvc.app import fsck_book, fsck_owed, fsck_rules
from shipsvc.app.fsck_book import Documents, Reading, reading
from shipsvc.app.fsck_mass import Books, Flow
from shipsvc.app.fsck_rules import BEFORE_THEIR_EYES, LINE_IS_OUT, Said, Thing

OUR_WORD = {"posted", "rebased", "written_off", "lost_decided", "reserve_set"}
OF_MATERIAL = frozenset(
    {"accessioned", "weighed", "dried", "divided", "combined", "embedded", "used", "loss_noted"}
    | {"contamination_noted", "restriction_set", "profile_set"}
    | OUR_WORD
)
OF_THE_NUMBER = frozenset({"registered", "label_attached", "loan_signed", "due_set", "recalled"})
NOT_PASSED_ON = OF_MATERIAL | OF_THE_NUMBER | {"tared"}
MOVES_MASS = OF_MATERIAL - {"contamination_noted", "restriction_set", "profile_set"} | {"registered"}
#: Kind, form and owner of each thing.
Kinds = Mapping[str, tuple[str, str, str]]
#: Of which collection it is, if of any.
Collections = Mapping[str, str | None]
#: Of each place, oldest word first: since when, told when, which profile it keeps.
Cabinets = Mapping[str, list[tuple[datetime, datetime, str]]]


@dataclass
class Expected:
    """What should be written of the things: spans as (from, columns), and rows by their keys."""

    spans: dict[str, list[tuple[datetime, dict[str, Any]]]] = field(default_factory=dict)
    bears_on: dict[tuple[str, str], Said] = field(default_factory=dict)
    comparisons: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    parentage: dict[tuple[str, str, str], dict[str, Any]] = field(default_factory=dict)
    flags: set[tuple[str, str, str]] = field(default_factory=set)
    flows: dict[Flow, int] = field(default_factory=dict)


def in_order(facts: Iterable[Said]) -> list[Said]:
    """Rulings 6: by happened_at; what one run of a device counted stays together in the order of its count, and stands
    where its first told fact does; all else by recorded_at, place in the request, id."""
    ordered: list[Said] = []
    for _, same in groupby(sorted(facts, key=lambda said: said.at), key=lambda said: said.at):
        threads: dict[object, list[Said]] = {}
        for said in same:
            threads.setdefault(said.thread or said.id, []).append(said)
        for thread in sorted(threads.values(), key=lambda thread: min(_told(said) for said in thread)):
            ordered += sorted(thread, key=lambda said: (said.count, _told(said)))
    return ordered


def _told(said: Said) -> tuple[datetime, int, str]:
    return said.recorded_at, said.place, said.id


def tell(
    facts: Iterable[Said], kinds: Kinds, collections: Collections, documents: Documents, cabinets: Cabinets
) -> Expected:
    """What should be written of the things in ``kinds``, (kind, form, owner) by number, when all the facts are told."""
    story = _Story(kinds, collections, documents, cabinets)
    for said in in_order(facts):
        story.hear(said)
    story.expected.flows = dict(story.books.flows)
    return story.expected


class _Story:
    def __init__(self, kinds: Kinds, collections: Collections, documents: Documents, cabinets: Cabinets) -> None:
        self.collections, self.documents = collections, documents
        self.cabinets = cabinets
        self.things = {number: Thing(number, *kind) for number, kind in kinds.items()}
        self.inside: dict[str, set[str]] = {}
        self.prints: dict[tuple[str, int | None], str] = {}
        self.touched: set[str] = set()
        self.expected = Expected()
        self.books = Books(self.things)

    def hear(self, said: Said) -> None:
        meant: list[str] = []
        on_the_way: set[str] = set()
        for number, serial in said.subjects:
            seen = number
            if serial is not None and said.kind not in OF_THE_NUMBER:
                seen = self.prints.get((number, serial), number)
            if seen not in self.things:
                continue  # in another group of things, where the fact is told as well
            item = self.means(seen, said)
            on_the_way |= {seen, item}
            if item not in meant:
                meant.append(item)
        if said.kind == "label_attached" and said.body.get("to"):
            self.prints |= dict.fromkeys(said.subjects, said.body["to"])
        for number in (on_the_way | said.named()) & self.things.keys():
            self.expected.bears_on[number, said.id] = said
        for item in [] if said.waits else meant:
            self.happens(self.things[item], said)
        self.write_down(said.at)

    def means(self, seen: str, said: Said) -> str:
        """The sample in a container, for what is done to material; the vial around a sample, for all else."""
        if said.kind in OF_THE_NUMBER:
            return seen
        thing = self.things[seen]
        if said.kind in OF_MATERIAL:
            samples = [n for n in self.inside.get(seen, ()) if self.things[n].kind == "sample"]
            if thing.kind != "sample" and len(samples) > 1:
                self.flag(seen, said, "which_sample")
            return samples[0] if thing.kind != "sample" and len(samples) == 1 else seen
        moves_material = said.kind in ("packed", "unpacked") and said.body.get("material") is True
        in_vial = thing.parent is not None and self.things[thing.parent].form == "vial"
        return str(thing.parent) if thing.kind == "sample" and in_vial and not moves_material else seen

    # -------------------------------------------------------------------------------------------------------- the nest
    def happens(self, thing: Thing, said: Said) -> None:
        if thing.handover == "ended" and said.kind not in OF_THE_NUMBER:
            self.flag(thing.number, said, "has_ended")
        counts = fsck_rules.is_no_stranger(thing, said)
        if not counts:
            self.flag(thing.number, said, "strangers_word")
        if (self.is_elsewhere(thing, said) or said.kind == "unpacked") and counts:
            vial = self.things[thing.parent] if thing.parent else None
            self.move(thing, None)
            if vial and vial.form == "vial" and thing.kind == "sample":
                vial.closed = False
                self.touched.add(vial.number)
        for one in [thing] if said.kind in NOT_PASSED_ON else [thing, *self.all_inside(thing)]:
            if said.kind == "accepted" and said.body.get("signed"):
                said = replace(said, signed=fsck_rules.is_signed(one, said))
                if one is thing:
                    self.flag(one.number, said, "one_device" if said.signed else "signature_alone")
            if fsck_rules.is_no_stranger(one, said):
                fsck_owed.owed(one, said)
                fsck_rules.place(one, said)
                self.keep(one, said)
            fsck_rules.custody(one, said)
            self.touched.add(one.number)
        if thing.handover == "disputed" and said.kind in ("released", "accepted"):
            self.flag(thing.number, said, "disputed")
        if said.kind == "packed" and said.body.get("into") in self.things and counts:
            self.pack(thing, self.things[said.body["into"]], said)
        if counts and thing.handover != "ended":
            if said.kind in ("sealed", "opened"):
                thing.closed = said.kind == "sealed"
            if said.kind == "profile_set" and thing.kind == "sample":
                thing.profile = said.body["profile"]
        if said.kind in MOVES_MASS and thing.kind == "sample":
            # A stranger's weighing is compared like any other; the book is not a stranger's to change.
            self.mass(thing, said, counts)
        if said.kind == "tared" and thing.kind != "sample":
            self.empty(thing, said, counts)

    def is_elsewhere(self, thing: Thing, said: Said) -> bool:
        """Whether somebody has it before them who is not with its box, or stores it where its box is not."""
        if thing.parent is None or said.kind not in BEFORE_THEIR_EYES or said.kind == "packed":
            return False
        if said.own and thing.certain is not None and not thing.with_somebody(said.party):
            self.flag(thing.number, said, "seen_elsewhere")
            return True
        box = self.things[thing.parent]
        return said.kind == "stored" and not (box.status == "stored" and box.place == said.body.get("place"))

    def pack(self, thing: Thing, box: Thing, said: Said) -> None:
        if thing.handover == "ended":
            return
        if box is thing or box in self.all_inside(thing):
            self.flag(thing.number, said, "nest_cycle")
            return
        if thing.parent is not None and thing.parent != box.number:
            self.flag(thing.number, said, "was_elsewhere")
        self.move(thing, box.number)
        if box.form == "vial" and thing.kind == "sample":
            box.closed = True
            self.touched.add(box.number)
        for one in [thing, *self.all_inside(thing)]:
            self.touched.add(one.number)
            if box.status == "stored" and one.status != "stored":
                one.status, one.place = "stored", box.place
            elif one.status == "taken_out":
                one.status = "packed"
            self.keep(one, said)

    def keep(self, thing: Thing, said: Said) -> None:
        """Put into a store, a sample without a profile gets the one that its place was known to keep by then."""
        if thing.kind != "sample" or thing.profile or thing.status != "stored" or said.kind not in ("stored", "packed"):
            return
        for since, told_at, profile in self.cabinets.get(thing.place or "", ()):
            if since <= said.at and told_at <= said.recorded_at:
                thing.profile = profile

    def all_inside(self, thing: Thing) -> list[Thing]:
        found: list[Thing] = []
        for number in sorted(self.inside.get(thing.number, ())):
            found += [self.things[number], *self.all_inside(self.things[number])]
        return found

    def move(self, thing: Thing, box: str | None) -> None:
        if thing.parent is not None:
            self.inside[thing.parent].discard(thing.number)
        if box is not None:
            self.inside.setdefault(box, set()).add(thing.number)
        thing.parent = box
        self.touched.add(thing.number)

    # -------------------------------------------------------------------------------------------------------- the mass
    def mass(self, sample: Thing, said: Said, counts: bool) -> None:
        self.books.scales = self.documents.scales(said.at)
        self.books.limits = self.documents.limits(self.collections[sample.number], said.at)
        said = self.netted(sample, said)
        row = fsck_book.weigh(sample, said, self.books.scales, self.books.limits) if said.kind == "weighed" else None
        if row:
            self.expected.comparisons[sample.number, said.id] = row
        if not counts:
            return
        before = deepcopy(sample)
        open_sheet = fsck_book.sheet(before, said, self.books.scales, self.books.limits)
        if open_sheet:
            self.expected.comparisons[sample.number, said.id] = open_sheet
            self.flag(sample.number, said, "does_not_close")
        if said.kind in ("registered", "accessioned", "combined"):
            fsck_book.describe(sample, said)
        ended = self.books.act(sample, said)
        related = self.family(sample, before, said)
        for thing in (sample, *related):
            self.touched.add(thing.number)
            if thing.mass_ng is not None and thing.mass_ng < 0:
                self.flag(thing.number, said, "below_zero")
        if ended:
            self.end(sample, said)

    def netted(self, sample: Thing, said: Said) -> Said:
        """A weighing less the tare of the container that the sample is in, where it told the gross."""
        if said.kind != "weighed" or not said.body.get("gross"):
            return said
        tare = self.things[sample.parent].tare if sample.parent in self.things else {}
        said, odd = fsck_book.on_tare(said, tare, self.books.scales)
        for code in odd:
            self.flag(sample.number, said, code)
        return said

    def empty(self, container: Thing, said: Said, counts: bool) -> None:
        """A container is weighed by itself."""
        scales = self.documents.scales(said.at)
        for code in fsck_book.on_tare(said, container.tare, scales)[1]:
            self.flag(container.number, said, code)
        tare = fsck_book.tared(said, scales)
        if counts and tare:
            container.tare = tare
            self.touched.add(container.number)

    def family(self, sample: Thing, before: Thing, said: Said) -> list[Thing]:
        """The births, and the pieces or parents whose books the act changed as well."""
        related = []
        if said.kind in ("divided", "embedded"):
            for number, entry in self.books.sheet(sample, said, "children"):
                found = reading(entry, self.books.scales) if said.kind == "divided" else None
                self.born(number, sample.number, found, said)
                if number in self.things:
                    self.begin(self.things[number], before)
                    related.append(self.things[number])
                    if entry.get("used") is True and said.kind == "divided":
                        self.end(self.things[number], said)
        if said.kind == "combined":
            parents: list[str] = []
            for number, entry in self.books.sheet(sample, said, "parents"):
                found = reading(entry, self.books.scales)
                if found:
                    parents.append(number)
                    self.born(sample.number, number, found, said)
                    related += [self.things[number]] if number in self.things else []
            kept_in = {self.things[number].profile if number in self.things else None for number in parents}
            if len(kept_in) == 1 and not sample.profile:
                sample.profile = kept_in.pop()
        return related

    def born(self, child: str, parent: str, found: Reading | None, said: Said) -> None:
        self.expected.parentage[child, parent, said.id] = {"born_at": said.at, "mass_ng": found.ng if found else None}

    def begin(self, child: Thing, parent: Thing) -> None:
        """A piece starts with the holder, in the place and under the loan of its parent, unless it has its own."""
        fresh = Thing("", "", "", "")
        copied = deepcopy(parent)
        for names in (
            ("certain", "certain_since", "claimed", "handover", "words", "sent_on"),
            ("place", "status", "accessioned"),
            ("line", "next_line"),
        ):
            unheld = "certain" in names and child.certain is None and child.handover != "ended"
            if unheld or all(getattr(child, name) == getattr(fresh, name) for name in names):
                for name in names:
                    setattr(child, name, getattr(copied, name))
        child.profile = child.profile or parent.profile

    def end(self, sample: Thing, said: Said) -> None:
        """Nothing is left of it: it is in nothing, with nobody, and no longer owed."""
        self.move(sample, None)
        if sample.line.state in LINE_IS_OUT:
            gone = "lost_decided" if said.kind in OUR_WORD else "used_up"
            sample.line = replace(sample.line, state=gone, since=said.at)
        sample.certain = sample.certain_since = sample.claimed = sample.sent_on = None
        sample.handover, sample.words, sample.status = "ended", [], "ended"

    # ----------------------------------------------------------------------------------------------------- the writing
    def flag(self, item: str, said: Said, code: str) -> None:
        self.expected.flags.add((item, said.id, code))

    def write_down(self, at: datetime) -> None:
        nothing = Thing("", "", "", "").columns()
        for number in self.touched:
            spans = self.expected.spans.setdefault(number, [])
            if spans and spans[-1][0] == at:
                spans.pop()
            now = self.things[number].columns()
            if now != (spans[-1][1] if spans else nothing):
                spans.append((at, now))
        self.touched.clear()
