"""Was it water? What gained as if by air is dried and weighed again, and the second weighing settles the first."""

from collections.abc import Collection, Iterable, Mapping
from typing import Final

import sqlalchemy as sa

from shipsvc.domain.basis import DRY
from shipsvc.domain.verdicts import Verdict
from shipsvc.store import ledger
from shipsvc.store.engine import Row
from shipsvc.store.reads import Moment

Key = tuple[str, str]
#: What is asked for where air is the likeliest cause: 24 to 48 h in dry gas, and the balance again (trade.md 2.3).
RE_DRY: Final = "re_dry"


def settled(connection: sa.Connection, found: Collection[Row], when: Moment) -> dict[Key, Row]:
    """Of those comparisons that say water, by (item, weighing), the first weighing of the same sample since that was
    made dry: its verdict is that of the two. What was dry already needs none."""
    wet = [row for row in found if is_wet(row)]
    later = _dry(ledger.comparisons_of(connection, {row["item"] for row in wet}, when) if wet else ())
    return {(row["item"], row["event_id"]): first for row in wet for first in _after(row, later)}


def is_wet(row: Row) -> bool:
    """Whether a comparison says water of a thing that was not dried before it."""
    return bool(row["verdict"] == Verdict.LIKELY_WATER and row["dryness"] != DRY)


def _dry(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        if row["dryness"] == DRY:
            found.setdefault(row["item"], []).append(row)
    return found


def _after(row: Row, dry: Mapping[str, list[Row]]) -> list[Row]:
    return [one for one in dry.get(row["item"], ()) if one["happened_at"] > row["happened_at"]][:1]
