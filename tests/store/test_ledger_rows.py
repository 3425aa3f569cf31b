"""The database refuses by itself what the ledger cannot hold, on both kinds of database."""

from datetime import UTC, datetime
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from shipsvc.domain.ledger import Account
from shipsvc.store.derived import MOVE
from shipsvc.store.engine import Database
from shipsvc.store.tables import FOREVER
from shipsvc.store.tables_derived import ACCOUNTS

NOW = datetime(2025, 3, 10, tzinfo=UTC)
GOOD = {
    "item": "BRM0001",
    "event_id": "e1",
    "line": 0,
    "known_from": NOW,
    "known_to": FOREVER,
    "happened_at": NOW,
    "from_account": "sample",
    "from_item": "BRM0001",
    "to_account": "worked_loss",
    "to_item": None,
    "mass_ng": 1,
}
BAD = [
    {"mass_ng": 0},
    {"mass_ng": -1},
    {"to_account": "pocket"},
    {"from_account": "pocket", "from_item": None},
    {"from_item": None},
    {"to_item": "BRM0002"},
    {"to_account": "sample"},
    {"to_account": "sample", "to_item": "BRM0001"},
    {"from_account": "worked_loss", "from_item": None},
    {"to_account": None},
    {"mass_ng": None},
]


def write(database: Database, **other: Any) -> None:
    """Try to write one row."""
    with database.engine.begin() as connection:
        connection.execute(sa.insert(MOVE), GOOD | other)


def test_a_move_is_kept(database: Database) -> None:
    """Out of a sample into an account, from sample to sample, and from account to account."""
    write(database)
    write(database, line=1, to_account="sample", to_item="BRM0002")
    write(database, line=2, from_account="origin", from_item=None)


@pytest.mark.parametrize("wrong", BAD)
def test_what_is_no_move_is_refused(database: Database, wrong: dict[str, Any]) -> None:
    """Nothing moved, less than nothing, an unknown account, a sample without its number, or round in a circle."""
    with pytest.raises(IntegrityError):
        write(database, **wrong)


def test_the_accounts_are_the_same_everywhere() -> None:
    """The closed list of the database is that of the rules (rulings 18)."""
    assert set(ACCOUNTS) == {str(account) for account in Account}
