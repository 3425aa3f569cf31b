"""Institutions that were renamed, merged or parted: who took over from whom, and how each is found by any name."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents
from shipsvc.app.access import Actor
from shipsvc.app.documents import INSTITUTION, KEEPERS, TICK
from shipsvc.domain import errors
from shipsvc.domain.successions import Heirs, Succession, cycle, in_force
from shipsvc.store import documents as chains
from shipsvc.store import locks, successions
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Standing:
    """An institution in the version in force, who answers for it since when, whom it answers for, and what of it a
    search found, as (which, words) pairs: code, name, former_name, predecessor, successor.
    """

    row: Row
    successor: str | None
    successor_since: datetime | None
    predecessors: Sequence[str]
    found_by: Sequence[tuple[str, str]] = field(default=())


# ----------------------------------------------------------------------------------------------------------- decisions
def tell(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    code: str,
    successor: str | None,
    from_at: datetime | None,
    because: str,
) -> Row:
    """Another institution answers for this one from a moment on; or, with no successor, it does so itself again.

    A merge holds from now unless told otherwise; a reversal from where the merge in force began, as if it had not
    been. For administrators, and curators and registrars of the institution that is taken over. NotYourRole; NotFound;
    Malformed for itself; RuleForbids for a cycle, and where there is nothing to reverse.
    """
    actor.must_be(code, *KEEPERS)
    documents.require_institution(connection, code, "/code")
    locks.hold(connection, "successions")
    told = successions.told(connection)
    recorded_at = max([now, *(one.recorded_at + TICK for one in told)])
    begins = _reversed_from(told, code, from_at, now) if successor is None else from_at or now
    if successor is not None:
        _check(connection, told, Succession(code, successor, begins, recorded_at))
    said = {"institution": code, "successor": successor, "from_at": begins, "recorded_at": recorded_at}
    row = {**said, "actor": actor.person, "because": because}
    successions.append(connection, row)
    return row


def _reversed_from(told: Iterable[Succession], code: str, from_at: datetime | None, now: datetime) -> datetime:
    link = in_force(told, from_at or now, FOREVER).links.get(code)
    if link is None:
        raise errors.RuleForbids(why=f"{code} has no successor at that moment, so there is nothing to reverse.")
    return from_at or link.from_at


def _check(connection: sa.Connection, told: Sequence[Succession], new: Succession) -> None:
    successor = str(new.successor)
    if successor == new.predecessor:
        raise errors.Malformed(why="an institution cannot take over from itself", pointer="/successor")
    documents.require_institution(connection, successor, "/successor")
    line = cycle([*told, new], new.predecessor, new.from_at, FOREVER)
    if line:
        path = " -> ".join(line)
        raise errors.RuleForbids(why=f"nobody would answer in the end ({path}). Reverse the other merge first.")


def log(connection: sa.Connection, code: str, when: When) -> Sequence[Row]:
    """Every decision that names the institution, in the order in which they were told; NotFound if it is unknown."""
    documents.require_institution(connection, code, "/code")
    return successions.log(connection, code, when)


# ------------------------------------------------------------------------------------------------------------- reading
def page(
    connection: sa.Connection, actor: Actor, when: When, q: str | None, *, after: str, limit: int
) -> list[Standing]:
    """Up to ``limit`` institutions in the order of their codes; with ``q``, those that go or went by it."""
    heirs = successions.heirs(connection, when)
    hits = _hits(connection, heirs, when, q) if q is not None else None
    chain = INSTITUTION.chain
    wanted = chain.c.code.in_(hits) if hits is not None else INSTITUTION.visible(actor)
    rows = chains.page(connection, chain, when, after=after, limit=limit, visible=wanted)
    return [_standing(row, heirs, _matches(row, hits[row["code"]]) if hits else ()) for row in rows]


def read(connection: sa.Connection, actor: Actor, code: str, when: When) -> Standing:
    """One institution as it stood; NotFound."""
    return standing(connection, documents.read(connection, actor, INSTITUTION, code, when), when)


def standing(connection: sa.Connection, row: Row, when: When) -> Standing:
    """An institution with those that it took over from, and who took over from it."""
    return _standing(row, successions.heirs(connection, when))


def _standing(row: Row, heirs: Heirs, found_by: Sequence[tuple[str, str]] = ()) -> Standing:
    link = heirs.links.get(row["code"])
    predecessors = [old for old in heirs.family(row["code"]) if old != row["code"]]
    since = link.from_at if link else None
    return Standing(row, heirs.of(row["code"]) if link else None, since, predecessors, found_by)


def _hits(connection: sa.Connection, heirs: Heirs, when: When, q: str) -> dict[str, list[tuple[str, str]]]:
    """By code, what was found of each institution and of those before and after it."""
    hits: dict[str, list[tuple[str, str]]] = defaultdict(list)
    sought = q.strip().casefold()
    for code, name in chains.names(connection, INSTITUTION.chain, when):
        hits[code] += [one for one in (("code", code), ("name", name)) if sought in one[1].casefold()]
    own = [code for code, found in hits.items() if found]
    for code in own:
        for later in heirs.line(code)[1:]:
            hits[later].append(("predecessor", code))
        for earlier in heirs.family(code):
            hits[earlier] += [("successor", code)] if earlier != code else []
    return {code: list(dict.fromkeys(found)) for code, found in hits.items() if found}


def _matches(row: Row, found: Collection[tuple[str, str]]) -> list[tuple[str, str]]:
    """A name that it no longer has is a former one."""
    return [("former_name" if which == "name" and words != row["name"] else which, words) for which, words in found]
