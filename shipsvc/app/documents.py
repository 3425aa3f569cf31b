"""Institutions, collections, places, profiles, balances: documents that are changed by telling a new version."""

import secrets
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import access
from shipsvc.app.access import Actor
from shipsvc.domain import codes, errors
from shipsvc.domain.times import zone_of
from shipsvc.store import documents, items, locks, people, profiles, tables
from shipsvc.store.documents import When as When  # callers ask by it
from shipsvc.store.engine import LONGEST_WRITE_S

#: Who at an institution keeps its documents, beside administrators.
KEEPERS = ("curator", "registrar")
TICK = timedelta(microseconds=1)
#: No letter that looks like a digit.
_LETTERS: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_CODE_LENGTH: Final = 8


@dataclass(frozen=True)
class Kind:
    """A kind of document, and the column that names the institution it concerns.

    ``for_all`` to read are institutions, and profiles: who stores a sample must know what it is to be kept in.
    """

    name: str
    chain: sa.Table
    institution: str
    for_all: bool = False

    def visible(self, actor: Actor) -> sa.ColumnElement[bool] | None:
        """A clause: the actor may see a version; None where everybody may."""
        return None if self.for_all else access.sees_of(actor, self.chain.c[self.institution])


INSTITUTION = Kind("institution", tables.table(tables.Institution), "code", for_all=True)
COLLECTION = Kind("collection", tables.table(tables.Collection), "owner")
PLACE = Kind("place", tables.table(tables.Place), "institution")
PROFILE = Kind("profile", tables.table(tables.ProfileVersion), "institution", for_all=True)
BALANCE = Kind("balance", tables.table(tables.BalanceVersion), "institution")
ALLOWANCE = Kind("allowance", tables.table(tables.Allowance), "owner")
#: What is done just before a version is written; it answers a moment before which it must not be recorded.
Before = Callable[[Mapping[str, Any]], datetime | None]


@dataclass(frozen=True)
class Told:
    """Since when a version holds (since now unless given), and why it was told."""

    valid_from: datetime | None = None
    because: str = ""


def asked(as_of: datetime | None, known_on: datetime | None, now: datetime) -> When:
    """The moments a question is about: now, and all that is recorded, unless given."""
    return When(as_of or now, known_on or tables.FOREVER)


def is_provisional(known_on: datetime | None, now: datetime) -> bool:
    """Whether a transaction that still runs could change what was known then (D4)."""
    return known_on is not None and known_on > now - timedelta(seconds=LONGEST_WRITE_S)


def read(connection: sa.Connection, actor: Actor, kind: Kind, code: str, when: When) -> Mapping[str, Any]:
    """The version of a document that holds; NotFound where there is none that the actor may see."""
    row = documents.in_force(connection, kind.chain, code, when, kind.visible(actor))
    if row is None:
        raise errors.NotFound(what=kind.name, name=code)
    return _beside(connection, kind, [row], when)[0]


def page(
    connection: sa.Connection, actor: Actor, kind: Kind, when: When, *, after: str, limit: int
) -> Sequence[Mapping[str, Any]]:
    """Up to ``limit`` documents that the actor may see, in the order of their codes, behind ``after``."""
    found = documents.page(connection, kind.chain, when, after=after, limit=limit, visible=kind.visible(actor))
    return _beside(connection, kind, found, when)


def create(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    kind: Kind,
    code: str,
    content: Mapping[str, Any],
    told: Told,
    before: Before | None = None,
) -> Mapping[str, Any]:
    """The first version of a document. For administrators, and curators and registrars of the institution concerned.

    NotYourRole; NotFound for an unknown institution; AlreadyThere; Malformed for an unknown zone or unfit prefix.
    """
    row = {"code": code, **content}
    actor.must_be(row[kind.institution], *KEEPERS)
    if kind is not INSTITUTION:
        require_institution(connection, row[kind.institution], f"/{kind.institution}")
    _check(connection, row)
    if documents.newest_locked(connection, kind.chain, code):
        raise errors.AlreadyThere(what=kind.name, name=code, pointer="/code")
    if kind is COLLECTION:
        _require_free_prefix(connection, row["prefix"])
    return _append(connection, kind, row, actor, now, told, version=1, recorded_at=now, before=before)


def change(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    kind: Kind,
    code: str,
    follows: Collection[int] | None,
    content: Mapping[str, Any],
    told: Told,
    before: Before | None = None,
) -> Mapping[str, Any]:
    """The next version of a document. ``follows`` are the versions it may follow; None stands for any.

    NotFound, NotYourRole, Malformed as above; VersionMoved if the newest version is another. A version that begins
    only later is the newest one all the same.
    """
    newest = documents.newest_locked(connection, kind.chain, code, kind.visible(actor))
    if newest is None:
        raise errors.NotFound(what=kind.name, name=code)
    actor.must_be(newest[kind.institution], *KEEPERS)
    if follows is not None and newest["version"] not in follows:
        raise errors.VersionMoved(what=kind.name.capitalize(), name=code, newest=newest["version"])
    row = {**newest, **content}
    _check(connection, {"code": code, **content})
    recorded_at, version = max(now, newest["recorded_at"] + TICK), newest["version"] + 1
    return _append(connection, kind, row, actor, now, told, version=version, recorded_at=recorded_at, before=before)


def append_next(
    connection: sa.Connection,
    chain: sa.Table,
    person: str,
    now: datetime,
    newest: Mapping[str, Any] | None,
    new: Mapping[str, Any],
    at: datetime,
    because: str,
) -> dict[str, Any]:
    """Add the version that follows ``newest`` (None: the first), with what is ``new`` in it. What it says holds from
    ``at``, but not from before what it follows."""
    version, recorded_at = 1, now
    if newest is not None:
        version, recorded_at = newest["version"] + 1, max(now, newest["recorded_at"] + TICK)
        at = max(at, newest["valid_from"])
    told = {"version": version, "valid_from": at, "recorded_at": recorded_at, "actor": person, "because": because}
    row = {**(newest or {}), **new, **told}
    documents.append(connection, chain, row)
    return row


def drawn_code(letter: str) -> str:
    """A code that is drawn, not counted, so that nobody learns from theirs how many others there are."""
    return f"{letter}-" + "".join(secrets.choice(_LETTERS) for _ in range(_CODE_LENGTH))


def found(connection: sa.Connection, actor: Actor, now: datetime, code: str, content: Mapping[str, Any]) -> None:
    """Make an institution unless it is there."""
    if documents.newest_locked(connection, INSTITUTION.chain, code) is None:
        create(connection, actor, now, INSTITUTION, code, content, Told(because="Made with the first administrator"))


def require_institution(connection: sa.Connection, code: str, pointer: str) -> None:
    """Raise NotFound, said of the member at ``pointer``, unless there is such an institution."""
    if documents.newest(connection, INSTITUTION.chain, code) is None:
        raise errors.NotFound(what="institution", name=code, pointer=pointer)


def names(connection: sa.Connection, institutions: Collection[str], now: datetime) -> Sequence[Mapping[str, Any]]:
    """The institutions with these codes as they are now, in the order of their codes."""
    wanted = INSTITUTION.chain.c.code.in_(institutions)
    when = asked(None, None, now)
    return documents.page(connection, INSTITUTION.chain, when, after="", limit=len(institutions), visible=wanted)


def _append(
    connection: sa.Connection,
    kind: Kind,
    row: Mapping[str, Any],
    actor: Actor,
    now: datetime,
    told: Told,
    *,
    version: int,
    recorded_at: datetime,
    before: Before | None,
) -> Mapping[str, Any]:
    chain = {"version": version, "valid_from": told.valid_from or now, "recorded_at": recorded_at}
    complete = {**row, **chain, "actor": actor.person, "because": told.because}
    floor = before(complete) if before else None
    complete["recorded_at"] = max(recorded_at, floor or recorded_at)
    documents.append(connection, kind.chain, complete)
    return _beside(connection, kind, [complete], asked(None, None, now))[0]


def _beside(
    connection: sa.Connection, kind: Kind, found: Sequence[Mapping[str, Any]], when: When
) -> Sequence[Mapping[str, Any]]:
    """The versions with what else there is to say: of a place, whether anybody described the profile that it names."""
    if kind is not PLACE or not found:
        return found
    known = profiles.known(connection, {row["profile"] for row in found}, when)
    return [{**row, "profile_known": row["profile"] in known} for row in found]


def _check(connection: sa.Connection, content: Mapping[str, Any]) -> None:
    """The rules that a shape alone does not keep."""
    if "limits" in content:
        _check_profile(connection, content)
    if content.get("custodian") and people.by_id(connection, content["custodian"]) is None:
        raise errors.NotFound(what="person", name=content["custodian"], pointer="/custodian")
    if "zone" in content:
        _at("/zone", zone_of, content["zone"])
    if "prefix" in content:
        _at("/prefix", codes.make, content["prefix"], 1)


def _check_profile(connection: sa.Connection, content: Mapping[str, Any]) -> None:
    """Its figures fit together, and what it is declared as strict as is there."""
    stricter = profiles.profile_of(content).as_strict_as - {content["code"]}
    for code in sorted(stricter):
        if documents.newest(connection, PROFILE.chain, code) is None:
            raise errors.NotFound(what="profile", name=code, pointer="/as_strict_as")


def _at(pointer: str, rule: Any, *values: Any) -> None:
    try:
        rule(*values)
    except errors.Malformed as error:
        raise error.at(pointer) from None


def _require_free_prefix(connection: sa.Connection, prefix: str) -> None:
    """Numbers are never reused, so a prefix belongs to one collection, or to packaging, for good."""
    locks.hold(connection, f"prefix {prefix}")
    if items.prefix_owners(connection, [prefix]):
        raise errors.AlreadyThere(what="number prefix", name=prefix, pointer="/prefix")
