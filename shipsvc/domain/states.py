"""What the fold starts from and comes to: states of items at an instant, changes, and what facts gave rise to."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime

from shipsvc.domain.acts import Birth
from shipsvc.domain.book import Book, Compared
from shipsvc.domain.custody import Custody
from shipsvc.domain.facts import Fact
from shipsvc.domain.ledger import Move
from shipsvc.domain.lending import Line
from shipsvc.domain.places import Whereabouts
from shipsvc.domain.taring import Tare


@dataclass(frozen=True, slots=True)
class State:
    """All that the fold knows of one item at one instant."""

    parent: str | None = None
    custody: Custody = field(default_factory=Custody)
    where: Whereabouts = field(default_factory=Whereabouts)
    book: Book = field(default_factory=Book)
    line: Line = field(default_factory=Line)
    #: The storage profile that a sample is to be kept in, and whether the thing itself is closed (rulings 21).
    profile: str | None = None
    closed: bool = False
    #: Of a container: what it weighed empty.
    tare: Tare | None = None


NOTHING = State()


@dataclass(frozen=True, slots=True)
class Change:
    """From ``at`` on an item is in this state, by this fact, told of ``by_item`` ("" where of the item itself)."""

    at: datetime
    state: State
    event_id: str
    by_item: str


@dataclass(frozen=True, slots=True)
class Raised:
    """A flag on an item, by a fact."""

    item: str
    event_id: str
    code: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """A move in the ledger by a fact, the ``line``-th that follows from the book of ``item``."""

    item: str
    fact: Fact
    line: int
    move: Move


@dataclass
class Outcome:
    """What a run found: each item's changes in order of time, and what single facts gave rise to."""

    changes: dict[str, list[Change]] = field(default_factory=lambda: defaultdict(list))
    flags: list[Raised] = field(default_factory=list)
    comparisons: list[tuple[str, Fact, Compared]] = field(default_factory=list)
    births: list[Birth] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    #: By fact: the items it was found to mean, and the containers that prints were on which led to them.
    resolved: dict[str, tuple[str, ...]] = field(default_factory=dict)
