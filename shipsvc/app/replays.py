"""The same request under the same Idempotency-Key is done once and answered twice (design, promise 7)."""

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app.access import Actor
from shipsvc.domain import errors
from shipsvc.store import replays


@dataclass(frozen=True)
class Kept:
    """An answer as it was given: HTTP status and what it held."""

    status: int
    body: str


def first_answer(connection: sa.Connection, actor: Actor, key: str, digest: str) -> Kept | None:
    """What this person was answered under the key, or None; KeyUsedForOtherRequest if the request was another."""
    row = replays.first_answer(connection, actor.person, key)
    if row is None:
        return None
    if row["request_digest"] != digest:
        raise errors.KeyUsedForOtherRequest(key=key)
    return Kept(row["status"], row["body"])


def keep(connection: sa.Connection, actor: Actor, now: datetime, key: str, digest: str, answer: Kept) -> None:
    """Keep an answer, in the transaction that did what it tells of."""
    replays.keep(connection, actor.person, key, digest, answer.status, answer.body, now)
