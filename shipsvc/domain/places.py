"""Where a thing is: in store, taken out, packed, on the way, received - by the custody record alone.

What its loggers and sensors say of the surroundings is another matter (``domain.exposure``).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from shipsvc.domain.custody import Custody
from shipsvc.domain.facts import Fact


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """``status`` is one of unknown, stored, taken_out, packed, in_transit, received, ended; ``place`` is the storage
    place it is in, or was last since its holder took it. ``accessioned``: legal charge has been taken, so that time is
    charged from here on."""

    place: str | None = None
    status: str = "unknown"
    accessioned: bool = False


@dataclass(frozen=True, slots=True)
class Kept:
    """Which storage profile a place was said to keep from ``valid_from`` on, and when that was recorded."""

    valid_from: datetime
    recorded_at: datetime
    profile: str


#: What each place was said to keep, in the order in which it was told.
Keeps = Mapping[str, Sequence[Kept]]


def profile_kept(keeps: Keeps, place: str | None, fact: Fact) -> str | None:
    """The profile that a place kept when a fact happened, by what was known when it was told; None for an unknown one.

    By what is learned of a place later no fact comes to mean something else: that takes a decision, ``profile_set``.
    """
    told = [kept for kept in keeps.get(place or "", ()) if kept.recorded_at <= fact.recorded_at]
    return next((kept.profile for kept in reversed(told) if kept.valid_from <= fact.happened_at), None)


def after(where: Whereabouts, fact: Fact, before: Custody) -> Whereabouts:
    """The whereabouts once ``fact`` is taken in; ``before`` is the custody just before it."""
    step = _STEPS.get(fact.kind)
    return step(where, fact, before) if step and where.status != "ended" else where


def packed_into(child: Whereabouts, parent: Whereabouts) -> Whereabouts:
    """A thing put into another shares its place in a store; outside a store it is packed, which is not taken out."""
    if parent.status == "stored" and child.status != "stored":
        return replace(child, status="stored", place=parent.place)
    return replace(child, status="packed") if child.status == "taken_out" else child


def _stored(where: Whereabouts, fact: Fact, _before: Custody) -> Whereabouts:
    return replace(where, status="stored", place=fact.text("place"), accessioned=True)


def _accessioned(where: Whereabouts, _fact: Fact, _before: Custody) -> Whereabouts:
    return replace(where, accessioned=True)


def _taken_out(where: Whereabouts, fact: Fact, _before: Custody) -> Whereabouts:
    return replace(where, status="taken_out", place=fact.text("place") or where.place)


def _released(where: Whereabouts, fact: Fact, before: Custody) -> Whereabouts:
    # A word from somebody who did not hold the thing does not put it on the road.
    moved = before.certain is None or before.holds(fact.party)
    return replace(where, status="in_transit") if moved and fact.own_word else where


def _accepted(where: Whereabouts, fact: Fact, _before: Custody) -> Whereabouts:
    # Where the giver kept it is no matter of the taker's.
    return replace(where, status="received", place=None) if fact.own_word and where.status != "stored" else where


def _unpacked(where: Whereabouts, _fact: Fact, _before: Custody) -> Whereabouts:
    return replace(where, status="taken_out") if where.status in {"packed", "received", "in_transit"} else where


_STEPS: dict[str, Callable[[Whereabouts, Fact, Custody], Whereabouts]] = {
    "accessioned": _accessioned,
    "stored": _stored,
    "taken_out": _taken_out,
    "released": _released,
    "accepted": _accepted,
    "unpacked": _unpacked,
}
