"""The limit on failed sign-ins: by login name, and by the address that they come from, over all processes.

A stranger who keeps failing under somebody's name locks that name for strangers only: from an address where its owner
has signed in before, failures from there count, and no others (the allow list of NIST SP 800-63B section 3.2.2). A name
that nobody has is counted and locked as any other. Tries at one instant may pass together; each is counted.
"""

import hashlib
import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa

from shipsvc.domain import attempts as rule
from shipsvc.domain import errors
from shipsvc.store import attempts, sessions

#: Longer than any wait and window: what is older says nothing any more.
KEPT = timedelta(days=2)


@dataclass(frozen=True)
class Limits:
    """How many failures are let pass under one name, and from one address."""

    login: rule.Limit
    address: rule.Limit


@dataclass(frozen=True)
class Try:
    """One try to sign in: what it is counted under, with the limit of each."""

    limits: Mapping[str, rule.Limit]
    #: What a right password clears. Not the address: whoever has one account there could guess at others for ever.
    own: str


def network(address: str) -> str:
    """The address that failures are counted under: of IPv6 the /64, which one subscriber has whole (RFC 6177)."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    return str(ipaddress.ip_network(f"{found}/64", strict=False)) if found.version == 6 else str(found)


def begin(
    connection: sa.Connection, now: datetime, limits: Limits, *, login: str, person: str | None, address: str
) -> Try:
    """A try under a login name, of ``person`` where it is anybody's. TooManyTries where it must wait.

    To be called before any hash is computed.
    """
    place = network(address)
    if person is not None and sessions.is_familiar(connection, person, place):
        own = _subject("login", login, "from", place)
        made = Try({own: limits.login}, own)
    else:
        own = _subject("login", login)
        made = Try({own: limits.login, _subject("address", place): limits.address}, own)
    found = attempts.tallies(connection, made.limits.keys())
    wait = max((rule.locked_for(tally, now) for tally in found.values()), default=timedelta(0))
    if wait:
        raise errors.TooManyTries(wait_s=-(-wait // timedelta(seconds=1)))
    return made


def failed(connection: sa.Connection, now: datetime, made: Try) -> None:
    """Count a try that failed."""
    attempts.forget_before(connection, now - KEPT)
    before = attempts.tallies_for_change(connection, made.limits.keys())
    for subject, limit in made.limits.items():
        attempts.put(connection, subject, rule.after_failure(before.get(subject), now, limit))


def succeeded(connection: sa.Connection, made: Try) -> None:
    """Forget the failures under a name whose password was right."""
    attempts.forget(connection, made.own)


def unlock(connection: sa.Connection, login: str) -> None:
    """Forget what strangers failed under a name."""
    attempts.forget(connection, _subject("login", login))


def _subject(*parts: str) -> str:
    return hashlib.sha256("\0".join(parts).encode("utf-8", "replace")).hexdigest()
