"""Derived rows beside the spans: comparisons, parentage and flags, replaced as knowledge changes."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.fold import Outcome
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT_ITEM
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import Comparison, Flag, Parentage

COMPARISON = table(Comparison)
PARENTAGE = table(Parentage)
FLAG = table(Flag)
#: Flags that the fold raises; the others are raised once, when a fact is told, and stay.
FOLD_FLAGS = ("which_sample", "disputed", "seen_elsewhere", "nest_cycle", "was_elsewhere", "below_zero", "has_ended")


def comparison_rows(outcome: Outcome) -> list[dict[str, Any]]:
    """Rows for the comparisons that a fold gave."""
    return [
        {
            "item": item,
            "event_id": found.event_id,
            "happened_at": fact.happened_at,
            "by_party": fact.party,
            "expected_ng": found.expected_ng,
            "observed_ng": found.observed_ng,
            "u_ng": found.result.u_ng,
            "r": found.result.r if found.result.u_ng > 0 else None,
            "verdict": str(found.result.verdict),
            "marks": " ".join(found.marks),
        }
        for item, fact, found in outcome.comparisons
    ]


def parentage_rows(outcome: Outcome) -> list[dict[str, Any]]:
    """Rows for the births that a fold gave."""
    return [
        {"child": b.child, "parent": b.parent, "event_id": b.event_id, "born_at": b.at, "mass_ng": b.mass_ng}
        for b in outcome.births
    ]


def flag_rows(outcome: Outcome) -> list[dict[str, Any]]:
    """Rows for the flags that a fold raised, each once."""
    found = {(f.item, f.event_id, f.code): f.detail for f in outcome.flags}
    return [{"item": i, "event_id": e, "code": c, "detail": detail} for (i, e, c), detail in found.items()]


def known(connection: sa.Connection, kind: sa.Table, items: Collection[str], since: datetime) -> Sequence[Row]:
    """Rows of one of the tables as known now, about the items, by facts from ``since`` on."""
    item = kind.c.child if kind is PARENTAGE else kind.c.item
    facts = sa.select(EVENT_ITEM.c.event_id).where(EVENT_ITEM.c.item.in_(items), EVENT_ITEM.c.happened_at >= since)
    wanted = sa.select(kind).where(item.in_(items), kind.c.known_to == FOREVER, kind.c.event_id.in_(facts))
    if kind is FLAG:
        wanted = wanted.where(FLAG.c.code.in_(FOLD_FLAGS))
    return rows(connection, wanted)


def replace(
    connection: sa.Connection,
    kind: sa.Table,
    before: Sequence[Row],
    wanted: Sequence[dict[str, Any]],
    recorded_at: datetime,
) -> set[str]:
    """Close the rows that no longer hold and add those that are new; the items that these are about."""
    kept = [row for row in before if any(_same(row, new) for new in wanted)]
    gone = [row for row in before if row not in kept]
    fresh = [new for new in wanted if not any(_same(row, new) for row in kept)]
    if gone:
        keys = list(kind.primary_key.columns)
        ended = sa.update(kind).where(*(c == sa.bindparam(f"key_{c.name}") for c in keys))
        connection.execute(
            ended.values(known_to=recorded_at), [{f"key_{c.name}": row[c.name] for c in keys} for row in gone]
        )
    add(connection, kind, fresh, recorded_at)
    item = "child" if kind is PARENTAGE else "item"
    return {row[item] for row in [*gone, *fresh]}


def add(connection: sa.Connection, kind: sa.Table, rows: Sequence[dict[str, Any]], recorded_at: datetime) -> None:
    """Add rows as known from now on."""
    if rows:
        known_now = {"known_from": recorded_at, "known_to": FOREVER}
        connection.execute(sa.insert(kind), [{**row, **known_now} for row in rows])


def _same(row: Row, new: dict[str, Any]) -> bool:
    return all(row[name] == value for name, value in new.items())
