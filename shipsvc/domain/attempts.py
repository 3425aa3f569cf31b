"""How many wrong tries to sign in are let pass, and how long to wait after too many.

NIST SP 800-63B section 3.2.2 (rate limiting): waits that grow with each failure. There is no last try after which
an account stays shut, or anybody could shut out anybody.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass(frozen=True)
class Limit:
    """So many failures are let pass; they count as long as none of them is followed by ``window`` of peace.

    From then on each failure costs a wait that is twice the one before, ``wait_first`` at first, ``wait_max`` at most.
    """

    failures_max: int
    window: timedelta
    wait_first: timedelta = timedelta(seconds=30)
    wait_max: timedelta = timedelta(hours=1)


@dataclass(frozen=True)
class Tally:
    """Failures so far, the last of them, and until when no further try is looked at."""

    failures: int
    last_at: datetime
    locked_until: datetime


def after_failure(before: Tally | None, now: datetime, limit: Limit) -> Tally:
    """The tally once another try has failed. What was told before a window of peace is forgotten."""
    counts = before is not None and now < max(before.last_at, before.locked_until) + limit.window
    failures = 1 + (before.failures if before is not None and counts else 0)
    over = failures - limit.failures_max
    return Tally(failures, now, now + wait(over, limit) if over >= 0 else now)


def wait(over: int, limit: Limit) -> timedelta:
    """How long to wait after the failure that reached the limit (``over`` = 0), the next one, and so on."""
    # Doubled sixty times a second is longer than a timedelta holds.
    return min(limit.wait_max, limit.wait_first * (1 << min(over, 30)))


def locked_for(tally: Tally | None, now: datetime) -> timedelta:
    """How long it is until the next try is looked at; nothing where it is looked at now."""
    return max(timedelta(0), tally.locked_until - now) if tally is not None else timedelta(0)
