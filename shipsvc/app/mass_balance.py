"""The material balance of a period: what was there, came, went, is there now, and what weighing it again said."""

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import documents, families, items
from shipsvc.app.access import Actor
from shipsvc.app.documents import COLLECTION
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain import errors
from shipsvc.domain.mass import Mass
from shipsvc.store import ledger
from shipsvc.store.documents import When
from shipsvc.store.ledger import Scope
from shipsvc.store.tables import FOREVER

#: What lowers the samples of a balance, in the order in which it is shown: the account by its line.
OUT: Final = ("used_weighed", "used_estimated", "worked_loss", "embedded", "written_off", "unexplained")


@dataclass(frozen=True)
class _Sums:
    """What went between the samples and each account, net and into the account, in ng."""

    before: Mapping[str, int]
    since: Mapping[str, int]


def material_balance(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    since: datetime | None = None,
    collection: str | None = None,
    family: str | None = None,
) -> list[Entry]:
    """The lines of the balance of a collection, of a sample and all made of it alone, or of all that is the actor's.

    What happened after ``since`` (None: from the beginning) and not after ``asked.as_of`` counts. For the owner's
    people and those who see all. Raises as ``items.find`` does; NotFound for a collection or sample that is not theirs.
    """
    scope = _scope(connection, actor, asked, collection, family)
    lines = _lines(connection, asked, since, scope)
    entries = [Entry((f"{place:02}",), line) for place, line in enumerate(lines)]
    return [entry for entry in entries if after is None or entry.key > after][:limit]


def _scope(connection: sa.Connection, actor: Actor, asked: Asked, collection: str | None, family: str | None) -> Scope:
    if collection and family:
        raise errors.Malformed(why="name a collection or a family, not both")
    if family:
        found = items.find(connection, actor, family)
        if not actor.sees_all and found.row["owner"] not in actor.institutions:
            raise errors.NotFound(what="item", name=family)
        return ledger.these(families.pure(connection, found.number, asked.moment))
    if collection:
        own_collection(connection, actor, asked, collection)
        return ledger.of_collection(collection)
    return ledger.everything if actor.sees_all else ledger.of_owners(actor.institutions)


def own_collection(connection: sa.Connection, actor: Actor, asked: Asked, code: str) -> Mapping[str, Any]:
    """The collection in the version in force, for its owner's people and those who see all; NotFound for others."""
    row = documents.read(connection, actor, COLLECTION, code, When(asked.as_of, asked.moment.known_on or FOREVER))
    if not actor.sees_all and row["owner"] not in actor.institutions:
        raise errors.NotFound(what="collection", name=code)
    return row


def _sums(connection: sa.Connection, asked: Asked, since: datetime | None, scope: Scope) -> _Sums:
    parts: tuple[dict[str, int], dict[str, int]] = (defaultdict(int), defaultdict(int))
    for into, sign in ((True, -1), (False, 1)):
        for row in ledger.flows(connection, asked.moment, since, scope, into=into):
            # Between two of the samples it leaves the one and comes to the other: together nothing.
            if not row["inside"]:
                account = "moved_in" if row["account"] == "sample" and into else row["account"]
                account = "moved_out" if account == "sample" else account
                parts[1 - row["before"]][account] += sign * row["ng"]
    return _Sums(*parts)


def _lines(connection: sa.Connection, asked: Asked, since: datetime | None, scope: Scope) -> list[dict[str, Any]]:
    sums = _sums(connection, asked, since, scope)
    opening_ng = -sum(sums.before.values())
    gone = [(account, sums.since.get(account, 0)) for account in ("moved_out", *OUT)]
    lines = [("opening", opening_ng), ("received", -sums.since.get("origin", 0))]
    lines += [("rebased", -sums.since.get("rebasis", 0)), ("moved_in", -sums.since.get("moved_in", 0)), *gone]
    closing_ng = opening_ng - sum(sums.since.values())
    books = {row["counted"]: row for row in ledger.held(connection, asked.moment, since, scope)}
    difference_ng, variance = ledger.differences(connection, asked.moment, since, scope)
    counted, others = books.get(1, {"ng": 0, "samples": 0}), books.get(0, {"ng": 0, "samples": 0})
    u_mg = Mass(round(math.sqrt(variance))).digits("mg")
    return [
        *(_line(name, ng) for name, ng in lines),
        _line("closing", closing_ng, samples=counted["samples"] + others["samples"]),
        _line("counted", counted["ng"] + difference_ng, samples=counted["samples"]),
        _line("not_counted", others["ng"], samples=others["samples"]),
        _line("difference", difference_ng, u_mg=u_mg, samples=counted["samples"]),
    ]


def _line(name: str, ng: int, *, u_mg: str | None = None, samples: int | None = None) -> dict[str, Any]:
    return {"line": name, "mass_mg": Mass(ng).digits("mg"), "u_mg": u_mg, "samples": samples}
