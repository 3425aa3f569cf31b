"""Who may see and who may say what: the one place that decides (the SQL of it is store.access)."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain import errors
from shipsvc.domain.facts import FACTS, institution_of
from shipsvc.store import access, institutions, people, successions
from shipsvc.store.access import Outsider
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER

#: Roles that only read.
READERS = frozenset({"auditor", "reviewer"})
_SEEN = "seen not_seen found photographed condition_noted confirmed"
_HANDED = f"released accepted rejected held freed seal_checked {_SEEN}"
#: Roles that tell only what is theirs to see. All others tell any fact: nothing must go untold for want of a role.
ONLY: Mapping[str, frozenset[str]] = {
    "driver": frozenset(f"{_HANDED} sealed opened refilled logger_placed logger_removed".split()),
    "mail_room": frozenset(f"{_HANDED} stored taken_out".split()),
    "witness": frozenset(_SEEN.split()),
    "device": frozenset("seen weighed photographed logger_placed logger_removed".split()),
}


@dataclass(frozen=True)
class Actor:
    """A person who acts, and the roles they have now, as (institution, role) pairs."""

    person: str
    roles: frozenset[tuple[str, str]]

    @property
    def institutions(self) -> frozenset[str]:
        """Every institution the person has a role at."""
        return frozenset(institution for institution, _ in self.roles)

    @property
    def sees_all(self) -> bool:
        """Whether the person is an auditor or administrator of the service."""
        return any(role in {"auditor", "administrator"} for _, role in self.roles)

    @property
    def administers(self) -> bool:
        """Whether the person is an administrator, who is one of the whole service."""
        return any(role == "administrator" for _, role in self.roles)

    def has(self, institution: str, *roles: str) -> bool:
        """Whether the person has one of the roles at the institution."""
        return any((institution, role) in self.roles for role in roles)

    def may_speak_for(self, institution: str, *, pointer: str = "/acting_for") -> None:
        """Raise unless the person has a role there that may tell facts."""
        held = {role for where, role in self.roles if where == institution}
        if not held - READERS:
            raise errors.NotYourInstitution(institution=institution, pointer=pointer)

    def may_report(self, institution: str, *, pointer: str = "/acting_for") -> None:
        """Raise unless a person may speak for the institution: a device tells what it saw, and no more."""
        self.may_speak_for(institution, pointer=pointer)
        if not {role for where, role in self.roles if where == institution} - READERS - {"device"}:
            raise errors.NotYourRole(needed="clerk, analyst or another person's", institution=institution)

    def may_tell(self, kind: str, institution: str) -> None:
        """Raise unless one of the roles that the person has there may tell this kind of fact; decisions have rules of
        their own, and whoever told a fact may withdraw it."""
        held = {role for where, role in self.roles if where == institution} - READERS
        if kind in FACTS - {"amended"} and not any(kind in ONLY.get(role, FACTS) for role in held):
            raise errors.NotYourRole(
                needed=errors.Text("clerk, analyst or another that tells {kind}", kind=kind), institution=institution
            )

    def must_be(self, institution: str, *roles: str) -> None:
        """Raise unless the person has one of the roles at the institution, or administers the service."""
        if not self.has(institution, *roles) and not self.administers:
            raise errors.NotYourRole(needed=errors.either(roles), institution=institution)

    def must_administer(self) -> None:
        """Raise unless the person administers the service, from whichever institution."""
        if not self.administers:
            raise errors.NotYourRole(needed="administrator", institution="any institution")


def actor(connection: sa.Connection, person: str, now: datetime) -> Actor:
    """The actor behind a token, with the roles in force now; BadToken if the account is gone or shut."""
    roles = people.roles_now(connection, person, now)
    if roles is None:
        raise errors.BadToken(why="the account is closed")
    return _acting(connection, person, roles, now)


def signed_in(connection: sa.Connection, person: str, session: str, now: datetime) -> Actor:
    """The same, in a session that a sign-in opened; BadToken also if that has ended."""
    roles = people.roles_in_session(connection, person, session, now)
    if roles is None:
        raise errors.BadToken(why="the account is closed, or the session has ended")
    return _acting(connection, person, roles, now)


def _acting(connection: sa.Connection, person: str, roles: people.Roles, now: datetime) -> Actor:
    # What a merge brought over is the successor's people's to see and to act for, in the roles that they have there.
    return Actor(person, successions.heirs(connection, When(now, FOREVER)).inherited(roles))


def sees(who: Actor, item: sa.ColumnElement[str]) -> sa.ColumnElement[bool]:
    """A clause: the actor may see the item with this number."""
    return sa.true() if who.sees_all else access.related(item, who.institutions)


def outside_only(connection: sa.Connection, who: Actor, numbers: Collection[str]) -> set[str]:
    """Those of the items that the actor sees only as a courier or an authority: parcels, with what is told of them,
    but not what they are or hold (rulings 16)."""
    handlers = set() if who.sees_all else institutions.handlers(connection, who.institutions)
    if not handlers:
        return set()
    others = access.pairs_among(connection, numbers, who.institutions - handlers)
    return set(numbers) - {number for number, _ in others}


def reads_of(who: Actor, item: Mapping[str, Any], now: datetime) -> Outsider | None:
    """With whose eyes the actor reads about an item; None where they read everything."""
    return None if who.sees_all or item["owner"] in who.institutions else Outsider(who.institutions, now)


def held_since(who: Actor, item: Mapping[str, Any], held: Mapping[str, Any]) -> datetime | None:
    """Since when the certain holder has an item, for its owner and the holder; of the hands of others the date could
    tell of a loan that is kept from the actor."""
    theirs = {item["owner"], institution_of(held["certain"])}
    since: datetime | None = held["certain_since"]
    return since if who.sees_all or not theirs.isdisjoint(who.institutions) else None


def names(who: Actor) -> Callable[[sa.FromClause, sa.ColumnElement[str]], sa.ColumnElement[bool]]:
    """A clause on an alias and the column of its item: the actor may find the item by that name.

    What somebody else calls a thing may tell who has it.
    """
    return lambda alias, item: sa.true() if who.sees_all else access.names(alias, item, who.institutions)


def sees_of(who: Actor, institution: sa.ColumnElement[str]) -> sa.ColumnElement[bool]:
    """A clause: the actor may see the places, balances and collections of this institution.

    Its own people do, those who own a collection of which it has to do with an item, and whoever sees all.
    """
    return sa.true() if who.sees_all else access.concerned(institution, who.institutions)
