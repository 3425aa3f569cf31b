"""What endpoints share that take decisions of ours: ids for them, and another try when a nest changes under it."""

import secrets
import uuid
from collections.abc import Callable
from datetime import datetime
from typing import TypeVar

from fastapi import Response
from pydantic import BaseModel

from shipsvc.app.record import ATTEMPTS, AffectedGrew
from shipsvc.domain import errors
from shipsvc.web.deps import Service, Work, unit_of_work
from shipsvc.web.replays import Made, RequestKey, once
from shipsvc.web.tokens import Claims

Answer = TypeVar("Answer")


def new_id(now: datetime) -> str:
    """A UUID of version 7 (RFC 9562 section 5.7): 48 bits of Unix milliseconds, then 74 random ones."""
    milliseconds = int(now.timestamp() * 1000)
    random = secrets.randbits(74)
    high = milliseconds << 16 | 0x7000 | random >> 62
    low = 0b10 << 62 | random & (2**62 - 1)
    return str(uuid.UUID(int=high << 64 | low))


def decided(
    service: Service, claims: Claims, key: RequestKey, body: BaseModel | None, make: Callable[[Work], Made]
) -> Response:
    """What ``make`` answers, done once for an Idempotency-Key; tried again when what it is about grew meanwhile."""
    return attempted(lambda: _once(service, claims, key, body, make))


def _once(
    service: Service, claims: Claims, key: RequestKey, body: BaseModel | None, make: Callable[[Work], Made]
) -> Response:
    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: make(work))


def attempted(act: Callable[[], Answer]) -> Answer:
    """The answer of ``act``, which is called anew when AffectedGrew rolled it back; Away when that does not end."""
    for _ in range(ATTEMPTS):
        try:
            return act()
        except AffectedGrew:
            continue
    raise errors.Away(what="The nest that this is about is being changed by others, so it")
