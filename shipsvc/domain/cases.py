"""Cases: what went wrong with which things, from the day it is found to the decision (trade step 31, section 5.3).

A case is open, contained, decided or closed, and may be opened again. It rejects no fact; while its hold lasts, what it
is about is not promised, lent or sent anywhere but home.
"""

from collections.abc import Mapping
from datetime import timedelta
from enum import StrEnum
from typing import Final

from shipsvc.domain import errors


class CaseKind(StrEnum):
    """What a case is about (trade step 31); ``exposure`` is time out of storage beyond its budget."""

    LOSS = "loss"
    SUSPECTED_THEFT = "suspected_theft"
    DAMAGE = "damage"
    CONTAMINATION = "contamination"
    SEAL = "seal"
    ENVIRONMENT = "environment"
    EXPOSURE = "exposure"
    MISDELIVERY = "misdelivery"
    MASS = "mass"
    SWAP = "swap"
    LABEL = "label"
    PAPERS = "papers"
    NEAR_MISS = "near_miss"


class CaseState(StrEnum):
    """How far a case has come (trade section 5.3)."""

    OPEN = "open"
    CONTAINED = "contained"
    DECIDED = "decided"
    CLOSED = "closed"


class CaseAct(StrEnum):
    """What moves a case on."""

    CONTAIN = "contain"
    DECIDE = "decide"
    CLOSE = "close"
    REOPEN = "reopen"


#: In these nobody has decided yet: they keep a loan from being closed.
UNDECIDED: Final = frozenset({CaseState.OPEN, CaseState.CONTAINED})
_MOVES: Final[Mapping[tuple[CaseAct, CaseState], CaseState]] = {
    (CaseAct.CONTAIN, CaseState.OPEN): CaseState.CONTAINED,
    (CaseAct.DECIDE, CaseState.OPEN): CaseState.DECIDED,
    (CaseAct.DECIDE, CaseState.CONTAINED): CaseState.DECIDED,
    (CaseAct.CLOSE, CaseState.DECIDED): CaseState.CLOSED,
    (CaseAct.REOPEN, CaseState.DECIDED): CaseState.OPEN,
    (CaseAct.REOPEN, CaseState.CLOSED): CaseState.OPEN,
}
_DAY: Final = timedelta(days=1)
#: By when a case of a kind should be decided, from when it was told. Loss and theft: the next day, as is published for
#: controlled drugs (trade 2.3); the others are common practice, no source.
DECIDE_WITHIN: Final[Mapping[CaseKind, timedelta]] = {
    CaseKind.LOSS: _DAY,
    CaseKind.SUSPECTED_THEFT: _DAY,
    CaseKind.DAMAGE: 3 * _DAY,
    CaseKind.CONTAMINATION: 3 * _DAY,
    CaseKind.SEAL: _DAY,
    CaseKind.ENVIRONMENT: 3 * _DAY,
    CaseKind.EXPOSURE: 14 * _DAY,
    CaseKind.MISDELIVERY: _DAY,
    CaseKind.MASS: 14 * _DAY,
    CaseKind.SWAP: 7 * _DAY,
    CaseKind.LABEL: 14 * _DAY,
    CaseKind.PAPERS: 14 * _DAY,
    CaseKind.NEAR_MISS: 30 * _DAY,
}


def moved(state: CaseState, act: CaseAct) -> CaseState:
    """The state that an act leads to; RuleForbids where it leads nowhere."""
    if (act, state) not in _MOVES:
        raise errors.RuleForbids(
            why=errors.Text("the case is {state}; that leaves nothing to {act}.", state=state, act=act)
        )
    return _MOVES[act, state]
