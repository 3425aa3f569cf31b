"""The ledger: every nanogram that an act moves, out of one account and into another; nothing comes from nowhere.

A move has two sides and one mass above 0, so whatever is told the accounts add up to zero. An account is mass that is
there: *unexplained* above 0 is missing, below 0 is mass of which nobody can say where it came from. *Origin* is the
negative of what was taken in, *rebasis* what the weighings that took the place of estimates made of it.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from shipsvc.domain.errors import Malformed


class Account(StrEnum):
    """The accounts (rulings 18): one for each sample, and those in which mass ends. The values are stored and sent."""

    ORIGIN = "origin"
    SAMPLE = "sample"
    USED_WEIGHED = "used_weighed"
    USED_ESTIMATED = "used_estimated"
    WORKED_LOSS = "worked_loss"
    EMBEDDED = "embedded"
    UNEXPLAINED = "unexplained"
    WRITTEN_OFF = "written_off"
    REBASIS = "rebasis"


@dataclass(frozen=True, slots=True, order=True)
class Side:
    """One account; that of a sample names the sample, no other names one.

    Raises:
        Malformed: a sample's account without its number, or a number with another account.
    """

    account: Account
    item: str = ""

    def __post_init__(self) -> None:
        if (self.account is Account.SAMPLE) != bool(self.item):
            raise Malformed(why="the account of a sample names the sample, and no other account names one")


@dataclass(frozen=True, slots=True)
class Move:
    """A mass in ng that goes out of one account and into another. See ``moved`` for one of either sign.

    Raises:
        Malformed: the mass is not a whole number above 0, or both sides are one account.
    """

    source: Side
    target: Side
    mass_ng: int

    def __post_init__(self) -> None:
        if type(self.mass_ng) is not int or self.mass_ng <= 0:
            raise Malformed(why="a move is of a whole number of ng above 0")
        if self.source == self.target:
            raise Malformed(why="a move goes from one account to another")


def sample(number: str) -> Side:
    """The account of a sample."""
    return Side(Account.SAMPLE, number)


ORIGIN = Side(Account.ORIGIN)
USED_WEIGHED = Side(Account.USED_WEIGHED)
USED_ESTIMATED = Side(Account.USED_ESTIMATED)
WORKED_LOSS = Side(Account.WORKED_LOSS)
EMBEDDED = Side(Account.EMBEDDED)
UNEXPLAINED = Side(Account.UNEXPLAINED)
WRITTEN_OFF = Side(Account.WRITTEN_OFF)
REBASIS = Side(Account.REBASIS)


def moved(source: Side, target: Side, mass_ng: int) -> tuple[Move, ...]:
    """The move of a mass in ng of either sign: below 0 it goes the other way, and 0 moves nothing.

    Raises:
        Malformed: both sides are one account.
    """
    if mass_ng == 0:
        return ()
    return (Move(source, target, mass_ng) if mass_ng > 0 else Move(target, source, -mass_ng),)


def balances(moves: Iterable[Move]) -> dict[Side, int]:
    """What each account holds after the moves, in ng; they add up to 0."""
    held: dict[Side, int] = defaultdict(int)
    for move in moves:
        held[move.source] -= move.mass_ng
        held[move.target] += move.mass_ng
    return dict(held)


def accession_total_ng(held: Mapping[Side, int]) -> int:
    """What was taken in, as weighed where an estimate was replaced: -(origin + rebasis), all others together."""
    return -held.get(ORIGIN, 0) - held.get(REBASIS, 0)
