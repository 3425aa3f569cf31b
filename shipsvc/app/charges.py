"""Time out held against the budgets of storage profiles: each profile by itself, over the whole life of a sample."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.domain import profiles
from shipsvc.domain.exposure import Share, TimeOut
from shipsvc.domain.profiles import BudgetState, Profile, Spent
from shipsvc.store.documents import When
from shipsvc.store.profiles import described
from shipsvc.store.tables import FOREVER


@dataclass(frozen=True)
class Charged:
    """What one profile is charged, the profile in force (None: nobody described it), and how its budgets stand."""

    share: Share
    profile: Profile | None
    lifetime: Spent
    single: Spent

    @property
    def state(self) -> BudgetState:
        """The worse of the two budgets."""
        return profiles.worst([self.lifetime.state, self.single.state])

    @property
    def warned_percent(self) -> int | None:
        """The highest warning share that either budget surely reached."""
        reached = (self.lifetime.warned_percent, self.single.warned_percent)
        return max((share for share in reached if share is not None), default=None)


def charged(
    connection: sa.Connection, found: Mapping[str, TimeOut], as_of: datetime, known_on: datetime | None
) -> dict[str, list[Charged]]:
    """Of each item what its profiles are charged, by the versions in force at ``as_of``; one SELECT for all of them."""
    shares = {number: out.shares for number, out in found.items()}
    codes = {share.profile for own in shares.values() for share in own if share.profile is not None}
    told = described(connection, codes, When(as_of, known_on or FOREVER))
    held = {code: profiles.in_force(told.get(code, ()), as_of) for code in codes}
    return {number: [_charged(share, held.get(share.profile or "")) for share in own] for number, own in shares.items()}


def worst(found: Sequence[Charged]) -> BudgetState:
    """How an item stands: the worst of all its budgets."""
    return profiles.worst(one.state for one in found)


def _charged(share: Share, profile: Profile | None) -> Charged:
    known, lifetime = profile is not None, profile.lifetime_budget_s if profile else None
    single = profile.single_budget_s if profile else None
    return Charged(
        share,
        profile,
        profiles.spent(lifetime, share.at_least.total_seconds(), share.at_most.total_seconds(), known=known),
        profiles.spent(
            single, share.longest_at_least.total_seconds(), share.longest_at_most.total_seconds(), known=known
        ),
    )
