"""Cases that rules open. Apart from what people do with cases, since the door for facts asks the rules."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app.documents import append_next, drawn_code
from shipsvc.domain.cases import DECIDE_WITHIN, UNDECIDED, CaseKind, CaseState
from shipsvc.store import cases as store
from shipsvc.store import documents as chains
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
        return open_anew(connection, now, alarm, owner, numbers, {alarm.key: None})
    _add_items(connection, now, alarm, found["code"], numbers)
    return str(found["code"])


def open_anew(
    connection: sa.Connection,
    now: datetime,
    alarm: Alarm,
    owner: str,
    numbers: Collection[str],
    causes: Mapping[str, str | None],
) -> str:
    """Open a case for several causes of one owner, none of which has a case, under the lock of the owner's cases; its
    code. ``causes``: by key the person whom ``alarm.what`` names by id, if it does."""
    content = {name: getattr(alarm, name) for name in ("what", "found_at", "happened_from", "happened_to")}
    content |= {"rule": alarm.rule, "hold": alarm.hold, "internal": alarm.internal}
    content |= {"owner": owner, "opened_by": "", "loan": None}
    if alarm.of_loan:
        content["loan"] = loan_of(connection, numbers, alarm.found_at)
    row = first_version(connection, _rule(alarm), now, alarm.kind, content, alarm.found_at, alarm.because)
    _add_causes(connection, row["recorded_at"], alarm, row, causes)
    _add_items(connection, now, alarm, row["code"], numbers)
    return str(row["code"])


def join_open(
    connection: sa.Connection,
    now: datetime,
    alarm: Alarm,
    code: str,
    numbers: Collection[str],
    causes: Mapping[str, str | None],
) -> bool:
    """Add an entry, causes and things to a case, if it is still undecided; whether it was. As ``open_anew``."""
    row = chains.newest_locked(connection, CASE, code)
    if row is None or row["state"] not in UNDECIDED:
        return False
    at = max(now, row["recorded_at"])
    entry = {"case_code": code, "line": store.last_line(connection, code) + 1, "said_at": alarm.found_at}
    entry |= {"recorded_at": at, "actor": _rule(alarm), "acting_for": row["owner"], "what": alarm.what, "shared": False}
    store.add_entry(connection, entry, ())
    _add_causes(connection, at, alarm, row, causes)
    _add_items(connection, at, alarm, code, numbers)
    return True


def _rule(alarm: Alarm) -> str:
    return f"rule/{alarm.rule}"


def _add_causes(
    connection: sa.Connection, at: datetime, alarm: Alarm, case: Row, causes: Mapping[str, str | None]
) -> None:
    told = {"rule": alarm.rule, "owner": case["owner"], "case_code": case["code"]}
    told |= {"recorded_at": at, "actor": _rule(alarm)}
    store.add_causes(connection, [{**told, "key": key, "person": person} for key, person in causes.items()])


def _add_items(connection: sa.Connection, at: datetime, alarm: Alarm, code: str, numbers: Collection[str]) -> None:
    told = {"from_at": alarm.found_at, "recorded_at": at, "actor": _rule(alarm)}
    store.add_items(connection, code, numbers, told)


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
