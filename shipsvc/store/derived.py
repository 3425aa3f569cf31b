"""Derived rows beside the spans: comparisons, parentage, moves of mass, flags, replaced as knowledge changes."""

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.states import Outcome
from shipsvc.store.among import among
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT_ITEM
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import Comparison, Flag, MassMove, Parentage

COMPARISON = table(Comparison)
PARENTAGE = table(Parentage)
FLAG = table(Flag)
MOVE = table(MassMove)
#: Written by facts about mass alone.
OF_MASS = (COMPARISON, PARENTAGE, MOVE)
#: Flags that the fold raises; the others are raised once, when a fact is told, and stay.
FOLD_FLAGS = tuple(
    "which_sample disputed seen_elsewhere nest_cycle was_elsewhere below_zero strangers_word has_ended"
    " one_device signature_alone"
    " tare_unknown tare_differs cap_differs does_not_close".split()
)


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
            "buoyancy_ng": found.buoyancy_ng,
            "e_n": found.e_n,
            "dryness": found.dryness,
            "is_sheet": found.is_sheet,
        }
        for item, fact, found in outcome.comparisons
    ]


def parentage_rows(outcome: Outcome) -> list[dict[str, Any]]:
    """Rows for the births that a fold gave."""
    return [
        {"child": b.child, "parent": b.parent, "event_id": b.event_id, "born_at": b.at, "mass_ng": b.mass_ng}
        for b in outcome.births
    ]


def move_rows(outcome: Outcome) -> list[dict[str, Any]]:
    """Rows for the moves of mass that a fold gave."""
    return [
        {
            "item": entry.item,
            "event_id": entry.fact.id,
            "line": entry.line,
            "happened_at": entry.fact.happened_at,
            "from_account": str(entry.move.source.account),
            "from_item": entry.move.source.item or None,
            "to_account": str(entry.move.target.account),
            "to_item": entry.move.target.item or None,
            "mass_ng": entry.move.mass_ng,
        }
        for entry in outcome.entries
    ]


def flag_rows(outcome: Outcome) -> list[dict[str, Any]]:
    """Rows for the flags that a fold raised, each once."""
    found = {(f.item, f.event_id, f.code): f.detail for f in outcome.flags}
    return [{"item": i, "event_id": e, "code": c, "detail": detail} for (i, e, c), detail in found.items()]


def _item_of(kind: sa.Table) -> sa.ColumnElement[str]:
    return kind.c.child if kind is PARENTAGE else kind.c.item


def _known(kind: sa.Table) -> sa.Select[Any]:
    since: sa.BindParameter[Any] = sa.bindparam("since")
    # Only as they stand: a fact that was amended to an earlier time is not one of these any more.
    in_force = (EVENT_ITEM.c.happened_at >= since, EVENT_ITEM.c.known_to == FOREVER)
    facts = sa.select(EVENT_ITEM.c.event_id).where(among(EVENT_ITEM.c.item), *in_force)
    wanted = sa.select(kind).where(among(_item_of(kind)), kind.c.known_to == FOREVER, kind.c.event_id.in_(facts))
    return wanted.where(FLAG.c.code.in_(FOLD_FLAGS)) if kind is FLAG else wanted


def _end(kind: sa.Table) -> sa.Update:
    keys = (column == sa.bindparam(f"key_{column.name}") for column in kind.primary_key.columns)
    return sa.update(kind).where(*keys).values(known_to=sa.bindparam("until"))


# Statements of the write path are made once: building one takes longer than running it.
_KNOWN = {kind: _known(kind) for kind in (*OF_MASS, FLAG)}
_END = {kind: _end(kind) for kind in _KNOWN}
_ADD = {kind: sa.insert(kind) for kind in _KNOWN}


def known(connection: sa.Connection, kind: sa.Table, items: Collection[str], since: datetime) -> Sequence[Row]:
    """Rows of one of the tables as known now, about the items, by facts from ``since`` on."""
    return rows(connection, _KNOWN[kind], some=items, since=since)


def replace(
    connection: sa.Connection,
    kind: sa.Table,
    before: Sequence[Row],
    wanted: Sequence[dict[str, Any]],
    recorded_at: datetime,
) -> set[str]:
    """Close the rows that no longer hold and add those that are new; the items that these are about."""
    names = [column.name for column in kind.primary_key.columns if column.name != "known_from"]
    standing = {tuple(row[name] for name in names): row for row in before}
    meant = {tuple(new[name] for name in names): new for new in wanted}
    gone = [row for key, row in standing.items() if key not in meant or not _same(row, meant[key])]
    fresh = [new for key, new in meant.items() if key not in standing or not _same(standing[key], new)]
    if gone:
        keys = [{f"key_{name}": row[name] for name in (*names, "known_from")} for row in gone]
        connection.execute(_END[kind], [{**key, "until": recorded_at} for key in keys])
    add(connection, kind, fresh, recorded_at)
    item = _item_of(kind).name
    return {row[item] for row in [*gone, *fresh]}


def add(connection: sa.Connection, kind: sa.Table, rows: Sequence[dict[str, Any]], recorded_at: datetime) -> None:
    """Add rows as known from now on."""
    if rows:
        known_now = {"known_from": recorded_at, "known_to": FOREVER}
        connection.execute(_ADD[kind], [{**row, **known_now} for row in rows])


def _same(row: Row, new: dict[str, Any]) -> bool:
    return all(row[name] == value for name, value in new.items())
