"""Which words await a second person, as facts, amendments and confirmations are recorded (rulings 2 and 3)."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Protocol

import sqlalchemy as sa

from shipsvc.app import reach, refold
from shipsvc.app.reach import Heard
from shipsvc.app.told import Told
from shipsvc.domain import second
from shipsvc.domain.facts import Named, same_institution
from shipsvc.domain.second import Confirmation, Word
from shipsvc.store import derived, events, items
from shipsvc.store import second as store
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: What to say of a confirmation that does not count.
WHY_NOT: Mapping[str, str] = {
    "unknown_fact": "there is no such fact yet",
    "same_person": "whoever told a fact cannot be the second person",
    "program_confirms": "a program or device is no second person",
    "custodian_confirms": "whoever keeps the thing in custody cannot be the second person",
    "confirms_for_others": "it speaks neither for the teller's institution nor for the owner, or of other things",
}


class Recorded(Protocol):
    """A fact about to be written: what was told, its row of the log, and the flags to put into its answer."""

    told: Told
    row: dict[str, Any]
    flags: dict[str, str]
    said: set[str]


def reaches(connection: sa.Connection, facts: Sequence[Recorded]) -> tuple[list[Heard], datetime | None]:
    """What is confirmed by these, or no longer is: what is recorded of that has to wait for these, as those facts have
    to be heard. And since when it comes out otherwise, where a decision takes effect by it."""
    known = _touched(connection, facts) - {fact.told.amends or fact.told.id for fact in facts}
    if not known:
        return [], None
    decided = [row for row in events.by_ids(connection, known).values() if row["kind"] in second.DECIDED]
    return reach.in_force(connection, known), min((row["happened_at"] for row in decided), default=None)


def settle(connection: sa.Connection, facts: Sequence[Recorded], recorded_at: datetime) -> None:
    """Flag what awaits a second person once ``facts`` are in the log, and no longer flag what does not.

    The rows of ``facts`` are not written yet. Asks the database nothing where nothing is amended or confirmed.
    """
    fresh = {fact.told.id: fact for fact in facts}
    touched = _touched(connection, facts)
    chains = _chains(connection, touched, [fact.row for fact in facts]) if touched else {}
    words = {word.id: word for chain in chains.values() for word in chain}
    _unknown(facts, words)
    if not chains:
        return
    owners = _owners(connection, words.values())
    said = _confirmations(connection, words, [fact.row for fact in facts])
    for one, event_id in said:
        if event_id in fresh and (code := second.why_not(words[one.word], one, owners)):
            fresh[event_id].flags[code] = WHY_NOT[code]
    wanted = []
    rulebook = refold.rulebook(connection, (word.body for word in words.values()))
    for chain in chains.values():
        found = second.awaiting(chain, [one for one, _ in said], owners, rulebook)
        if found:
            word, why = found
            wanted += [_flag(item, word.id, why) for item in sorted(word.numbers)]
            if word.id in fresh:
                fresh[word.id].said.add(store.UNCONFIRMED)
    derived.replace(connection, derived.FLAG, store.flagged(connection, words), wanted, recorded_at)


def _unknown(facts: Iterable[Recorded], words: Mapping[str, Word]) -> None:
    for fact in facts:
        if fact.row["confirms"] and fact.row["confirms"] not in words:
            fact.flags["unknown_fact"] = WHY_NOT["unknown_fact"]


def _flag(item: str, event_id: str, why: str) -> dict[str, Any]:
    return {"item": item, "event_id": event_id, "code": store.UNCONFIRMED, "detail": why}


def _touched(connection: sa.Connection, facts: Iterable[Recorded]) -> set[str]:
    """The originals of which something may be settled anew."""
    found, confirmed = set(), set()
    for fact in facts:
        if fact.told.amends:
            found.add(fact.told.amends)
        elif second.need(_word(connection, fact.row, frozenset())):
            found.add(fact.told.id)
        confirmed |= {fact.row["confirms"]} - {None}
    before = store.versions(connection, found) if found else ()
    confirmed |= {row["confirms"] for row in before} - {None}
    rows = events.by_ids(connection, confirmed).values() if confirmed else ()
    told = [fact.row for fact in facts if fact.told.id in confirmed]
    return found | {row["amends"] or row["id"] for row in [*rows, *told]}


def _chains(connection: sa.Connection, originals: set[str], fresh: Sequence[Row]) -> dict[str, list[Word]]:
    """Each fact with its amendments, oldest first. What takes a fact back bears on what the version before did."""
    chains: dict[str, list[Word]] = {original: [] for original in originals}
    for row in [*store.versions(connection, originals), *fresh]:
        chain = chains.get(row["amends"] or row["id"])
        if chain is not None:
            chain.append(_word(connection, row, chain[-1].numbers if chain else frozenset()))
    return chains


def _word(connection: sa.Connection, row: Row | Mapping[str, Any], before: frozenset[str]) -> Word:
    who: dict[str, Any] = {name: row.get(name) for name in ("id", "actor", "acting_for", "happened_at", "recorded_at")}
    if row["kind"] == "amended" and json.loads(row["body"])["replacement"] is None:
        return Word(**who, numbers=before)
    kind, subjects, body = events.content(row)
    word = Word(**who, numbers=_numbers(kind, subjects, body), kind=kind, subjects=subjects, body=body)
    came_on = body.get("shipment") if kind == "opened" else None
    # What is written of the shipment later changes nothing of what a fact needed when it was told.
    sender = store.consignor(connection, came_on, row.get("recorded_at") or FOREVER) if came_on else None
    if sender is None or same_institution(sender, word.acting_for):
        return word
    return replace(word, opens_return=word.acting_for in _owners(connection, [word]))


def _numbers(kind: str, subjects: Iterable[Named], body: Mapping[str, Any]) -> frozenset[str]:
    return frozenset(refold.named_in(kind, subjects, body))


def _owners(connection: sa.Connection, words: Iterable[Word]) -> frozenset[str]:
    numbers = {number for word in words for number in word.numbers}
    return frozenset(row["owner"] for row in items.by_numbers(connection, numbers).values())


def _confirmations(
    connection: sa.Connection, words: Mapping[str, Word], fresh: Sequence[Row]
) -> list[tuple[Confirmation, str]]:
    """The confirmations of these words that hold once ``fresh`` is in the log, each with the id of its row."""
    amended = {row["amends"] for row in fresh} - {None}
    held = [row for row in store.confirmations(connection, words) if (row["amends"] or row["id"]) not in amended]
    told = [row for row in fresh if row["confirms"] in words]
    return [(_confirmation(connection, row, words[row["confirms"]]), row["id"]) for row in [*held, *told]]


def _confirmation(connection: sa.Connection, row: Row, word: Word) -> Confirmation:
    """Whose it is, and whether they were custodian when they said so: that was known then, and stays as it was."""
    kind, subjects, body = events.content(row)
    said = Confirmation(word.id, row["actor"], row["acting_for"], _numbers(kind, subjects, body))
    keepers = store.custodians(connection, word.numbers | said.numbers, row["recorded_at"])
    program = store.is_program(connection, said.actor)
    return replace(said, custodian=said.actor in keepers, program=program)
