"""Facts about the physical world and decisions of ours: the closed lists, the value, and the order they are read in."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from itertools import groupby
from typing import Any

FACTS = frozenset(
    "registered accessioned released accepted rejected held freed packed unpacked sealed seal_checked opened stored"
    " taken_out seen not_seen found weighed tared dried divided combined embedded used loss_noted label_attached"
    " logger_placed logger_removed refilled photographed condition_noted contamination_noted confirmed amended".split()
)
#: Decisions, each with the route that takes it.
DECISIONS: Mapping[str, str] = {
    "loan_signed": "POST /v1/loans",
    "due_set": "POST /v1/loans/{code}/due",
    "recalled": "POST /v1/loans/{code}/recall",
    "turned_round": "POST /v1/shipments/{code}/turn-round",
    "label_printed": "POST /v1/items/{number}/labels",
    "label_voided": "POST /v1/items/{number}/labels/{serial}/void",
    "posted": "POST /v1/items/{number}/post-mass",
    "rebased": "POST /v1/items/{number}/rebase",
    "lost_decided": "POST /v1/items/{number}/write-off",
    "written_off": "POST /v1/items/{number}/write-off",
    "profile_set": "POST /v1/items/{number}/profile",
    "restriction_set": "POST /v1/items/{number}/restrictions",
    "reserve_set": "POST /v1/items/{number}/reserve",
}
#: Said of the material rather than of what it is in: a vial stands for the sample inside it.
OF_MATERIAL = frozenset(
    "accessioned weighed dried divided combined embedded used loss_noted posted rebased written_off"
    " lost_decided contamination_noted restriction_set reserve_set profile_set".split()
)
#: Said of the loan rather than of the thing: never passed on to what is nested.
OF_THE_NAMED = OF_MATERIAL | {"loan_signed", "due_set", "recalled", "label_attached", "tared", "registered"}
#: A logger is put in, or taken out (``domain.placing``).
ABOUT_LOGGERS = frozenset({"logger_placed", "logger_removed"})
#: Whoever tells one of these has the thing before them.
PRESENCE = frozenset(
    "seen stored taken_out weighed tared dried found opened sealed seal_checked packed unpacked divided combined"
    " embedded used photographed condition_noted contamination_noted logger_placed logger_removed"
    " label_attached".split()
)


@dataclass(frozen=True, slots=True)
class Named:
    """A subject as it was seen: a number, and which print of its label where one was scanned (rulings 4)."""

    number: str
    serial: int | None = None


@dataclass(frozen=True, slots=True)
class Trip:
    """The shipment that a word was said on: who sends, and who is addressed at present."""

    code: str
    consignor: str
    addressee: str


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact in the version now in force (rulings 3): the original's id, the newest amendment's content."""

    id: str
    kind: str
    subjects: tuple[Named, ...]
    happened_at: datetime
    recorded_at: datetime
    acting_for: str
    body: Mapping[str, Any] = field(default_factory=dict)
    device: str = ""
    boot: str = ""
    sequence: int | None = None
    place_in_request: int = 0
    trip: Trip | None = None
    #: A decision that a second person has still to confirm, and that does nothing yet.
    waits: bool = False
    #: An acceptance signed by the taker on the giver's device, which answers what the giver released (D25).
    signed_for: bool = False

    def text(self, name: str) -> str | None:
        """A member of the body that is a string, or None."""
        found = self.body.get(name)
        return found if isinstance(found, str) else None

    @property
    def party(self) -> str:
        """Whose word this is: the one who tells it, unless told for another."""
        return self.text("party") or self.acting_for

    @property
    def own_word(self) -> bool:
        """Whether the party speaks for itself; a word typed by another is only declared (rulings 14)."""
        return institution_of(self.party) == self.acting_for or self.signed_for

    @property
    def signature(self) -> Mapping[str, Any] | None:
        """What an acceptance says of the taker's signature on the giver's device: which release it answers; or None."""
        found = self.body.get("signed") if self.kind == "accepted" else None
        return found if isinstance(found, Mapping) else None


def institution_of(party: str | None) -> str | None:
    """The institution behind a party: ``LSC/mail-room`` is a desk of ``LSC``."""
    return party.partition("/")[0] if party else None


def same_institution(one: str | None, other: str | None) -> bool:
    """Whether two parties are one institution or desks of one."""
    return one is not None and institution_of(one) == institution_of(other)


def _sequence_key(fact: Fact) -> tuple[int, datetime, int, str]:
    return (fact.sequence or 0, fact.recorded_at, fact.place_in_request, fact.id)


def _device_key(fact: Fact) -> tuple[str, str, str]:
    # A fact without a sequence number stands alone, under its own id.
    return (fact.device, fact.boot, "") if fact.sequence is not None else ("", "", fact.id)


def in_order(facts: Iterable[Fact]) -> list[Fact]:
    """The total order of facts (rulings 6): happened_at; within one device and boot its sequence; recorded_at;
    place in the request; id.

    Comparing pairs by that rule would not be transitive (a device's two facts may be told either side of another's),
    so facts of one instant are taken device by device, each device where its first told fact stands.
    """
    ordered: list[Fact] = []
    by_instant = sorted(facts, key=lambda f: f.happened_at)
    for _, same in groupby(by_instant, key=lambda f: f.happened_at):
        ordered += _within_instant(list(same))
    return ordered


def _within_instant(facts: list[Fact]) -> list[Fact]:
    if len(facts) == 1:
        return facts
    runs = [sorted(run, key=_sequence_key) for _, run in groupby(sorted(facts, key=_device_key), key=_device_key)]
    runs.sort(key=lambda run: min((f.recorded_at, f.place_in_request, f.id) for f in run))
    return [fact for run in runs for fact in run]
