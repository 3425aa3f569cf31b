"""How long a load of dry ice keeps a box cold, against how long the trip is planned to take.

A box loses dry ice at a rate that is measured by weighing it, kilograms a day; it is taken as even, which is common
practice, no source. The last of the load lies in the corners and cools badly, so a share of it is not counted on.
"""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from shipsvc.domain.errors import Malformed

#: Of the load, what is not counted on: common practice, no source.
RESERVE_SHARE: Final = 0.2
#: Said wherever dry ice is: a reminder, not an instruction (trade.md section 6).
CAUTION: Final = (
    "Dry ice never goes into anything airtight: the gas must be able to leave, or the vessel bursts. It displaces the"
    " air of a room or a car: keep both aired. It burns bare skin. Mark the box and its net mass of dry ice as the"
    " carrier asks. Local codes and the carrier's trained dangerous-goods staff decide; this text is only a reminder."
)


@dataclass(frozen=True, slots=True)
class Endurance:
    """How long a load lasts in all, how long it is counted on, and what that leaves of the planned time (below zero: it
    is short by so much); ``load_needed_g`` would be enough."""

    lasts: timedelta
    counted_on: timedelta
    margin: timedelta
    load_needed_g: int

    @property
    def is_enough(self) -> bool:
        """Whether the trip is shorter than what is counted on."""
        return self.margin >= timedelta()


def endurance(
    load_g: float, loss_g_per_day: float, planned: timedelta, *, reserve_share: float = RESERVE_SHARE
) -> Endurance:
    """The endurance of ``load_g`` of dry ice in a box that loses ``loss_g_per_day``.

    Malformed unless load and loss are above 0, the planned time is not below 0, and the share is from 0 up to 1.
    """
    if not (load_g > 0 and loss_g_per_day > 0 and planned >= timedelta() and 0 <= reserve_share < 1):
        raise Malformed(why="a load and a loss above 0 g, a planned time from 0 on, and a reserve from 0 to below 1")
    lasts = timedelta(days=load_g / loss_g_per_day)
    counted_on = lasts * (1 - reserve_share)
    needed_g = planned / timedelta(days=1) * loss_g_per_day / (1 - reserve_share)
    return Endurance(lasts, counted_on, counted_on - planned, -int(-needed_g // 1))
