"""Shipments as chains of versions, and what each was said to hold."""

from collections.abc import Collection
from typing import Any

import sqlalchemy as sa

from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import Shipment, ShipmentItem, table

SHIPMENT = table(Shipment)
SHIPMENT_ITEM = table(ShipmentItem)


def versions(connection: sa.Connection, codes: Collection[str]) -> dict[str, list[Row]]:
    """All versions of the shipments, oldest first."""
    wanted = sa.select(SHIPMENT).where(SHIPMENT.c.code.in_(codes)).order_by(SHIPMENT.c.code, SHIPMENT.c.version)
    found: dict[str, list[Row]] = {}
    for row in rows(connection, wanted):
        found.setdefault(row["code"], []).append(row)
    return found


def add_version(connection: sa.Connection, row: dict[str, Any]) -> None:
    """Append a version of a shipment."""
    connection.execute(sa.insert(SHIPMENT), [row])


def add_items(connection: sa.Connection, rows: list[dict[str, Any]]) -> None:
    """Append what a shipment holds."""
    if rows:
        connection.execute(sa.insert(SHIPMENT_ITEM), rows)
