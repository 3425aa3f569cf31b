"""What an endpoint starts from: the service, who is asking, and the unit of work with the only commit of a request."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Annotated

import anyio
import sqlalchemy as sa
from fastapi import Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.openapi.models import OAuthFlowClientCredentials, OAuthFlowPassword, OAuthFlows
from fastapi.security import OAuth2
from fastapi.security.utils import get_authorization_scheme_param

from shipsvc.app import access, files
from shipsvc.config import Settings
from shipsvc.domain import errors
from shipsvc.store.engine import LONGEST_WRITE_S, Database
from shipsvc.web.metrics import Metrics
from shipsvc.web.tokens import Claims, KeyRing

#: More than people sign in with in a minute.
TOKENS_MAX = 4096
_CLOCK = sa.select(sa.func.clock_timestamp())


@dataclass
class KnownTokens:
    """Tokens that were verified lately: to check a signature costs as much as the rest of a small request.

    Only the signature is taken as read. Times are looked at again, accounts and roles in each unit of work; and with
    the keys, which are read anew every minute, all tokens are forgotten. For one thread, that of the event loop.
    """

    _ring: KeyRing | None = None
    _known: dict[str, tuple[datetime, Claims]] = field(default_factory=dict)

    def verified(self, ring: KeyRing, token: str, now: datetime) -> Claims:
        """What the token says, as ``ring.verify`` answers; BadToken as there."""
        if ring is not self._ring or len(self._known) >= TOKENS_MAX:
            self._ring, self._known = ring, {}
        if token in self._known:
            since, claims = self._known[token]
            if since <= now < claims.expires_at:
                return claims
        claims = ring.verify(token, now)
        self._known[token] = (now, claims)
        return claims


@dataclass
class Service:
    """All that one process of the service works with. Made by ``create_app``; nothing of it at import."""

    settings: Settings
    database: Database
    metrics: Metrics
    keys: Callable[[], KeyRing]
    clock: Callable[[], datetime] | None = None
    #: The same keys where no database need be asked for them, else None.
    keys_at_hand: Callable[[], KeyRing | None] = lambda: None
    #: Shorter in tests only: every process on one database must go by the same.
    longest_write_s: float = LONGEST_WRITE_S
    tokens: KnownTokens = field(default_factory=KnownTokens)
    #: Files that are looked at or drawn at once: one, since a large image takes half a GB.
    looking: anyio.CapacityLimiter = field(default_factory=lambda: anyio.CapacityLimiter(1))

    @property
    def shelf(self) -> files.Shelf:
        """Where the bytes of evidence files are."""
        return files.Shelf(self.settings.files_path, self.settings.file_bytes_max)

    @property
    def readings_shelf(self) -> files.Shelf:
        """The same folder, for files of readings, which are larger."""
        return files.Shelf(self.settings.files_path, self.settings.readings_bytes_max)

    def now(self, connection: sa.Connection | None = None) -> datetime:
        """The given clock; else the database's own on PostgreSQL, so that several processes agree; else this one's."""
        if self.clock:
            return self.clock()
        if connection is not None and not self.database.is_sqlite:
            found: datetime = connection.execute(_CLOCK).scalar_one()
            return found.astimezone(UTC)
        return datetime.now(UTC)


@dataclass(frozen=True)
class Work:
    """One transaction, on behalf of one person."""

    connection: sa.Connection
    actor: access.Actor
    now: Callable[[], datetime]


def _service(request: Request) -> Service:
    found: Service = request.app.state.service
    return found


_sign_in = OAuth2(
    flows=OAuthFlows(
        password=OAuthFlowPassword(tokenUrl="/v1/token", refreshUrl="/v1/token"),
        clientCredentials=OAuthFlowClientCredentials(tokenUrl="/v1/token"),
    ),
    scheme_name="sign_in",
    auto_error=False,
)


async def _claims(request: Request, authorization: Annotated[str | None, Depends(_sign_in)]) -> Claims:
    scheme, token = get_authorization_scheme_param(authorization)
    if scheme.lower() != "bearer" or not token:
        raise errors.NotSignedIn
    service = _service(request)
    # Once a minute the keys are read again, and a database that does not answer must not keep all others waiting.
    ring = service.keys_at_hand()
    if ring is None:
        ring = await run_in_threadpool(service.keys)
    return service.tokens.verified(ring, token, service.now())


async def _get_service(request: Request) -> Service:
    return _service(request)


# Both are coroutines: a plain function would cost a hop to a thread for each of them.
ServiceDep = Annotated[Service, Depends(_get_service)]
ClaimsDep = Annotated[Claims, Depends(_claims)]


@contextmanager
def transaction(service: Service, *, writes: bool) -> Iterator[sa.Connection]:
    """A connection inside a transaction. What is written is committed when the block ends, before any answer."""
    database = service.database
    if not writes:
        with database.engine.connect() as connection, connection.begin():
            yield connection
        return
    with database.write_lock, database.engine.connect().execution_options(writes=True) as connection:
        started = time.monotonic()
        with connection.begin():
            yield connection
            if time.monotonic() - started > service.longest_write_s:
                # Somebody may already have been told that nothing older can still appear (D4).
                raise errors.Away(what="The database, which took too long over this,")


@contextmanager
def unit_of_work(service: Service, claims: Claims) -> Iterator[Work]:
    """A writing transaction for the person behind the token."""
    with transaction(service, writes=True) as connection:
        yield work_of(service, claims, connection)


@contextmanager
def reading(service: Service, claims: Claims) -> Iterator[Work]:
    """A reading transaction for the person behind the token."""
    with transaction(service, writes=False) as connection:
        yield work_of(service, claims, connection)


def work_of(service: Service, claims: Claims, connection: sa.Connection) -> Work:
    """The work of the person behind the token in a transaction that has begun."""
    actor = access.signed_in(connection, claims.sub, claims.sid, service.now())
    return Work(connection, actor, lambda: service.now(connection))
