"""Restrictions on a sample, which all that is made of it carries: set, and lifted."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import heritage, items, record
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes, errors
from shipsvc.domain.times import parse_instant
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER


@dataclass(frozen=True)
class Restricted:
    """A restriction that was set or lifted, and when that counts from."""

    number: str
    event_id: str
    at: datetime
    recorded_at: datetime


def restrict(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    words: str | None,
    lifts: str | None,
    decision: Decision,
) -> Restricted:
    """Set a restriction on a sample in ``words``, or lift the one that the decision ``lifts`` set. For curators of its
    owner.

    Raises as ``items.find`` does; Malformed unless it is one of the two; NotYourRole; RuleForbids for what is no
    sample; NotFound for a restriction that it does not carry.
    """
    if (words is None) == (lifts is None):
        raise errors.Malformed(
            why='say what is restricted in "words", or which restriction it "lifts"', pointer="/words"
        )
    found = items.find(connection, actor, typed)
    actor.must_be(found.row["owner"], "curator")
    if found.row["kind"] != "sample":
        raise errors.RuleForbids(why=f"{codes.display(found.number)} is a {found.row['kind']}; restrict samples")
    at = decision.taken_at(now(), "/decided_at")
    if lifts is not None:
        _require_carried(connection, actor, found.number, lifts, at)
    body = {"lifts": lifts} if lifts else {"words": words}
    told = decision.told("restriction_set", [found.number], found.row["owner"], at, body)
    answer = record.append(connection, actor, now, told)
    return Restricted(found.number, decision.id, at, parse_instant(answer["recorded_at"]))


def _require_carried(connection: sa.Connection, actor: Actor, number: str, lifts: str, at: datetime) -> None:
    held = heritage.carried(connection, actor, number, When(at, FOREVER))
    if not any(one.event_id == lifts and one.kind == "restriction" for one in held):
        raise errors.NotFound(what=f"restriction of {codes.display(number)}", name=lifts, pointer="/lifts")
