"""Acts on things that a case holds: recorded like any other, and flagged (trade step 31: items keep circulating)."""

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Final

import sqlalchemy as sa

from shipsvc.app.reserve import Recorded
from shipsvc.domain import codes
from shipsvc.domain.facts import institution_of
from shipsvc.store import cases, shipments
from shipsvc.store import documents as chains
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.shipments import SHIPMENT
from shipsvc.store.tables import FOREVER

ON_HOLD: Final = "on_hold"
#: The same by an internal case, which nobody but the owner hears of.
ON_INTERNAL_HOLD: Final = "on_internal_hold"
_ACTS: Final = frozenset("released used divided combined embedded".split())


def flag_held(
    connection: sa.Connection,
    facts: Sequence[Recorded],
    resolved: Mapping[str, tuple[str, ...]],
    changed: Collection[str],
    recorded_at: datetime,
) -> None:
    """Flag the acts on what is on hold as known now, unless it goes home."""
    acts = [fact for fact in facts if fact.told.kind in _ACTS]
    when = When(recorded_at, FOREVER)
    held = cases.holding(connection, changed, when) if acts and changed else ()
    for fact in acts if held else ():
        meant = {*resolved.get(fact.told.id, ()), *fact.numbers}
        meant |= {row["number"] for row in shipments.nested(connection, meant, when, recorded_at)}
        goes_to = _goes_to(connection, fact)
        for row in held:
            if row["item"] in meant and row["owner"] not in goes_to:
                _flag(fact, row)


def _goes_to(connection: sa.Connection, fact: Recorded) -> set[str | None]:
    """Whom it is handed to, and whom the shipment is addressed to."""
    code = fact.told.body.get("shipment")
    shipment = chains.newest(connection, SHIPMENT, code) if code else None
    addressee = shipment["addressee"] if shipment else None
    return {institution_of(fact.told.body.get("to")), institution_of(addressee)} - {None}


def _flag(fact: Recorded, row: Row) -> None:
    said = f"{codes.display(row['item'])} is on hold: case {row['code']}"
    if not row["internal"]:
        fact.flags[ON_HOLD] = said
    elif fact.told.acting_for == row["owner"]:
        fact.flags[ON_INTERNAL_HOLD] = said
    else:
        fact.kept[ON_INTERNAL_HOLD] = said
