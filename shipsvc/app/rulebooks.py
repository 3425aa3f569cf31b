"""Balances and allowances: what masses are judged by. A version of a time before judges anew what happened since.

What was known then stays readable as known then: only rows that come out otherwise are closed and written anew (D30).
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import sqlalchemy as sa

from shipsvc.app import documents, refold
from shipsvc.app.access import Actor
from shipsvc.app.documents import ALLOWANCE, COLLECTION, KEEPERS, Kind
from shipsvc.app.reach import Scope
from shipsvc.app.told import Told
from shipsvc.domain import errors
from shipsvc.store import documents as chains
from shipsvc.store import items, judged, locks, mass

#: Held by whoever tells a version, shared by whoever tells a mass: each sees what the other did, or waits.
NAME = "what masses are judged by"
#: Samples that are judged anew in one transaction, which must not last (D4): 7 ms each were measured on two busy cores.
JUDGED_MAX = 500
TICK = timedelta(microseconds=1)
EPOCH = datetime(1, 1, 1, tzinfo=UTC)


def share(connection: sa.Connection) -> None:
    """Have no version of a balance or of allowances told before this transaction has ended."""
    locks.share(connection, NAME)


def note_balances(connection: sa.Connection, told: Iterable[Told]) -> None:
    """Note which balances new facts name."""
    pairs = {(code, one.id) for one in told if one.content for code in refold.balances_in(one.content.body)}
    mass.name_balances(connection, pairs)


def create(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    kind: Kind,
    code: str,
    content: Mapping[str, Any],
    told: documents.Told,
) -> Mapping[str, Any]:
    """The first version of a balance, or of the allowances of a collection, which are its owner's.

    As ``documents.create``; NotFound for an unknown collection; RuleForbids where too much would be judged anew.
    """
    if kind is ALLOWANCE:
        content = {**content, "owner": _owner(connection, actor, code)}
    anew = _Anew(connection, kind)
    row = documents.create(connection, actor, now, kind, code, content, told, anew.reach)
    anew.judge(row["recorded_at"])
    return row


def change(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    kind: Kind,
    code: str,
    follows: Collection[int] | None,
    content: Mapping[str, Any],
    told: documents.Told,
) -> Mapping[str, Any]:
    """The next version of one of these. As ``documents.change``; RuleForbids where too much would be judged anew."""
    anew = _Anew(connection, kind)
    row = documents.change(connection, actor, now, kind, code, follows, content, told, anew.reach)
    anew.judge(row["recorded_at"])
    return row


def _owner(connection: sa.Connection, actor: Actor, code: str) -> str:
    found = chains.newest(connection, COLLECTION.chain, code, COLLECTION.visible(actor))
    if found is None:
        raise errors.NotFound(what="collection", name=code, pointer="/code")
    actor.must_be(found["owner"], *KEEPERS)
    return str(found["owner"])


@dataclass
class _Anew:
    """What a version judges anew: found and locked before it is written, folded again after."""

    connection: sa.Connection
    kind: Kind
    scopes: list[Scope] = field(default_factory=list)

    def reach(self, row: Mapping[str, Any]) -> datetime | None:
        """Find and lock what it concerns; the moment before which it must not be recorded, if there is one."""
        find = partial(self._concerned, row)
        scope = self._scope(find())
        newest = items.lock(self.connection, scope.items) if scope else None
        locks.hold(self.connection, NAME)
        if self.connection.dialect.name != "sqlite":
            again = self._scope(find())
            if again and not (scope and again.items <= scope.items):
                raise refold.AffectedGrew
            scope = again
        self.scopes = [scope] if scope else []
        return newest + TICK if newest else None

    def judge(self, recorded_at: datetime) -> None:
        """Fold again what it concerns."""
        for scope in self.scopes:
            found = refold.refold(self.connection, scope, [], (), scope.infos, recorded_at)
            items.touch(self.connection, found.changed, recorded_at)

    def _concerned(self, row: Mapping[str, Any]) -> dict[str, datetime]:
        earlier = judged.valid_from(self.connection, self.kind.chain, row["code"])
        since: datetime = row["valid_from"]
        if self.kind is ALLOWANCE:
            return judged.in_collection(self.connection, row["code"], row["owner"], since)
        # The first version of a balance holds from the beginning.
        return judged.by_balance(self.connection, row["code"], EPOCH if since <= min([*earlier, since]) else since)

    def _scope(self, concerned: Mapping[str, datetime]) -> Scope | None:
        if len(concerned) > JUDGED_MAX:
            why = (
                f"{len(concerned)} samples were weighed since then, and at most {JUDGED_MAX} are judged anew at once."
                " Name a later day."
            )
            raise errors.RuleForbids(why=why, pointer="/valid_from")
        if not concerned:
            return None
        return refold.reach(self.connection, concerned, (), min(concerned.values()))
