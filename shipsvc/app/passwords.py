"""Passwords: hash, compare, and know when a stored hash has grown too weak. The only importer of argon2.

Argon2id (RFC 9106) with the parameters of the OWASP Password Storage Cheat Sheet. Every hash takes its memory
for some thirty milliseconds, so only a few run at a time: a flood of sign-ins must not take all of it.
"""

import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from argon2 import PasswordHasher
from argon2.exceptions import VerifyMismatchError

from shipsvc.domain import errors

#: Characters after normalisation. The lower limit is that of NIST SP 800-63B; the upper one bounds the work.
LENGTH_MIN: Final = 8
LENGTH_MAX: Final = 1024
#: Hashes that may run at once in this process; times ``memory_kib`` this is the memory they take.
CONCURRENT_MAX: Final = 4
SLOTS: Final = threading.BoundedSemaphore(CONCURRENT_MAX)


@dataclass(frozen=True)
class Cost:
    """What one hash costs: memory in KiB, passes over it, lanes; and seconds to wait for a free slot."""

    memory_kib: int = 19 * 1024
    passes: int = 2
    lanes: int = 1
    wait_s_max: float = 5.0


OWASP: Final = Cost()


def hashed(password: str, *, cost: Cost = OWASP) -> str:
    """The encoded hash to store ($argon2id$v=19$...), salted at random.

    Malformed for a password of unfit length, Away when too many others are being hashed.
    """
    text = _normalised(password)
    if text is None or len(text) > LENGTH_MAX:
        too_long = "a password has at most {most} characters, all of them valid Unicode"
        raise errors.Malformed(why=errors.Text(too_long, most=LENGTH_MAX))
    if len(text) < LENGTH_MIN:
        raise errors.Malformed(why=errors.Text("a password has at least {least} characters", least=LENGTH_MIN))
    with _slot(cost):
        return _hasher(cost).hash(text)


def matches(stored: str | None, password: str, *, cost: Cost = OWASP) -> bool:
    """Whether the password is the one whose hash is stored; None stands for a person without one.

    Nobody can tell from the time it takes whether the person exists. A password too long to be anyone's is
    refused unhashed. Away when too many others are being hashed; argon2's own error if ``stored`` is no hash.
    """
    text = _normalised(password)
    if text is None or len(text) > LENGTH_MAX:
        return False
    with _slot(cost):
        try:
            return _hasher(cost).verify(stored or _nobody(cost), text) and stored is not None
        except VerifyMismatchError:
            return False


def needs_rehash(stored: str, *, cost: Cost = OWASP) -> bool:
    """Whether a stored hash was made at another cost than is asked for now: hash anew at the next sign-in."""
    return _hasher(cost).check_needs_rehash(stored)


def _normalised(password: str) -> str | None:
    """NFC (as RFC 8265 section 4.2 has it), so that two keyboards write one password; None if it cannot be used.

    Four times the limit is refused before the normalisation, whose work an attacker would choose.
    """
    if len(password) > 4 * LENGTH_MAX:
        return None
    try:
        text = unicodedata.normalize("NFC", password)
        text.encode("utf-8")
    except UnicodeEncodeError:  # half a surrogate pair, which JSON can carry
        return None
    return text


def _hasher(cost: Cost) -> PasswordHasher:
    return PasswordHasher(time_cost=cost.passes, memory_cost=cost.memory_kib, parallelism=cost.lanes)


def _nobody(cost: Cost) -> str:
    """An encoded hash at this cost that no password is known for: 16 bytes of salt, 32 of hash, all zero."""
    return f"$argon2id$v=19$m={cost.memory_kib},t={cost.passes},p={cost.lanes}${'A' * 22}${'A' * 43}"


@contextmanager
def _slot(cost: Cost) -> Iterator[None]:
    if not SLOTS.acquire(timeout=cost.wait_s_max):
        raise errors.Away(what="Sign-in")
    try:
        yield
    finally:
        SLOTS.release()
