"""Who has to do with a thing and until when, told once more from its states (rulings 16).

Whoever holds it, is handed it by the holder, lends or owes it, or is sent it. Couriers and authorities: only what lies
in nothing else, and parcels. Who was written to be sent a thing, or its parcel to carry, before it has left.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from shipsvc.app.fsck_log import Finding
from shipsvc.app.fsck_rules import alike, house
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

LENT = ("promised", "sent", "held", "part_used", "returning")
States = Sequence[tuple[datetime, Mapping[str, Any]]]


@dataclass(frozen=True)
class Sendings:
    """Versions of shipments by code, oldest first; what each was written to hold; who only carries or stops parcels."""

    versions: Mapping[str, Sequence[Row]]
    written: Mapping[str, Collection[str]]
    handlers: Collection[str]


def check(
    described: Mapping[str, Mapping[str, Any]], spans: Mapping[str, States], rows: Sequence[Row], sendings: Sendings
) -> Iterator[Finding]:
    """What is noted about the things against what should be."""
    noted = {(row["item"], row["institution"]): row["until"] for row in rows}
    wanted = {
        (number, institution): until
        for number, one in described.items()
        for institution, until in _parties(number, one, spans.get(number, ()), sendings).items()
    }
    for key in sorted(noted.keys() | wanted.keys()):
        if noted.get(key) != wanted.get(key):
            yield Finding("until when it is an affair", " of ".join(key), wanted.get(key), noted.get(key))


def _parties(number: str, described: Mapping[str, Any], states: States, sendings: Sendings) -> dict[str, datetime]:
    found: dict[str, datetime] = {str(described["owner"]): FOREVER}

    def note(party: str | None, until: datetime, *, outside: bool = True) -> None:
        who = house(party)
        if who is not None and (outside or who not in sendings.handlers or described["kind"] == "parcel"):
            found[who] = max(until, found.get(who, until))

    ends = [begun for begun, _ in states[1:]] + [FOREVER]
    for (begun, state), ended in zip(states, ends, strict=False):
        outside = state["parent"] is None
        note(state["certain"], ended, outside=outside)
        if _is_handed(state, sendings):
            note(state["claimed"], ended, outside=outside)
        if state["line"] in LENT:
            note(state["lender"], ended, outside=outside)
            note(state["borrower"], ended, outside=outside)
        for addressee, until in _addressed(sendings.versions.get(state["sent_on"] or "", ()), begun, ended):
            note(addressee, until)
    left = {state["sent_on"] for _, state in states}
    for code in set(sendings.written.get(number, ())) - left:
        newest = sendings.versions[code][-1]
        note(newest["addressee"], FOREVER)
        note(newest["carrier"] if described["kind"] != "sample" else None, FOREVER)
    return found


def _is_handed(state: Mapping[str, Any], sendings: Sendings) -> bool:
    if state["handover"] != "taker_only":
        return bool(state["handover"] == "giver_only")
    versions = [v for word in state["words"] for v in sendings.versions.get(word["shipment"] or "", ())]
    return any(v["consignor"] == house(state["certain"]) and alike(v["addressee"], state["claimed"]) for v in versions)


def _addressed(versions: Sequence[Row], begun: datetime, ended: datetime) -> Iterator[tuple[str, datetime]]:
    """Whom the versions in force in that time address, and until when; the first is in force from the beginning."""
    for place, version in enumerate(versions):
        following = versions[place + 1]["valid_from"] if place + 1 < len(versions) else FOREVER
        if min(following, ended) > begun and (place == 0 or version["valid_from"] < ended):
            yield version["addressee"], min(following, ended)
