"""The reconciliation of a loan line by line."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.app import loans
from shipsvc.app.access import Actor
from shipsvc.app.loan_lines import Line
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain import codes
from shipsvc.domain.mass import Mass
from shipsvc.store import items, ledger
from shipsvc.store import loans as loan_spans
from shipsvc.store.engine import Row

# ------------------------------------------------------------------------------------------------------ reconciliation
#: What may happen to the mass of a line while it is out: the member by the account that it goes to.
GONE: Mapping[str, str] = {
    "used_weighed": "used_weighed_mg",
    "used_estimated": "used_estimated_mg",
    "worked_loss": "worked_loss_mg",
    "embedded": "embedded_mg",
    "sample": "to_pieces_mg",
    "written_off": "written_off_mg",
}


def reconciliation(
    connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int, *, code: str
) -> list[Entry]:
    """The lines of a loan: what went out, what was told used and lost, what came back, and what the difference means.

    In the order of items. For the sides of the loan and those who see all; raises as ``loans.read`` does.
    """
    now = asked.as_of if asked.moment.is_now else asked.as_of + timedelta(microseconds=1)
    loan = loans.read(connection, actor, now, code, asked.as_of, asked.moment.known_on)
    lines = {line.item: line for line in loan.lines if after is None or line.item > after[0]}
    numbers = sorted(lines)[:limit]
    infos = items.by_numbers(connection, numbers)
    spans = _by_item(loan_spans.line_spans(connection, [code], loan.when))
    weighings = _by_item(ledger.comparisons_of(connection, numbers, asked.moment))
    moves = _by_item(ledger.moves_of(connection, numbers, asked.moment))
    return [
        Entry(
            (one,),
            {
                "item": codes.display(one),
                "what": infos[one]["what"],
                "state": str(lines[one].state),
                **_reconciled(lines[one], loan.row, spans[one], weighings[one], moves[one]),
            },
        )
        for one in numbers
    ]


def _by_item(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[row["item"]].append(row)
    return found


def _reconciled(
    line: Line, loan: Mapping[str, Any], spans: Sequence[Row], weighings: Sequence[Row], moves: Sequence[Row]
) -> dict[str, Any]:
    out = [span for span in spans if span["line"] != "promised"]
    since = out[0]["from_at"] if out else None
    back_at = line.received_at or line.handed_at
    ended_at = back_at or line.ended_at or spans[-1]["to_at"] if out else None
    during = [row for row in weighings if since and since <= row["happened_at"] <= ended_at]
    received = next((row for row in during if _is_from(row, loan["borrower"])), None)
    returned = _returned(weighings, moves, back_at, loan["lender"]) if back_at else None
    gone = dict.fromkeys(GONE.values(), 0)
    for move in moves:
        # What the lender does with it afterwards is not the loan's.
        if since and since < move["happened_at"] <= ended_at and move["account"] in GONE:
            gone[GONE[move["account"]]] += move["ng"]
    return {
        "sent_mg": _mg(out[0]["mass_ng"]) if out else None,
        **_compared("received", received),
        **{name: Mass(ng).digits("mg") for name, ng in gone.items()},
        **_compared("returned", returned),
    }


def _returned(weighings: Sequence[Row], moves: Sequence[Row], back_at: datetime, lender: str) -> Row | None:
    """The lender's last weighing after it came back, until its book was set to one or something was done to it."""
    settled = min((move["happened_at"] for move in moves if move["happened_at"] > back_at), default=None)
    found = [row for row in weighings if row["happened_at"] >= back_at and _is_from(row, lender)]
    return next((row for row in reversed(found) if settled is None or row["happened_at"] <= settled), None)


def _is_from(row: Row, institution: str) -> bool:
    return str(row["by_party"]).partition("/")[0] == institution


def _compared(name: str, row: Row | None) -> dict[str, Any]:
    """The members of one weighing: what was expected and observed, and what the difference means."""
    if row is None:
        members = ("mg", "expected_mg", "difference_mg", "u_mg", "r", "e_n", "verdict")
        return {f"{name}_{member}": None for member in members} | {f"{name}_marks": []}
    return {
        f"{name}_mg": _mg(row["observed_ng"]),
        f"{name}_expected_mg": _mg(row["expected_ng"]),
        f"{name}_difference_mg": _mg(row["observed_ng"] - row["expected_ng"] + row["buoyancy_ng"]),
        f"{name}_u_mg": _mg(round(row["u_ng"])),
        f"{name}_r": _finite(row["r"]),
        f"{name}_e_n": row["e_n"],
        f"{name}_verdict": row["verdict"],
        f"{name}_marks": row["marks"].split(),
    }


def _finite(r: float | None) -> float | None:
    return r if r is not None and math.isfinite(r) else None


def _mg(ng: int | None) -> str | None:
    return None if ng is None else Mass(ng).digits("mg")
