"""What the fold needs of balances."""

from collections.abc import Collection

import sqlalchemy as sa

from shipsvc.domain.book import KnownBalance
from shipsvc.domain.mass import Balance
from shipsvc.store.engine import rows
from shipsvc.store.tables import BalanceVersion, table

BALANCE = table(BalanceVersion)


def balances(connection: sa.Connection, codes: Collection[str]) -> dict[str, KnownBalance]:
    """The balances by code, each in its newest version: what was learned of one later holds for earlier weighings."""
    wanted = sa.select(BALANCE).where(BALANCE.c.code.in_(codes)).order_by(BALANCE.c.code, BALANCE.c.version)
    return {
        row["code"]: KnownBalance(Balance(row["readability_ng"], row["repeatability_ng"]), row["good_until"])
        for row in rows(connection, wanted)
    }
