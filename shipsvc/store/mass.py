"""What the fold needs of balances, and what a budget needs of the places where they stand."""

from collections.abc import Collection

import sqlalchemy as sa

from shipsvc.domain.book import KnownBalance
from shipsvc.domain.mass import Balance
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.tables import BalanceVersion, Institution, table

BALANCE = table(BalanceVersion)
INSTITUTION = table(Institution)


def balances(connection: sa.Connection, codes: Collection[str]) -> dict[str, KnownBalance]:
    """The balances by code, each in its newest version: what was learned of one later holds for earlier weighings."""
    return {code: known(row) for code, row in versions(connection, codes).items()}


def versions(connection: sa.Connection, codes: Collection[str]) -> dict[str, Row]:
    """The newest version of each balance, by code."""
    wanted = sa.select(BALANCE).where(BALANCE.c.code.in_(codes)).order_by(BALANCE.c.code, BALANCE.c.version)
    return {row["code"]: row for row in rows(connection, wanted)}


def known(row: Row) -> KnownBalance:
    """The balance that a version describes."""
    return KnownBalance(Balance(row["readability_ng"], row["repeatability_ng"]), row["good_until"])


def altitude_m(connection: sa.Connection, institution: str) -> int | None:
    """How high an institution lies, as last told; None where nobody said."""
    wanted = sa.select(INSTITUTION.c.altitude_m).where(INSTITUTION.c.code == institution)
    row = first_row(connection, wanted.order_by(INSTITUTION.c.version.desc()).limit(1))
    return row["altitude_m"] if row else None
