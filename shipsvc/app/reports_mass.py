"""Reports of masses over time: the drift of samples, and the reconciliation of a loan line by line."""

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import sqlalchemy as sa

from shipsvc.app import loans
from shipsvc.app.access import Actor
from shipsvc.app.loan_lines import Line
from shipsvc.app.report_pages import Asked, Entry, Key
from shipsvc.domain import codes
from shipsvc.domain.drift import Drift, Step, drift
from shipsvc.domain.mass import Mass
from shipsvc.store import items, ledger
from shipsvc.store import loans as loan_spans
from shipsvc.store.engine import Row

#: Decisions that set a book: a posting is a step of the drift, after a re-basis it begins anew.
POSTED, REBASED = "posted", "rebased"


# -------------------------------------------------------------------------------------------------------------- drift
@dataclass(frozen=True)
class _Posting:
    at: datetime
    step: Step


def drifts(connection: sa.Connection, actor: Actor, asked: Asked, after: Key | None, limit: int) -> list[Entry]:
    """Of each sample whose book was posted: the running sum of its differences, its u, and whether it alarms.

    In the order of items; for the owner's people and those who see all.
    """
    owners = None if actor.sees_all else actor.institutions
    found: list[Entry] = []
    behind = after[0] if after else ""
    while len(found) < limit:
        numbers = ledger.unexplained_items(connection, asked.moment, owners, behind, limit)
        found += _drifts(connection, numbers, asked)
        if len(numbers) < limit:
            break
        behind = numbers[-1]
    return found[:limit]


def _drifts(connection: sa.Connection, numbers: Sequence[str], asked: Asked) -> list[Entry]:
    """Those of the samples that were posted since their last re-basis: not all that is unexplained was."""
    infos = items.by_numbers(connection, numbers)
    spans = _by_item(ledger.settings(connection, numbers, asked.moment))
    found = ((number, _postings(spans[number])) for number in numbers)
    return [Entry((number,), _drift(number, infos[number], postings)) for number, postings in found if postings]


@dataclass(frozen=True)
class Point:
    """The running sum after one posting: when, how much together, its u, and whether it is over its limit then."""

    at: datetime
    difference_ng: int
    u_ng: float
    r: float | None
    alarms: bool


def drift_points(connection: sa.Connection, actor: Actor, asked: Asked, number: str) -> list[Point]:
    """The drift of one sample posting by posting, for the owner's people and those who see all; none for others."""
    info = items.by_numbers(connection, [number]).get(number)
    if info is None or not (actor.sees_all or info["owner"] in actor.institutions):
        return []
    postings = _postings(ledger.settings(connection, [number], asked.moment))
    sums = [drift([posting.step for posting in postings[:count]]) for count in range(1, len(postings) + 1)]
    return [
        Point(one.at, found.difference_ng, found.u_ng, _finite(found.r), found.sum_alarms)
        for one, found in zip(postings, sums, strict=True)
    ]


def _postings(spans: Sequence[Row]) -> list[_Posting]:
    """The steps since the last re-basis: what each posting set the book from and to."""
    found: list[_Posting] = []
    for before, span in pairwise(spans):
        if span["kind"] == REBASED:
            found = []
        if span["kind"] == POSTED and before["mass_ng"] is not None and span["mass_ng"] is not None:
            step = Step(before["mass_ng"], before["variance"], span["mass_ng"], span["variance"])
            found.append(_Posting(span["from_at"], step))
    return found


def _drift(number: str, info: Row, postings: Sequence[_Posting]) -> dict[str, Any]:
    found = drift([posting.step for posting in postings])
    return {
        "item": codes.display(number),
        "what": info["what"],
        "steps": len(postings),
        "first_at": postings[0].at,
        "last_at": postings[-1].at,
        "difference_mg": Mass(found.difference_ng).digits("mg"),
        "u_mg": Mass(round(found.u_ng)).digits("mg"),
        "r": _finite(found.r),
        "chart_low": found.chart_low,
        "chart_high": found.chart_high,
        "alarm": _alarm(found),
    }


def _alarm(found: Drift) -> str:
    if found.sum_alarms:
        return "both" if found.chart_alarms else "sum"
    return "chart" if found.chart_alarms else "none"


def _finite(r: float | None) -> float | None:
    return r if r is not None and math.isfinite(r) else None


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
        members = ("mg", "expected_mg", "difference_mg", "u_mg", "r", "verdict")
        return {f"{name}_{member}": None for member in members} | {f"{name}_marks": []}
    return {
        f"{name}_mg": _mg(row["observed_ng"]),
        f"{name}_expected_mg": _mg(row["expected_ng"]),
        f"{name}_difference_mg": _mg(row["observed_ng"] - row["expected_ng"]),
        f"{name}_u_mg": _mg(round(row["u_ng"])),
        f"{name}_r": _finite(row["r"]),
        f"{name}_verdict": row["verdict"],
        f"{name}_marks": row["marks"].split(),
    }


def _mg(ng: int | None) -> str | None:
    return None if ng is None else Mass(ng).digits("mg")
