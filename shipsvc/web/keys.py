"""The keys of this service's tokens: made once, shared by all processes through the database, followed by the next."""

import logging
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.exc import DBAPIError

from shipsvc.app import token_keys
from shipsvc.app.token_keys import StoredKey
from shipsvc.web.deps import Service, transaction
from shipsvc.web.tokens import KeyRing, SigningKey, rotated

#: How long a key is published before it signs, and then signs before the next one does.
KEY_LIFETIME: Final = timedelta(days=30)
#: How long a process goes by what it read; far less than a key is published ahead of its use.
READ_AGAIN_AFTER: Final = timedelta(seconds=60)
log = logging.getLogger("shipsvc.keys")


@dataclass(frozen=True)
class _Read:
    ring: KeyRing
    at: datetime

    def serves(self, now: datetime) -> bool:
        """Whether this need not be read again; a clock that was set back counts as well."""
        return abs(now - self.at) < READ_AGAIN_AFTER


class Keys:
    """The ring of one process, read again at most once a minute; one thread reads, the others go on meanwhile."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._lock = threading.Lock()
        self._read: _Read | None = None

    def ring(self) -> KeyRing:
        """The keys that hold now: the current one, the previous and the next. The first ones are made here."""
        now, read = self._service.now(), self._read
        if read is not None and read.serves(now):
            return read.ring
        if not self._lock.acquire(blocking=read is None):
            assert read is not None
            return read.ring
        try:
            if self._read is None or not self._read.serves(now):
                self._read = _Read(self._fetched(now), now)
            return self._read.ring
        finally:
            self._lock.release()

    def at_hand(self) -> KeyRing | None:
        """The same without asking the database, or None where it has to be asked."""
        read = self._read
        return read.ring if read is not None and read.serves(self._service.now()) else None

    def rotate(self) -> KeyRing:
        """Make the first key or the next one if it is time, drop what no token needs; the ring after that.

        Safe in several processes at once: the keys are read under a lock that lasts until they are written.
        """
        with transaction(self._service, writes=True) as connection:
            now = self._service.now(connection)
            keys = token_keys.stored_for_change(connection)
            # Made a moment before its follower: which of two keys is the next one, their times tell.
            first = [] if keys else [_stored(SigningKey.generate(now - timedelta(microseconds=1)), now)]
            ring = self._ring([*keys, *first], now)
            after = rotated(ring, now, lifetime=KEY_LIFETIME)
            old = {key.kid for key in (ring.current, *ring.others)}
            made = [key for key in (after.current, *after.others) if key.kid not in old]
            following = [_stored(key, key.created_at + KEY_LIFETIME) for key in made]
            kept = [key.kid for key in (after.current, *after.others) if key.kid in old]
            token_keys.replace(connection, [*first, *following], kept)
        return after

    def _fetched(self, now: datetime) -> KeyRing:
        with transaction(self._service, writes=False) as connection:
            keys = token_keys.stored(connection)
        if not keys:
            return self.rotate()
        ring = self._ring(keys, now)
        if rotated(ring, now, lifetime=KEY_LIFETIME) is ring:
            return ring
        try:
            return self.rotate()
        except DBAPIError as error:
            # A standby that only reads must not stop answering because a key is due: the primary makes it.
            log.warning("keys not rotated: %s", type(error).__name__)
            return ring

    def _ring(self, keys: Sequence[StoredKey], now: datetime) -> KeyRing:
        """Of the keys that have started the last one signs; the one before it is kept, and those yet to start."""
        started = [key for key in keys if key.starts_at <= now] or [keys[0]]
        waiting = [key for key in keys if key not in started]
        current, *others = (_signing(key) for key in (started[-1], *waiting, *started[-2:-1]))
        address = self._service.settings.base_url
        return KeyRing(current, tuple(others), issuer=address, audience=address)


def _signing(key: StoredKey) -> SigningKey:
    return SigningKey(key.kid, key.private_pem, key.created_at)


def _stored(key: SigningKey, starts_at: datetime) -> StoredKey:
    return StoredKey(key.kid, key.private_pem, key.created_at, starts_at)
