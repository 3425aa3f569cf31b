"""The decision that a sample belongs to the reserve of its collection, or no longer does."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import items, record, reserve
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes, errors
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import parse_instant
from shipsvc.store import events, item_states, second
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER


@dataclass(frozen=True)
class Marked:
    """A sample that was put into the reserve, or is to leave it once a second person confirms that."""

    number: str
    reserve: bool
    at: datetime
    recorded_at: datetime


def set_reserve(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    decision: Decision,
    *,
    into: bool,
    over_floor: bool = False,
) -> Marked:
    """Put a sample into the reserve, at once; or take it out, which a second person has to confirm.

    For curators of its owner. Raises as ``items.find`` does; NotYourRole; RuleForbids for what is no sample of a
    collection or has ended, where it is so already or such a decision waits, and where the reserve would hold less
    than must stay, unless it is said to go ``over_floor``: two people may do that, one never.
    """
    found = items.find(connection, actor, typed)
    actor.must_be(found.row["owner"], "curator")
    shown = codes.display(found.number)
    if found.row["kind"] != "sample" or found.row["collection"] is None:
        raise errors.RuleForbids(why=f"{shown} is no sample of a collection; only those make up a reserve.")
    at = decision.taken_at(now(), "/decided_at")
    span = item_states.span_at(connection, found.number, When(at, FOREVER), now())
    if span and span["handover"] == "ended":
        raise errors.RuleForbids(why=f"nothing is left of {shown}.")
    if bool(span and span["reserve"]) == into:
        raise errors.RuleForbids(why=f"{shown} {'is in the reserve already' if into else 'is not in the reserve'}.")
    told = {original for original, _, _ in events.of_kinds(connection, [found.number], ("reserve_set",))}
    if second.flagged(connection, told):
        raise errors.RuleForbids(why="that is decided already, and waits for a second person to confirm it.")
    said = {"reserve": into} | ({"over_floor": True} if over_floor and not into else {})
    answer = record.append(
        connection,
        actor,
        now,
        decision.told("reserve_set", [found.number], found.row["owner"], at, said),
    )
    if not into and not over_floor:
        _may_leave(connection, found.row["collection"], (span or {}).get("mass_ng") or 0, now())
    return Marked(found.number, into, at, parse_instant(answer["recorded_at"]))


def _may_leave(connection: sa.Connection, collection: str, mass_ng: int, now: datetime) -> None:
    """Asked after the items are locked: whoever tells of an act takes the two locks in that order."""
    standing = reserve.now_locked(connection, collection, now).standing
    if standing.floor_ppm is not None and mass_ng > standing.headroom_ng:
        most = Mass(max(0, standing.headroom_ng)).digits("mg")
        raise errors.RuleForbids(why=f"the reserve may go down by {most} mg at most.")
