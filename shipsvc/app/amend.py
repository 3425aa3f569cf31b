"""Amendments: who may amend what, and that nobody overlooks an amendment made meanwhile (rulings 3)."""

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app.access import Actor
from shipsvc.app.told import Told
from shipsvc.domain import errors
from shipsvc.store import events, items


@dataclass(frozen=True)
class Original:
    """The fact that is amended, as it stood until now: its items, and when it had happened."""

    items: frozenset[str]
    happened_at: datetime | None


def original_of(connection: sa.Connection, actor: Actor, told: Told) -> Original:
    """What ``told`` amends. Raises NotFound, AmendsAnAmendment, AmendedMeanwhile or NotAllowed."""
    wanted = told.amends or ""
    row = events.by_ids(connection, [wanted]).get(wanted)
    if row is None:
        raise errors.NotFound(what="fact", name=wanted, pointer="/amends")
    if row["amends"]:
        raise errors.AmendsAnAmendment(id=wanted, original=row["amends"], pointer="/amends")
    held = events.items_of(connection, [wanted])
    numbers = frozenset(found["item"] for found in held)
    _may_amend(connection, actor, told, row["acting_for"], numbers)
    if not is_newest(connection, told):
        raise errors.AmendedMeanwhile(id=wanted, newest=_newest(connection, wanted), pointer="/body/expected")
    return Original(numbers, min((found["happened_at"] for found in held), default=None))


def is_newest(connection: sa.Connection, told: Told) -> bool:
    """Whether an amendment follows the newest one there is; any other fact does. Asked again under the locks."""
    return told.amends is None or told.body.get("expected") == _newest(connection, told.amends)


def _newest(connection: sa.Connection, original: str) -> str | None:
    earlier = events.amendments(connection, original)
    return str(earlier[-1]["id"]) if earlier else None


def _may_amend(
    connection: sa.Connection, actor: Actor, told: Told, first_told_for: str, numbers: frozenset[str]
) -> None:
    if told.acting_for == first_told_for:
        return
    owners = {row["owner"] for row in items.by_numbers(connection, numbers).values()}
    if not (told.acting_for in owners and actor.has(told.acting_for, "curator")):
        raise errors.NotYourRole(needed="curator of the collection, or one who acts for", institution=first_told_for)
