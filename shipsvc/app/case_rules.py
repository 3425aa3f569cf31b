"""Cases that rules open. Apart from what people do with cases, since the door for facts asks the rules."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app.documents import append_next, drawn_code
from shipsvc.domain.cases import DECIDE_WITHIN, CaseKind, CaseState
from shipsvc.store import cases as store
from shipsvc.store import items as stored
from shipsvc.store.cases import CASE
from shipsvc.store.engine import Row


@dataclass(frozen=True, kw_only=True)
class Alarm:
    """That a rule has found something. ``rule`` and ``key`` name the cause, which opens one case however often it is
    found.

    ``items`` are numbers; ``what`` is for everybody who sees the case, and names no third party in one that is not
    ``internal``. ``found_at`` is when the rule came true. ``of_loan``: it concerns the loan that they were all on then.
    """

    rule: str
    key: str
    kind: CaseKind
    items: Collection[str]
    what: str
    because: str
    found_at: datetime
    happened_from: datetime | None = None
    happened_to: datetime | None = None
    hold: bool = False
    internal: bool = False
    of_loan: bool = True


def open_by_rule(connection: sa.Connection, now: datetime, alarm: Alarm) -> list[str]:
    """Open a case for a cause, one for each owner of the things, unless there is one; its codes. More things of the
    same cause are added to the case that is there, also where that is decided or closed: what was decided stays so.

    ``now`` is when it is recorded: ``recorded_at`` of the fact that made the rule come true. Call it last of all in a
    transaction, once for each alarm: its lock comes after those of items, documents and the reserve.
    """
    owners: dict[str, list[str]] = {}
    for number, row in stored.by_numbers(connection, alarm.items).items():
        owners.setdefault(row["owner"], []).append(number)
    return [_open_for(connection, now, alarm, owner, numbers) for owner, numbers in sorted(owners.items())]


def _open_for(connection: sa.Connection, now: datetime, alarm: Alarm, owner: str, numbers: Sequence[str]) -> str:
    store.hold_owner(connection, owner)
    found = store.opened_for(connection, alarm.rule, alarm.key, owner)
    if found is None:
        content = {name: getattr(alarm, name) for name in ("what", "found_at", "happened_from", "happened_to")}
        content |= {"rule": alarm.rule, "rule_key": alarm.key, "hold": alarm.hold, "internal": alarm.internal}
        content |= {"owner": owner, "opened_by": "", "loan": None}
        if alarm.of_loan:
            content["loan"] = loan_of(connection, numbers, alarm.found_at)
        found = first_version(connection, f"rule/{alarm.rule}", now, alarm.kind, content, alarm.found_at, alarm.because)
    told = {"from_at": alarm.found_at, "recorded_at": now, "actor": f"rule/{alarm.rule}"}
    store.add_items(connection, found["code"], numbers, told)
    return str(found["code"])


def loan_of(connection: sa.Connection, numbers: Collection[str], at: datetime) -> str | None:
    """The loan that all of them were on, where it is one."""
    loans = store.loans_at(connection, numbers, at)
    return loans.pop() if len(loans) == 1 else None


def first_version(
    connection: sa.Connection,
    person: str,
    now: datetime,
    kind: CaseKind,
    content: Mapping[str, Any],
    at: datetime,
    because: str,
) -> Row:
    """The first version of a case, which is open."""
    state = {"state": CaseState.OPEN.value, "decide_by": now + DECIDE_WITHIN[kind], "cause": None, "decision": None}
    row = {**content, **state, "kind": kind.value, "code": drawn_code("C")}
    return append_next(connection, CASE, person, now, None, row, at, because)
