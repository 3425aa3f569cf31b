"""The decision that a sample is to be kept under another storage profile from a moment on."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import items, record
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes, errors
from shipsvc.domain.times import parse_instant
from shipsvc.store import item_states, profiles
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER


@dataclass(frozen=True)
class ProfileSet:
    """A sample, what it was kept under before (None: nothing), and from when on the other profile holds."""

    number: str
    before: str | None
    at: datetime
    recorded_at: datetime


def set_profile(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    profile: str,
    decision: Decision,
) -> ProfileSet:
    """Keep a sample under a profile from the decision's time on; earlier time stays judged by what held then.

    For curators of its owner. Raises as ``items.find`` does; NotYourRole; NotFound for a profile that nobody described
    by then; RuleForbids for what is no sample, or of which nothing is left.
    """
    found = items.find(connection, actor, typed)
    actor.must_be(found.row["owner"], "curator")
    shown = codes.display(found.number)
    if found.row["kind"] != "sample":
        raise errors.RuleForbids(why=f"{shown} is a {found.row['kind']}; profiles are set for samples.")
    at = decision.taken_at(now(), "/from_at")
    if profile not in profiles.known(connection, {profile}, When(at, FOREVER)):
        raise errors.NotFound(what="profile", name=profile, pointer="/profile")
    span = item_states.span_at(connection, found.number, When(at, FOREVER), now())
    if span and span["handover"] == "ended":
        raise errors.RuleForbids(why=f"nothing is left of {shown}.")
    told = decision.told("profile_set", [found.number], found.row["owner"], at, {"profile": profile})
    answer = record.append(connection, actor, now, told)
    return ProfileSet(found.number, span["profile"] if span else None, at, parse_instant(answer["recorded_at"]))
