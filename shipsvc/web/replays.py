"""``Idempotency-Key`` on POST (draft-ietf-httpapi-idempotency-key-header-07): a retry gets the first answer.

Use it inside the unit of work, so that the deed and the memory of it are committed together::

    with unit_of_work(service, claims) as work:
        return once(work, key, body, lambda: Made(201, shown, {"Location": ...}))

Only what was done is kept. A refusal changed nothing, so the same request is simply tried again. Passwords belong in
``SecretStr``: the digest of a request is then the same whatever they are, and gives nothing away.
"""

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Final

from fastapi import Depends, Header, Request
from fastapi.responses import Response
from pydantic import BaseModel

from shipsvc.app import replays
from shipsvc.domain import errors
from shipsvc.web.deps import Work

REPLAYED: Final = "Idempotency-Replayed"
#: A Structured Fields string (RFC 9651 section 3.3.3) as the draft asks, or the same without its quotation marks.
_KEY: Final = re.compile(r'"(?P<quoted>[\x20\x21\x23-\x5b\x5d-\x7e]{1,255})"|(?P<bare>[\x21\x23-\x5b\x5d-\x7e]{1,255})')


@dataclass(frozen=True)
class RequestKey:
    """What a request is known by: the client's key (None without one), the method and the path."""

    key: str | None
    method: str
    path: str

    def digest(self, body: BaseModel | None) -> str:
        """SHA-256 over method, path and content; how the JSON was written does not count."""
        content = None if body is None else body.model_dump(mode="json")
        canonical = json.dumps([self.method, self.path, content], sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(canonical.encode()).hexdigest()


@dataclass(frozen=True)
class Made:
    """What an endpoint answers when it has done what was asked: status, content, headers of its own."""

    status: int
    content: BaseModel
    headers: Mapping[str, str] = field(default_factory=dict)


async def _request_key(
    request: Request,
    key: Annotated[
        str | None,
        Header(
            alias="Idempotency-Key",
            max_length=257,
            pattern=r'^("[ !#-[\]-~]{1,255}"|[!#-[\]-~]{1,255})$',
            description="A key of your own making, new for each request and the same for each retry of it, such as a"
            " UUID. A retry gets the first answer, with `Idempotency-Replayed: true`.",
            examples=['"8e03978e-40d5-43dd-bc93-6894a57f9324"'],
        ),
    ] = None,
) -> RequestKey:
    return RequestKey(None if key is None else _read(key), request.method, request.url.path)


RequestKeyDep = Annotated[RequestKey, Depends(_request_key)]


def _read(header: str) -> str:
    found = _KEY.fullmatch(header)
    if found is None:
        raise errors.Malformed(
            why='an Idempotency-Key is 1 to 255 visible ASCII characters without quotation marks inside, such as "a-1"',
            pointer="/Idempotency-Key",
        )
    return found["quoted"] or found["bare"]


def once(work: Work, key: RequestKey, body: BaseModel | None, make: Callable[[], Made]) -> Response:
    """The answer that ``make`` gives, or the one it gave before under the same key, word for word.

    KeyUsedForOtherRequest if the key came with another request of the same person before.
    """
    if key.key is None:
        return _answer(_kept(make()))
    digest = key.digest(body)
    before = replays.first_answer(work.connection, work.actor, key.key, digest)
    if before is not None:
        return _answer(before, {REPLAYED: "true"})
    made = _kept(make())
    replays.keep(work.connection, work.actor, work.now(), key.key, digest, made)
    return _answer(made)


def _kept(made: Made) -> replays.Kept:
    """Headers are part of the answer, so they are kept with its body."""
    text = made.content.model_dump_json()
    return replays.Kept(made.status, json.dumps({"headers": dict(made.headers), "body": text}))


def _answer(kept: replays.Kept, headers: Mapping[str, str] | None = None) -> Response:
    envelope = json.loads(kept.body)
    every = {**envelope["headers"], **(headers or {})}
    return Response(envelope["body"], kept.status, every, media_type="application/json")
