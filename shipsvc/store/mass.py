"""What the fold needs of balances and allowances, and what a budget needs of the places where balances stand."""

import math
from collections.abc import Callable, Collection
from datetime import date, datetime
from typing import TypeVar

import sqlalchemy as sa

from shipsvc.domain.mass import Balance
from shipsvc.domain.rulebook import Allowances, KnownBalance, Version, read_allowances
from shipsvc.store.among import among
from shipsvc.store.engine import Row, first_row, rows
from shipsvc.store.tables import Allowance, BalanceVersion, Institution, table
from shipsvc.store.tables_derived import EventBalance

BALANCE = table(BalanceVersion)
ALLOWANCE = table(Allowance)
INSTITUTION = table(Institution)
EVENT_BALANCE = table(EventBalance)
Held = TypeVar("Held")

# Statements of the write path are made once: building one takes longer than running it.
_BALANCES = sa.select(BALANCE).where(among(BALANCE.c.code)).order_by(BALANCE.c.code, BALANCE.c.version)
_ALLOWANCES = sa.select(ALLOWANCE).where(among(ALLOWANCE.c.code)).order_by(ALLOWANCE.c.code, ALLOWANCE.c.version)
_NAME_THEM = sa.insert(EVENT_BALANCE)


def balances(connection: sa.Connection, codes: Collection[str]) -> dict[str, list[Version[KnownBalance]]]:
    """All versions of the balances by code, in the order of telling."""
    return _versions(rows(connection, _BALANCES, some=codes), known)


def allowances(connection: sa.Connection, collections: Collection[str]) -> dict[str, list[Version[Allowances]]]:
    """All versions of what the collections allow, by code, in the order of telling."""
    return _versions(rows(connection, _ALLOWANCES, some=collections), lambda row: read_allowances(row["rules"]))


def _versions(found: Collection[Row], held: Callable[[Row], Held]) -> dict[str, list[Version[Held]]]:
    versions: dict[str, list[Version[Held]]] = {}
    for row in found:
        versions.setdefault(row["code"], []).append(Version(row["valid_from"], row["recorded_at"], held(row)))
    return versions


def known(row: Row) -> KnownBalance:
    """The balance that a version describes. What its certificate states of one load is taken for a share of any; an
    error that nobody corrects counts as one standard uncertainty. Common practice, no source."""
    load_ng, relative = row["calibration_load_ng"], 0.0
    if load_ng:
        relative = math.hypot(row["error_of_indication_ng"] or 0, row["calibration_u_ng"] or 0) / load_ng
    balance = Balance(row["readability_ng"], row["repeatability_ng"], relative, float(row["linearity_ng"] or 0))
    return KnownBalance(balance, row["good_until"], f"calibration of {row['code']} on {_checked_on(row)}")


def _checked_on(row: Row) -> date:
    found: date = row["calibrated_on"] or row["valid_from"].date()
    return found


def balance_row(connection: sa.Connection, code: str, at: datetime) -> Row | None:
    """The version of a balance that a weighing at an instant is judged by, as the fold finds it."""
    told = _versions(rows(connection, _BALANCES, some=[code]), dict).get(code, [])
    held = [version.holds for version in told if version.valid_from <= at]
    first = min((version.valid_from for version in told), default=None)
    begun = [version.holds for version in told if version.valid_from == first]
    found = held or begun
    return found[-1] if found else None


def name_balances(connection: sa.Connection, pairs: Collection[tuple[str, str]]) -> None:
    """Note which facts name which balances, as (balance, fact)."""
    if pairs:
        connection.execute(_NAME_THEM, [{"balance": code, "event_id": event_id} for code, event_id in sorted(pairs)])


def altitude_m(connection: sa.Connection, institution: str) -> int | None:
    """How high an institution lies, as last told; None where nobody said."""
    wanted = sa.select(INSTITUTION.c.altitude_m).where(INSTITUTION.c.code == institution)
    row = first_row(connection, wanted.order_by(INSTITUTION.c.version.desc()).limit(1))
    return row["altitude_m"] if row else None
