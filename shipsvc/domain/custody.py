"""Who holds a thing: certain by the words of both sides, claimed by the word of one (rulings 14, 15, 26, 27).

``Custody`` is the state at an instant; ``after(custody, fact)`` is the state once a fact about the thing, or about what
it is nested in, is taken in. Nothing here looks ahead, so that the fold can go on from any instant.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from shipsvc.domain.facts import PRESENCE, Fact, institution_of, same_institution

#: Words told without a shipment still match this far apart, the limit included (rulings 26).
MATCH_WINDOW = timedelta(days=14)
#: Whoever signs on the giver's device stands before the giver: what is signed later than this is no such signature.
SIGNED_WITHIN = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Word:
    """One side's word of a handover that the other side has not yet answered."""

    side: str  # "giver" or "taker"
    giver: str | None
    taker: str
    at: datetime
    own: bool
    event_id: str
    shipment: str | None = None


@dataclass(frozen=True, slots=True)
class Custody:
    """Holder of one thing at one instant. ``state`` is one of none, agreed, giver_only, taker_only, declared, disputed,
    rejected, held, ended; ``words`` are those still waiting for their other side; ``sent_on`` is the shipment that its
    consignor has released it on, until the addressee has it."""

    certain: str | None = None
    certain_since: datetime | None = None
    claimed: str | None = None
    state: str = "none"
    words: tuple[Word, ...] = ()
    sent_on: str | None = None

    @property
    def is_open(self) -> bool:
        """Whether somebody is still to be asked."""
        return self.state in {"giver_only", "taker_only", "declared", "disputed", "held"}

    def holds(self, party: str | None) -> bool:
        """Whether the party's institution is the certain or the claimed holder."""
        return same_institution(party, self.certain) or same_institution(party, self.claimed)


def after(custody: Custody, fact: Fact, owner: str = "") -> Custody:
    """The custody once ``fact`` is taken in; ``owner`` is whose the thing is ("" where that is not known)."""
    if custody.state == "ended":
        return custody
    step = _STEPS.get(fact.kind)
    if step is not None:
        return step(custody, fact)
    if fact.kind in {"registered", "accessioned"}:
        return _first(custody, fact, owner) if custody.certain is None else custody
    if fact.kind not in PRESENCE:
        return custody
    nobody = custody.certain is None and custody.claimed is None
    return _first(custody, fact, owner) if nobody else _present(custody, fact)


def contradicts(custody: Custody, fact: Fact) -> bool:
    """Whether the fact is direct evidence that the thing is with somebody whom the record does not name."""
    return fact.kind in PRESENCE and custody.certain is not None and not custody.holds(fact.party)


def signature_holds(custody: Custody, fact: Fact) -> bool:
    """Whether an acceptance that the taker signed on the giver's device is the taker's own word (D25).

    It answers the one release that it names, of this very thing, told by whom it stands with, to the party that signs.
    """
    signed = fact.signature
    if signed is None or not same_institution(fact.text("from"), fact.acting_for):
        return False
    return any(
        word.event_id == signed.get("release")
        and word.side == "giver"
        and word.own
        and same_institution(word.giver, fact.acting_for)
        and same_institution(word.taker, fact.party)
        and timedelta(0) <= fact.happened_at - word.at <= SIGNED_WITHIN
        and _stands_with(custody, fact.acting_for)
        for word in custody.words
    )


def _stands_with(custody: Custody, giver: str) -> bool:
    """Whether the giver holds it for certain, or was handed it by who does: no stranger's two words move a thing."""
    if same_institution(custody.certain, giver):
        return True
    handed = (w for w in custody.words if w.side == "giver" and w.own and same_institution(w.taker, giver))
    return any(same_institution(w.giver, custody.certain) for w in handed)


def _agreed(holder: str, at: datetime, sent_on: str | None = None) -> Custody:
    return Custody(certain=holder, certain_since=at, state="agreed", sent_on=sent_on)


def _first(custody: Custody, fact: Fact, owner: str) -> Custody:
    """Nobody is known to hold it: the owner's word settles that, anybody else's is a claim like any other."""
    if owner in ("", fact.acting_for):
        return _agreed(fact.party, fact.happened_at)
    return _present(custody, fact)


def _present(custody: Custody, fact: Fact) -> Custody:
    if custody.holds(fact.party) or not fact.own_word:
        return custody
    word = Word("taker", None, fact.party, fact.happened_at, True, fact.id, _shipment(fact))
    return _claimed_by(custody, word)


def _released(custody: Custody, fact: Fact) -> Custody:
    giver, taker = fact.party, fact.text("to") or ""
    word = Word("giver", giver, taker, fact.happened_at, fact.own_word, fact.id, _shipment(fact))
    if word.own and same_institution(giver, taker) and same_institution(giver, custody.certain):
        return _agreed(taker, fact.happened_at, custody.sent_on)
    if _starts_trip(word, fact):
        custody = replace(custody, sent_on=word.shipment)
    answers = [w for w in custody.words if w.side == "taker" and (_pair(word, w) or _ends_trip(w, custody, fact))]
    if answers:
        return _agreed(answers[-1].taker, fact.happened_at, _still_on(answers[-1], custody, fact))
    if custody.certain is not None and not custody.holds(giver):
        # A stranger's word waits for what may still be told; it moves nothing by itself.
        return replace(custody, words=_kept(custody, word))
    return _claimed_by(custody, word)


def _accepted(custody: Custody, fact: Fact) -> Custody:
    taker, giver = fact.party, fact.text("from")
    word = Word("taker", giver, taker, fact.happened_at, fact.own_word, fact.id, _shipment(fact))
    desk_to_desk = word.own and same_institution(taker, custody.certain)
    answered = any(w.side == "giver" and _pair(w, word) for w in custody.words)
    if desk_to_desk or answered or _ends_trip(word, custody, fact):
        return _agreed(taker, fact.happened_at, _still_on(word, custody, fact))
    return _claimed_by(custody, word)


def _pair(release: Word, acceptance: Word) -> bool:
    """Whether two words are the two sides of one handover: each side's own, on the same parties and occasion."""
    return (
        release.own
        and acceptance.own
        and (acceptance.giver is None or same_institution(release.giver, acceptance.giver))
        and same_institution(release.taker, acceptance.taker)
        and _same_occasion(release, acceptance)
    )


def _starts_trip(release: Word, fact: Fact) -> bool:
    return release.own and fact.trip is not None and same_institution(release.giver, fact.trip.consignor)


def _ends_trip(acceptance: Word, custody: Custody, fact: Fact) -> bool:
    """Whether the present addressee accepts what the consignor released, whatever the carriers between them said."""
    trip = fact.trip
    return (
        trip is not None
        and acceptance.own
        and acceptance.shipment == trip.code == custody.sent_on
        and same_institution(acceptance.taker, trip.addressee)
    )


def _still_on(acceptance: Word, custody: Custody, fact: Fact) -> str | None:
    """The trip the thing is still on once it was accepted: none where the addressee has it."""
    over = fact.trip is not None and same_institution(acceptance.taker, fact.trip.addressee)
    return None if over else custody.sent_on


def _same_occasion(one: Word, other: Word) -> bool:
    if one.shipment and other.shipment:
        return one.shipment == other.shipment
    return abs(one.at - other.at) <= MATCH_WINDOW


def _claimed_by(custody: Custody, word: Word) -> Custody:
    state = _open_state(custody, word)
    if word.own or word.taker != custody.claimed:
        return replace(custody, claimed=word.taker, state=state, words=_kept(custody, word))
    # A declared word that only repeats what a side has said itself adds nothing to that side's own.
    return replace(custody, words=_kept(custody, word))


def _open_state(custody: Custody, word: Word) -> str:
    if _disputed(custody, word):
        return "disputed"
    if not word.own:
        return "declared"
    return "giver_only" if word.side == "giver" else "taker_only"


def _disputed(custody: Custody, word: Word) -> bool:
    """Two own words about one giver that name different takers."""
    return word.own and any(
        other.own
        and other.side != word.side
        and same_institution(other.giver, word.giver)
        and not same_institution(other.taker, word.taker)
        and _same_occasion(other, word)
        for other in custody.words
    )


def _kept(custody: Custody, word: Word) -> tuple[Word, ...]:
    """The open words that can still be answered, and this one."""
    fresh = (w for w in custody.words if w.shipment or word.at - w.at <= MATCH_WINDOW)
    return (*fresh, word)


def _rejected(custody: Custody, fact: Fact) -> Custody:
    """The addressee will not take it: it stays with whom it was."""
    refuser, giver = fact.party, fact.text("from")
    words = tuple(w for w in custody.words if not same_institution(w.taker, refuser))
    claimed = None if same_institution(giver, custody.certain) else giver
    return replace(custody, claimed=claimed, state="rejected", words=words)


def _held(custody: Custody, fact: Fact) -> Custody:
    """An authority stops it: a claim by the word of one, certain once both it and whoever carries have said so.

    Either may speak first. An institution's bare word that it is an authority and holds a thing takes nothing away.
    """
    authority = fact.text("authority") or fact.party
    own = institution_of(authority) == fact.acting_for
    word = Word("taker", custody.certain, authority, fact.happened_at, own, fact.id, _shipment(fact))
    holds_now = custody.state == "held" and same_institution(custody.claimed, authority)
    if holds_now and any(w.own != own and same_institution(w.taker, authority) for w in custody.words):
        return replace(custody, certain=authority, certain_since=fact.happened_at, claimed=None, words=())
    return replace(custody, claimed=authority, state="held", words=_kept(custody, word))


def _freed(custody: Custody, fact: Fact) -> Custody:
    authority, onwards = fact.text("authority") or custody.claimed, fact.text("to")
    if same_institution(authority, custody.certain):
        holder = onwards or fact.party
        # Whoever else says that it is free only declares what the authority did.
        own = institution_of(custody.certain) == fact.acting_for
        word = Word("giver", custody.certain, holder, fact.happened_at, own, fact.id, _shipment(fact))
        return _claimed_by(replace(custody, state="agreed"), word)
    if custody.state != "held":
        return custody
    words = tuple(w for w in custody.words if not same_institution(w.taker, authority))
    if onwards and not same_institution(onwards, custody.certain):
        return replace(custody, claimed=onwards, state="declared", words=words)
    return _as_before(replace(custody, claimed=None, state="agreed", words=words))


def _as_before(custody: Custody) -> Custody:
    """Who claims a thing that an authority let go: the taker of its certain holder's last open word."""
    given = [w for w in custody.words if w.side == "giver" and same_institution(w.giver, custody.certain)]
    if not given:
        return custody
    return replace(custody, claimed=given[-1].taker, state="giver_only" if given[-1].own else "declared")


def _shipment(fact: Fact) -> str | None:
    return fact.trip.code if fact.trip else None


_STEPS = {
    "released": _released,
    "accepted": _accepted,
    "rejected": _rejected,
    "held": _held,
    "freed": _freed,
}
