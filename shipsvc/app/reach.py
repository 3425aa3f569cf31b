"""How far facts reach: whose state they can change, and whose state decides on that (rulings 9).

What is told of a thing is told of all that is in it; a sample is meant by its vial and a vial by its sample; a print
means the container it was on; a piece starts as its parent was. Facts told late can undo any of this, so it is
followed through the spans as they stand and through what later facts say, until nothing is added. Rather too much
than too little: what is reached without need comes out of the fold as it was.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.acts import ItemInfo
from shipsvc.domain.facts import OF_MATERIAL, Named
from shipsvc.store import events, items, spans
from shipsvc.store.engine import Row
from shipsvc.store.events import InForce


@dataclass(frozen=True)
class Heard:
    """What decides on the reach of one fact; ``bears_on`` are the items it was found to mean so far."""

    kind: str
    subjects: tuple[Named, ...]
    body: Mapping[str, Any]
    bears_on: frozenset[str] = frozenset()

    @property
    def numbers(self) -> set[str]:
        """The numbers of its subjects."""
        return {named.number for named in self.subjects}

    @property
    def family(self) -> set[str]:
        """The pieces and parents in its body."""
        return {str(entry["number"]) for name in ("children", "parents") for entry in self.body.get(name, ())}

    @property
    def boxes(self) -> set[str]:
        """The container it says that something went into, or that a label was stuck on."""
        name = "to" if self.kind == "label_attached" else "into"
        return {str(self.body[name])} if self.body.get(name) else set()

    @property
    def printed(self) -> set[str]:
        """The numbers that were read from a print."""
        return {named.number for named in self.subjects if named.serial is not None}


@dataclass(frozen=True)
class Scope:
    """What to fold again from ``since`` on: all ``items`` that decide; those ``changing`` may come out otherwise.

    ``facts`` are those in force about them, ``known`` what those bear on, ``labels`` the attachments before ``since``.
    """

    items: frozenset[str]
    changing: frozenset[str]
    since: datetime
    facts: Sequence[InForce]
    known: Sequence[Row]
    labels: Sequence[InForce]
    infos: Mapping[str, ItemInfo]
    #: Numbers of which it has to be settled anew what they name.
    in_doubt: frozenset[str] = frozenset()


def reach(
    connection: sa.Connection,
    fresh: Iterable[Heard],
    withdrawn: Iterable[Heard],
    since: datetime,
    in_doubt: Collection[str] = (),
) -> Scope:
    """What ``fresh`` facts, and the withdrawal of others, can change from ``since`` on.

    What the numbers ``in_doubt`` name is about to be settled: each may turn out a sample as well as a vial.
    """
    going = _Reach(connection, since, frozenset(in_doubt), stand_in=set(in_doubt))
    going.begin([*fresh, *withdrawn])
    going.go_on()
    return going.scope()


def in_force(connection: sa.Connection, originals: Collection[str]) -> list[Heard]:
    """Those of the facts that still hold, as amended, with what each was found to mean."""
    if not originals:
        return []
    bears_on = _items_by_event(events.items_of(connection, originals))
    return [_heard(row, bears_on[original]) for original, _, row in events.these_in_force(connection, originals)]


@dataclass
class _Reach:
    connection: sa.Connection
    since: datetime
    in_doubt: frozenset[str]
    changing: set[str] = field(default_factory=set)
    items: set[str] = field(default_factory=set)
    heard: list[Heard] = field(default_factory=list)
    facts: dict[str, InForce] = field(default_factory=dict)
    known: list[Row] = field(default_factory=list)
    labels: dict[str, InForce] = field(default_factory=dict)
    infos: dict[str, ItemInfo] = field(default_factory=dict)
    #: What each thing may have been in, what may have been in it, and which containers its prints may have been on.
    above: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    inside: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    prints: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    #: Containers that stand for a sample in them: what names the one may mean the other.
    stand_in: set[str] = field(default_factory=set)
    #: For which of them each of these was looked up already.
    placed: set[str] = field(default_factory=set)
    opened: set[str] = field(default_factory=set)
    asked: set[str] = field(default_factory=set)
    looked_up: set[str] = field(default_factory=set)

    def scope(self) -> Scope:
        facts, labels = list(self.facts.values()), list(self.labels.values())
        whole, changing = frozenset(self.items), frozenset(self.changing)
        return Scope(whole, changing, self.since, facts, self.known, labels, self.infos, self.in_doubt)

    def begin(self, told: Sequence[Heard]) -> None:
        """The things that facts are told of, and where their prints were or will be."""
        self._listen(told)
        for heard in told:
            self.changing |= heard.numbers | heard.family | (heard.bears_on - heard.boxes)
            self.items |= heard.boxes
            for number in heard.printed:
                self.changing |= self.prints[number]

    def go_on(self) -> None:
        """Follow the nests, then what is told of the things in them, until neither leads any further."""
        self._spread()
        while fresh := self.items - self.asked:
            self.asked |= fresh
            self._take(events.timeline(self.connection, fresh, self.since))
            self._spread()

    # -------------------------------------------------------------------------------------------------------- the nests
    def _spread(self) -> None:
        self._follow()
        while (fresh := self.items - self.placed) or (closed := self._closed()):
            if fresh:
                self._place(fresh)
            else:
                self._open(closed)
            self._follow()

    def _place(self, fresh: set[str]) -> None:
        """What the things were in, all the way up, and what kinds of things those are."""
        pairs = spans.above(self.connection, fresh, self.since)
        self._nest(pairs)
        reached = fresh | {parent for _, parent in pairs}
        self.infos |= infos_of(items.by_numbers(self.connection, reached - self.infos.keys()))
        self.stand_in |= {item for item in reached if item in self.infos and self.infos[item].form == "vial"}
        self.placed |= reached

    def _closed(self) -> set[str]:
        """Things whose contents matter and are not known yet."""
        return (self.changing | (self.items & self.stand_in)) - self.opened

    def _open(self, closed: set[str]) -> None:
        """What was in the things, all the way down."""
        pairs = spans.inside(self.connection, closed, self.since)
        self._nest(pairs)
        self.opened |= closed | {child for child, _ in pairs}

    def _nest(self, pairs: Iterable[tuple[str, str]]) -> None:
        for child, parent in pairs:
            self.above[child].add(parent)
            self.inside[parent].add(child)

    def _follow_nests(self) -> None:
        """What is in a changing thing changes with it; what a thing is in decides on it."""
        size = -1
        while size != len(self.items) + len(self.changing):
            size = len(self.items) + len(self.changing)
            for item in list(self.changing):
                self.changing |= self.inside[item]
                if self._may_be_sample(item):
                    self.changing |= self.above[item] & self.stand_in
            self.items |= self.changing
            for item in list(self.items):
                self.items |= self.above[item]
            for item in self.items & self.stand_in:
                self.items |= self.inside[item]

    def _may_be_sample(self, item: str) -> bool:
        return item in self.in_doubt or item not in self.infos or self.infos[item].kind == "sample"

    # -------------------------------------------------------------------------------------------------------- the facts
    def _take(self, found: Iterable[InForce]) -> None:
        fresh = [one for one in found if one[0] not in self.facts]
        if not fresh:
            return
        known = events.items_of(self.connection, [original for original, _, _ in fresh])
        self.known += known
        self.facts |= {one[0]: one for one in fresh}
        bears_on = _items_by_event(known)
        self._listen([_heard(row, bears_on[original]) for original, _, row in fresh])

    def _listen(self, told: Sequence[Heard]) -> None:
        self.heard += told
        self._look_up({number for heard in told for number in heard.printed})
        for heard in told:
            if heard.kind in OF_MATERIAL:
                self.stand_in |= heard.numbers | heard.bears_on
                self.stand_in |= {box for number in heard.printed for box in self.prints[number]}
            if heard.kind == "label_attached":
                for number in heard.printed:
                    self.prints[number] |= heard.boxes

    def _look_up(self, printed: set[str]) -> None:
        """Which containers the prints were ever told to be on."""
        fresh = printed - self.looked_up
        if not fresh:
            return
        self.looked_up |= fresh
        attached = events.of_kinds(self.connection, fresh, ["label_attached"])
        for one in attached:
            heard = _heard(one[2], ())
            for number in heard.printed:
                self.prints[number] |= heard.boxes
        self.labels |= {one[0]: one for one in attached if one[2]["happened_at"] < self.since}
        self._take(one for one in attached if one[2]["happened_at"] >= self.since)

    def _follow(self) -> None:
        size = -1
        while size != len(self.items) + len(self.changing):
            size = len(self.items) + len(self.changing)
            for heard in self.heard:
                self._follow_fact(heard)
            self._follow_nests()

    def _follow_fact(self, heard: Heard) -> None:
        meant = self._may_mean(heard)
        if heard.kind == "packed":
            self._nest((item, box) for item in meant for box in heard.boxes - {item})
        if heard.family and not meant.isdisjoint(self.changing):
            self.changing |= heard.family
        if heard.family and not heard.family.isdisjoint(self.items):
            self.items |= meant
        if heard.kind == "combined" and not heard.family.isdisjoint(self.changing):
            self.changing |= meant  # it is kept as its parents were
        if heard.printed and not (meant - heard.numbers).isdisjoint(self.items):
            self.items |= heard.printed

    def _may_mean(self, heard: Heard) -> set[str]:
        """Whatever the subjects may be found to mean: themselves, what their print was on, its vial or its sample."""
        first = heard.numbers | {box for number in heard.printed for box in self.prints[number]}
        vials = {box for item in first for box in self.above[item] & self.stand_in}
        samples = {child for item in first & self.stand_in for child in self.inside[item]}
        return first | vials | samples | (heard.bears_on - heard.boxes - heard.family)


def _items_by_event(known: Iterable[Row]) -> dict[str, set[str]]:
    found: dict[str, set[str]] = defaultdict(set)
    for row in known:
        found[row["event_id"]].add(row["item"])
    return found


def _heard(row: Row, bears_on: Collection[str]) -> Heard:
    kind, subjects, body = events.content(row)
    return Heard(kind, subjects, body, frozenset(bears_on))


def infos_of(rows: Mapping[str, Row]) -> dict[str, ItemInfo]:
    """What kind of thing each number names, from the rows of the items, and whose it is."""
    return {
        number: ItemInfo(row["kind"], row["form"], _owner(row), row["collection"] or "") for number, row in rows.items()
    }


def _owner(row: Row) -> str:
    # Who spoke of an unregistered number of no known collection first is no owner, or the order of telling would count.
    return "" if row["provisional"] and row["collection"] is None else str(row["owner"])
