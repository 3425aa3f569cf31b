"""What a fact does to one thing, written a second time for ``fsck`` alone, from the design and its rulings.

Nothing here is shared with the write path (design, promise 9): no value, no rule, no constant of the fold. Masses,
verdicts and calendar days come from the modules that are held against published figures (``domain.mass``,
``domain.verdicts``, ``domain.loans``, ``domain.times``). Plain and slow on purpose.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from shipsvc.domain import times

FORTNIGHT = timedelta(days=14)
HOUR = timedelta(hours=1)
#: Who tells one of these has the thing before them.
BEFORE_THEIR_EYES = frozenset(
    {"seen", "stored", "taken_out", "weighed", "tared", "dried", "found", "opened", "sealed", "seal_checked"}
    | {"packed", "unpacked", "divided", "combined", "embedded", "used", "photographed", "condition_noted"}
    | {"contamination_noted", "logger_placed", "logger_removed", "label_attached"}
)
LINE_IS_OUT = ("sent", "held", "part_used", "returning")


@dataclass(frozen=True)
class Said:
    """One fact in force. ``teller`` is the institution that told it; ``trip`` is (code, consignor, addressee)."""

    id: str
    kind: str
    subjects: tuple[tuple[str, int | None], ...]
    at: datetime
    recorded_at: datetime
    teller: str
    body: Mapping[str, Any]
    thread: tuple[str, str] | None = None
    count: int = 0
    place: int = 0
    trip: tuple[str, str, str] | None = None
    waits: bool = False
    signed: bool = False

    @property
    def party(self) -> str:
        """Whose word it is."""
        return self.body.get("party") or self.teller

    @property
    def own(self) -> bool:
        """Whether that party said it itself."""
        return self.signed or house(self.party) == self.teller

    def named(self) -> set[str]:
        """Every number in it."""
        found = {number for number, _ in self.subjects}
        found |= {self.body["into"]} if self.body.get("into") else set()
        found |= {self.body["to"]} if self.kind == "label_attached" else set()
        return found | {entry["number"] for name in ("children", "parents") for entry in self.body.get(name, ())}


def house(party: str | None) -> str | None:
    """The institution that a desk is of."""
    return party.split("/")[0] if party else None


def alike(one: str | None, other: str | None) -> bool:
    """Whether two parties are of one institution."""
    return bool(one and other) and house(one) == house(other)


@dataclass
class Word:
    """What one side said of a handover and the other side has not answered."""

    side: str
    giver: str | None
    taker: str
    at: datetime
    own: bool
    event_id: str
    shipment: str | None

    def same_occasion(self, other: "Word") -> bool:
        """On one shipment; without one, at most fourteen days apart (rulings 14, 26)."""
        if self.shipment and other.shipment:
            return self.shipment == other.shipment
        return abs(self.at - other.at) <= FORTNIGHT


@dataclass
class Agreement:
    """A loan, as far as one sample is concerned."""

    loan: str | None = None
    lender: str | None = None
    borrower: str | None = None
    state: str = "none"
    since: datetime | None = None
    due_on: date | None = None
    zone: str = "UTC"
    returned_when: str = "received_by_lender"
    term_months: int | None = None


@dataclass
class Thing:
    """One item at the instant that the story has come to."""

    number: str
    kind: str
    form: str
    owner: str
    parent: str | None = None
    certain: str | None = None
    certain_since: datetime | None = None
    claimed: str | None = None
    handover: str = "none"
    words: list[Word] = field(default_factory=list)
    sent_on: str | None = None
    place: str | None = None
    status: str = "unknown"
    accessioned: bool = False
    line: Agreement = field(default_factory=Agreement)
    next_line: Agreement | None = None
    mass_ng: int | None = None
    variance: float = 0.0
    estimated_variance: float = 0.0
    how: str = ""
    material: str = "chip"
    moisture_class: str = "other"
    reserve: bool = False
    profile: str | None = None
    closed: bool = False
    behind: dict[str, Any] = field(default_factory=dict)
    tare: dict[str, Any] = field(default_factory=dict)

    def with_somebody(self, party: str | None) -> bool:
        """Whether the party is the certain or the claimed holder."""
        return alike(party, self.certain) or alike(party, self.claimed)

    def columns(self) -> dict[str, Any]:
        """The row of a span that says this; JSON already read."""
        line = self.line
        return {
            "parent": self.parent,
            "certain": self.certain,
            "holder": house(self.certain),
            "certain_since": self.certain_since,
            "claimed": self.claimed,
            "claimant": house(self.claimed),
            "handover": self.handover,
            "words": [{**vars(word), "at": written(word.at)} for word in self.words],
            "sent_on": self.sent_on,
            "place": self.place,
            "status": self.status,
            "accessioned": self.accessioned,
            "loan": line.loan,
            "lender": line.lender,
            "borrower": line.borrower,
            "line": line.state,
            "line_since": line.since,
            "due_on": line.due_on,
            "due_at": times.due_end(line.due_on, line.zone) if line.due_on else None,
            "terms": self._terms(),
            "mass_ng": self.mass_ng,
            "variance": self.variance,
            "estimated_variance": self.estimated_variance,
            "how": self.how,
            "material": self.material,
            "moisture_class": self.moisture_class,
            "reserve": self.reserve,
            "profile": self.profile,
            "closed": self.closed,
            "basis": dict(self.behind),
            "tare": dict(self.tare),
        }

    def _terms(self) -> dict[str, Any]:
        if not self.line.loan:
            return {}
        names = ("zone", "returned_when", "term_months")
        terms = {name: getattr(self.line, name) for name in names}
        if self.next_line:
            later: dict[str, Any] = json.loads(json.dumps(vars(self.next_line), default=written))
            terms["following"] = later
        return terms


def written(at: date) -> str:
    """A day or an instant as JSON holds it."""
    return at.replace(tzinfo=None).isoformat() + "Z" if isinstance(at, datetime) else at.isoformat()


# -------------------------------------------------------------------------------------------------------- who holds it
def agree(thing: Thing, holder: str, at: datetime, sent_on: str | None = None) -> None:
    """Both sides have spoken: nothing is open any more."""
    thing.certain, thing.certain_since, thing.claimed = holder, at, None
    thing.handover, thing.words, thing.sent_on = "agreed", [], sent_on


def is_no_stranger(thing: Thing, said: Said) -> bool:
    """Whether the teller owns, holds, lends or owes it, is to have it next, or was handed it; rulings 17."""
    handed = thing.claimed if thing.handover == "giver_only" else None
    owes_next = thing.next_line.borrower if thing.next_line else None
    parties = (thing.certain, handed, thing.owner, thing.line.lender, thing.line.borrower, owes_next)
    nobodys = thing.certain is None and not thing.owner
    return nobodys or any(alike(said.teller, party) for party in parties)


def is_signed(thing: Thing, said: Said) -> bool:
    """Whether whom it was handed to signed for it there and then, on the device of who had it: D25."""
    answered = said.body["signed"]["release"]
    gave = [w for w in thing.words if w.event_id == answered and w.side == "giver" and w.own]
    if not gave or not alike(said.body.get("from"), said.teller):
        return False
    between = alike(gave[0].giver, said.teller) and alike(gave[0].taker, said.party)
    holders = {house(thing.certain)}
    holders |= {house(w.taker) for w in thing.words if w.side == "giver" and w.own and alike(w.giver, thing.certain)}
    at_once = gave[0].at <= said.at <= gave[0].at + HOUR
    return between and at_once and said.teller in holders


def custody(thing: Thing, said: Said) -> None:
    """Rulings 14, 15, 17, 26 and 27, and the questions they leave open as the fold answers them."""
    if thing.handover == "ended":
        return
    match said.kind:
        case "registered" | "accessioned":
            if thing.certain is None:
                _settle(thing, said)
        case "released":
            _release(thing, said)
        case "accepted":
            _accept(thing, said)
        case "rejected":
            _reject(thing, said)
        case "held":
            _hold(thing, said)
        case "freed":
            _free(thing, said)
        case kind if kind in BEFORE_THEIR_EYES:
            _show(thing, said)


def _word(side: str, giver: str | None, taker: str, said: Said, own: bool | None = None) -> Word:
    own = said.own if own is None else own
    return Word(side, giver, taker, said.at, own, said.id, said.trip[0] if said.trip else None)


def _show(thing: Thing, said: Said) -> None:
    """Having it before one's eyes is a claim to hold it, unless nobody is known to."""
    if thing.certain is None and thing.claimed is None:
        _settle(thing, said)
    elif said.own and not thing.with_somebody(said.party):
        _claim(thing, _word("taker", None, said.party, said))


def _settle(thing: Thing, said: Said) -> None:
    """Who has it first: the owner says so; whoever else says it of another's number only claims it (rulings 17)."""
    if not thing.owner or said.teller == thing.owner:
        agree(thing, said.party, said.at)
    elif said.own and not thing.with_somebody(said.party):
        _claim(thing, _word("taker", None, said.party, said))


def _release(thing: Thing, said: Said) -> None:
    giver, taker = said.party, str(said.body.get("to") or "")
    word = _word("giver", giver, taker, said)
    if said.own and alike(giver, taker) and alike(giver, thing.certain):
        return agree(thing, taker, said.at, thing.sent_on)  # from desk to desk one word is enough
    if said.own and said.trip and alike(giver, said.trip[1]):
        thing.sent_on = said.trip[0]
    answers = [w for w in thing.words if w.side == "taker" and (_two_sides(word, w) or _arrives(thing, w, said))]
    if answers:
        return agree(thing, answers[-1].taker, said.at, _stays_on(thing, answers[-1], said))
    if thing.certain is not None and not thing.with_somebody(giver):
        thing.words = _open_words(thing, word)  # a stranger's word waits, and moves nothing
        return None
    return _claim(thing, word)


def _accept(thing: Thing, said: Said) -> None:
    word = _word("taker", said.body.get("from"), said.party, said)
    between_desks = said.own and alike(said.party, thing.certain)
    answered = [w for w in thing.words if w.side == "giver" and _two_sides(w, word)]
    if between_desks or answered or _arrives(thing, word, said):
        return agree(thing, said.party, said.at, _stays_on(thing, word, said))
    return _claim(thing, word)


def _two_sides(gave: Word, took: Word) -> bool:
    parties = (took.giver is None or alike(gave.giver, took.giver)) and alike(gave.taker, took.taker)
    return gave.own and took.own and parties and gave.same_occasion(took)


def _arrives(thing: Thing, took: Word, said: Said) -> bool:
    """The addressee takes what the consignor sent, whatever was said by the carriers between them."""
    if said.trip is None or not took.own:
        return False
    code, _, addressee = said.trip
    return took.shipment == code and thing.sent_on == code and alike(took.taker, addressee)


def _stays_on(thing: Thing, took: Word, said: Said) -> str | None:
    return None if said.trip and alike(took.taker, said.trip[2]) else thing.sent_on


def _open_words(thing: Thing, word: Word) -> list[Word]:
    return [w for w in thing.words if w.shipment or word.at - w.at <= FORTNIGHT] + [word]


def _claim(thing: Thing, word: Word) -> None:
    against = [
        w
        for w in thing.words
        if w.own and w.side != word.side and alike(w.giver, word.giver) and not alike(w.taker, word.taker)
    ]
    if word.own or word.taker != thing.claimed:
        thing.claimed = word.taker
        if word.own and any(w.same_occasion(word) for w in against):
            thing.handover = "disputed"
        elif word.own:
            thing.handover = f"{word.side}_only"
        else:
            thing.handover = "declared"
    thing.words = _open_words(thing, word)


def _reject(thing: Thing, said: Said) -> None:
    giver = said.body.get("from")
    thing.words = [w for w in thing.words if not alike(w.taker, said.party)]
    thing.claimed = None if alike(giver, thing.certain) else giver
    thing.handover = "rejected"


def _hold(thing: Thing, said: Said) -> None:
    """The authority claims it; it is certain when both it and another one said so (rulings 17 and 27)."""
    authority = said.body.get("authority") or said.party
    own = house(authority) == said.teller
    stopped = thing.handover == "held" and alike(thing.claimed, authority)
    if stopped and [w for w in thing.words if w.own != own and alike(w.taker, authority)]:
        thing.certain, thing.certain_since, thing.claimed, thing.words = authority, said.at, None, []
        return
    thing.words = _open_words(thing, _word("taker", thing.certain, authority, said, own))
    thing.claimed, thing.handover = authority, "held"


def _free(thing: Thing, said: Said) -> None:
    authority, onwards = said.body.get("authority") or thing.claimed, said.body.get("to")
    if alike(authority, thing.certain):
        own = house(thing.certain) == said.teller
        thing.handover = "agreed"
        return _claim(thing, _word("giver", thing.certain, onwards or said.party, said, own))
    if thing.handover != "held":
        return None
    thing.words = [w for w in thing.words if not alike(w.taker, authority)]
    if onwards and not alike(onwards, thing.certain):
        thing.claimed, thing.handover = onwards, "declared"
        return None
    thing.claimed, thing.handover = None, "agreed"
    for word in thing.words:
        if word.side == "giver" and alike(word.giver, thing.certain):
            thing.claimed, thing.handover = word.taker, "giver_only" if word.own else "declared"
    return None


# --------------------------------------------------------------------------------------------------------- where it is
def place(thing: Thing, said: Said) -> None:
    """Where it is by the custody record; asked before ``custody``, since a stranger's release moves nothing."""
    if thing.status == "ended":
        return
    match said.kind:
        case "accessioned":
            thing.accessioned = True
        case "stored":
            thing.status, thing.place, thing.accessioned = "stored", said.body.get("place"), True
        case "taken_out":
            thing.status, thing.place = "taken_out", said.body.get("place") or thing.place
        case "released":
            if said.own and (thing.certain is None or thing.with_somebody(said.party)):
                thing.status = "in_transit"
        case "accepted":
            if said.own and thing.status != "stored":
                thing.status, thing.place = "received", None
        case "unpacked":
            if thing.status in ("packed", "received", "in_transit"):
                thing.status = "taken_out"
