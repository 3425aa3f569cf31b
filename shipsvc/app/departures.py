"""People who leave: their roles and sign-in end, their signature remains, and their duties pass to somebody else."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import identity
from shipsvc.app.access import Actor
from shipsvc.app.identity import TICK, Profile
from shipsvc.domain.clients import PERSON
from shipsvc.domain.successions import Heirs
from shipsvc.store import locks, people, sessions
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER

#: Who at an institution tells that somebody left it, beside administrators.
TELLERS = ("curator", "deputy", "registrar")
Row = Mapping[str, Any]


@dataclass(frozen=True)
class Answering:
    """Who answers for a duty, and why: the person ``named``, their ``deputy`` since they left, or the ``institution``
    since nobody deputises. ``person`` is None where the institution does, or the named one is no person of ours.
    """

    why: str
    institution: str
    person: str | None = None


def leave(connection: sa.Connection, actor: Actor, now: datetime, person: str, from_at: datetime | None) -> Profile:
    """Somebody leaves from a moment on (now unless given, which may be told late): every role ends, and the sign-in.

    For administrators, and for curators, registrars and deputies of every institution that the person has a role at.
    NotFound; NotYourRole; RuleForbids if nobody were left to administer the service.
    """
    locks.hold(connection, "administrators", f"roles {person}")
    found = identity.profile(connection, actor, now, person)
    if found.kind != PERSON:
        actor.must_administer()
    held = people.roles_told(connection, person, FOREVER)
    _require_theirs(actor, held)
    newest = people.newest_change(connection, person)
    told = {"person": person, "granted": False, "from_at": from_at or now, "actor": actor.person}
    told |= {"recorded_at": max(now, newest + TICK) if newest else now}
    people.add_changes(connection, [{**told, "institution": where, "role": role} for where, role in sorted(held)])
    closes = min(from_at or now, found.closed_at or FOREVER)
    people.close_account(connection, person, closes)
    if closes <= now:
        sessions.end_all(connection, person, now)
    identity.require_administrator(connection, max(now, closes))
    return identity.profile(connection, actor, now, person, left=True)


def _require_theirs(actor: Actor, held: Collection[tuple[str, str]]) -> None:
    if not held:
        actor.must_administer()
    for institution, role in held:
        if role == "administrator":
            actor.must_administer()
        actor.must_be(institution, *TELLERS)


def erase_name(connection: sa.Connection, actor: Actor, now: datetime, person: str) -> Profile:
    """Name and email go for good; id, roles and all that was signed stay. Administrators only; may be repeated."""
    actor.must_administer()
    identity.profile(connection, actor, now, person)
    people.erase_name(connection, person)
    return identity.profile(connection, actor, now, person)


def answering(connection: sa.Connection, named: Sequence[tuple[str, str]], heirs: Heirs, when: When) -> list[Answering]:
    """Who answers at a moment, by what was known on a moment, for each (responsible, institution) pair."""
    families = {where: heirs.family(heirs.of(where)) for _, where in named}
    every = {code for family in families.values() for code in family}
    changes: dict[str, list[Row]] = defaultdict(list)
    for row in people.changes_at(connection, every, when):
        changes[row["institution"]].append(row)
    return [
        _answering(responsible, heirs.of(where), [row for code in families[where] for row in changes[code]])
        for responsible, where in named
    ]


def _answering(responsible: str, institution: str, changes: Sequence[Row]) -> Answering:
    last = {(row["person"], row["institution"], row["role"]): row for row in changes}
    theirs = [row["granted"] for row in last.values() if row["person"] == responsible]
    if not theirs or any(theirs):
        return Answering("named", institution, responsible if theirs else None)
    deputies = [row for row in last.values() if row["granted"] and row["role"] == "deputy"]
    if not deputies:
        return Answering("institution", institution)
    longest = min(deputies, key=lambda row: (row["from_at"], row["person"]))
    return Answering("deputy", institution, longest["person"])
