"""Samples put into what must not touch them: recorded like any other fact, and flagged (trade 2.4)."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app.reserve import Recorded
from shipsvc.domain import codes, profiles
from shipsvc.domain.states import Outcome
from shipsvc.store import events, items
from shipsvc.store.documents import When
from shipsvc.store.profiles import described
from shipsvc.store.tables import FOREVER

NOT_APPROVED: Final = "contact_not_approved"


def flag_contacts(connection: sa.Connection, facts: Sequence[Recorded], outcome: Outcome) -> None:
    """Flag whoever packs a sample into a container whose material its profile did not approve on that day. Containers
    that never said what they are made of, and profiles that name no material, raise nothing."""
    for fact in facts:
        box = fact.told.body.get("into") if fact.told.kind == "packed" else None
        put = dict(_put_into(outcome, fact.told.id, box)) if box else {}
        if box and put:
            _flag(connection, facts, fact, box, put)


def _put_into(outcome: Outcome, event_id: str, box: str) -> Iterator[tuple[str, str]]:
    """What came to be directly in the box by the fact, where it is to be kept under some profile."""
    for item, changes in outcome.changes.items():
        for change in changes:
            if change.event_id == event_id and change.state.parent == box and change.state.profile:
                yield item, change.state.profile


def _flag(connection: sa.Connection, facts: Sequence[Recorded], fact: Recorded, box: str, put: dict[str, str]) -> None:
    material = _made_of(connection, facts, box)
    at: datetime = fact.row["happened_at"]
    told = described(connection, set(put.values()), When(at, FOREVER)) if material else {}
    samples = items.by_numbers(connection, put) if told else {}
    for item, code in sorted(put.items()):
        profile = profiles.in_force(told.get(code, ()), at)
        if profile and item in samples and not profile.approves(material, at.date()):
            said = (
                f"{codes.display(box)} is of {material}, which profile {code} of {codes.display(item)} does not approve"
            )
            fact.flags[NOT_APPROVED] = said


def _made_of(connection: sa.Connection, facts: Sequence[Recorded], box: str) -> str:
    """What the container was last said to be made of; "" where nobody said."""
    told = events.of_kinds(connection, [box], ["registered"])
    said: list[Mapping[str, Any]] = [events.content(row)[2] for _, _, row in told]
    said += [one.told.body for one in facts if one.told.kind == "registered" and box in one.numbers]
    return next((str(body["made_of"]) for body in reversed(said) if body.get("made_of")), "")
