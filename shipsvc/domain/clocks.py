"""The clock of a logger, held against a true one: one check gives an offset, two also a drift, more a line each.

What a logger wrote is kept as it wrote it. A correction is worked out from the checks that are known and applied when
readings are read, so that a check told late, or set right, rewrites nothing.
"""

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Final

from shipsvc.domain.times import as_utc

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND: Final = timedelta(microseconds=1)
SECOND_US: Final = 1_000_000
DAY_US: Final = 86_400 * SECOND_US


@dataclass(frozen=True, slots=True)
class ClockCheck:
    """What a logger's clock showed (``logger_at``) at a true time (``true_at``); both aware, kept in UTC."""

    logger_at: datetime
    true_at: datetime

    def __post_init__(self) -> None:
        object.__setattr__(self, "logger_at", as_utc(self.logger_at))
        object.__setattr__(self, "true_at", as_utc(self.true_at))

    @property
    def offset(self) -> timedelta:
        """How far the logger's clock was fast (below zero: slow)."""
        return self.logger_at - self.true_at


Knot = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Correction:
    """From times of a logger to true times: straight lines through ``knots``, the outermost ones going on beyond.

    A knot is (logger, true) in whole microseconds since 1970; both rise strictly. One knot is an offset; without any,
    times are left alone.
    """

    knots: tuple[Knot, ...] = ()

    def true(self, logger_at: datetime) -> datetime:
        """The true time at which the logger showed ``logger_at``; exact at each check."""
        return EPOCH + self.true_us(microseconds(logger_at)) * MICROSECOND

    def logger(self, true_at: datetime) -> datetime:
        """What the logger showed at a true time: the inverse of ``true``, to the microsecond."""
        turned = Correction(tuple((true, logger) for logger, true in self.knots))
        return turned.true(true_at)

    def true_us(self, logger_us: int) -> int:
        """``true`` in whole microseconds since 1970."""
        begin_us, shift_us, gain_us, over_us = self.line_at(logger_us)
        # Twice the numerator plus one denominator, over two: rounds to the nearest, in whole numbers only.
        return logger_us + shift_us + (2 * gain_us * (logger_us - begin_us) + over_us) // (2 * over_us)

    def line_at(self, logger_us: int) -> tuple[int, int, int, int]:
        """The line in force at a logger time, (begin, shift, gain, over) in microseconds:
        true = logger + shift + gain * (logger - begin) / over."""
        if not self.knots:
            return 0, 0, 0, 1
        if len(self.knots) == 1:
            ((logger, true),) = self.knots
            return logger, true - logger, 0, 1
        at = bisect_right(self.knots, logger_us, key=lambda knot: knot[0])
        (logger, true), (logger_next, true_next) = self.knots[min(max(at, 1), len(self.knots) - 1) - 1 :][:2]
        over = logger_next - logger
        return logger, true - logger, (true_next - true) - over, over

    @property
    def drift_s_per_day(self) -> float | None:
        """How many seconds the clock gains in a true day, from the first check to the last; None below two checks."""
        if len(self.knots) < 2:
            return None
        (logger, true), (logger_last, true_last) = self.knots[0], self.knots[-1]
        return ((logger_last - logger) - (true_last - true)) / (true_last - true) * DAY_US / SECOND_US


def correction(checks: Iterable[ClockCheck]) -> Correction:
    """The correction that checks give, in the order that they were told.

    A clock runs forward: of two checks of which that cannot be true (the logger showed more, the true time less), the
    one told later holds and the other is left out.
    """
    knots: list[Knot] = []
    for check in checks:
        logger, true = microseconds(check.logger_at), microseconds(check.true_at)
        knots = [(k, t) for k, t in knots if (k < logger and t < true) or (k > logger and t > true)]
        knots.append((logger, true))
    return Correction(tuple(sorted(knots)))


def runs_back(checks: Iterable[ClockCheck]) -> bool:
    """Whether the logger's clock would have had to run backwards, or stand, between two of the checks."""
    ordered = sorted(checks, key=lambda check: check.logger_at)
    return any(a.logger_at == b.logger_at or a.true_at >= b.true_at for a, b in pairwise(ordered) if a != b)


def microseconds(at: datetime) -> int:
    """Whole microseconds since 1970."""
    return (at - EPOCH) // MICROSECOND
