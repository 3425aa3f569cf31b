"""Cases: opened by a person or by a rule, talked about, contained, decided by the owner, closed, opened again.

A case refuses no fact. While it holds its things, decisions of ours leave them where they are (``case_access``).
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import case_access, identity, items
from shipsvc.app.access import Actor
from shipsvc.app.case_rules import Alarm as Alarm
from shipsvc.app.case_rules import first_version, loan_of
from shipsvc.app.case_rules import open_by_rule as open_by_rule  # asked for here by whoever is not asked by the door
from shipsvc.app.decisions import Decided
from shipsvc.app.documents import append_next
from shipsvc.domain import errors
from shipsvc.domain.cases import DECIDE_WITHIN, UNDECIDED, CaseAct, CaseKind, CaseState, moved
from shipsvc.store import cases as store
from shipsvc.store import documents as chains
from shipsvc.store import files
from shipsvc.store.access import Outsider
from shipsvc.store.cases import CASE
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: Who at the owner decides.
DECIDERS: Final = ("curator", "responsible")
_EVER: Final = When(FOREVER, FOREVER)


@dataclass(frozen=True, kw_only=True)
class Opening:
    """What a case is opened with. ``items`` as typed; ``acting_for`` tells of it; a loan is found where none is named.

    An ``internal`` case is not shown to others who have to do with its things.
    """

    kind: CaseKind
    acting_for: str
    items: Sequence[str]
    what: str
    because: str
    found_at: datetime | None = None
    happened_from: datetime | None = None
    happened_to: datetime | None = None
    hold: bool = True
    internal: bool = False
    files: Collection[str] = ()


@dataclass(frozen=True)
class Said:
    """Something said in a case, for an institution; ``shared`` with all who see the case; ``at``: when it was said."""

    acting_for: str
    what: str
    shared: bool = False
    files: Collection[str] = ()
    at: datetime | None = None


@dataclass(frozen=True)
class Case:
    """A case in one version, with as much of what it is about and of what was said as its reader sees."""

    row: Row
    items: Sequence[str]
    entries: Sequence[Row]

    def is_overdue(self, at: datetime) -> bool:
        """Whether it should have been decided by then."""
        return self.row["state"] in UNDECIDED and bool(self.row["decide_by"] < at)


# -------------------------------------------------------------------------------------------------------------- opening
def open_by_hand(connection: sa.Connection, actor: Actor, now: datetime, opening: Opening) -> Case:
    """Open a case about things of one owner, for whoever speaks for ``acting_for`` and may see them.

    It holds them only where the institution owns them or has to do with each of them now. NotYourInstitution,
    NotYourRole; raises as ``items.find`` does; Malformed for things of several owners, and for times that are still to
    come or backwards.
    """
    actor.may_report(opening.acting_for)
    found = [items.find(connection, actor, typed) for typed in opening.items]
    owner = _one_owner(found)
    found_at = Decided("", opening.found_at).taken_at(now, "/found_at")
    if opening.happened_from and opening.happened_to and opening.happened_from > opening.happened_to:
        raise errors.Malformed(why="it cannot have ended before it began", pointer="/happened_to")
    theirs = all(items.sees_state(connection, actor, one.row, now) for one in found)
    numbers = [one.number for one in found]
    content: dict[str, Any] = {"rule": None, "hold": opening.hold and theirs}
    content |= {name: getattr(opening, name) for name in ("what", "happened_from", "happened_to", "internal")}
    content |= {"owner": owner, "opened_by": opening.acting_for, "found_at": found_at}
    content["loan"] = loan_of(connection, numbers, found_at)
    row = first_version(connection, actor.person, now, opening.kind, content, found_at, opening.because)
    told = {"from_at": row["valid_from"], "recorded_at": now, "actor": actor.person}
    store.add_items(connection, row["code"], numbers, told)
    if opening.files:
        said = Said(opening.acting_for, opening.what, shared=True, files=opening.files)
        _write_entry(connection, actor, row, row["recorded_at"], row["valid_from"], said)
    return _seen(connection, actor, now, [row], _EVER)[0]


def _one_owner(found: Sequence[items.Found]) -> str:
    owners = {str(one.row["owner"]) for one in found}
    if len(owners) > 1:
        raise errors.Malformed(why="open one case for the things of each owner", pointer="/items")
    return owners.pop()


# -------------------------------------------------------------------------------------------------------------- reading
def read(connection: sa.Connection, actor: Actor, now: datetime, code: str, when: When) -> Case:
    """One case at a moment; NotFound where there is none that the actor may see."""
    row = chains.in_force(connection, CASE, code, when, case_access.visible(actor, now))
    if row is None:
        raise errors.NotFound(what="case", name=code)
    return _named(connection, actor, now, _seen(connection, actor, now, [row], when))[0]


def page(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    when: When,
    *,
    state: str | None = None,
    kind: str | None = None,
    owner: str | None = None,
    item: str | None = None,
    after: str = "",
    limit: int = 50,
) -> list[Case]:
    """Up to ``limit`` cases that the actor may see, in the order of their codes, behind ``after``. ``item`` as typed;
    raises as ``items.find`` does."""
    asked = {"state": state, "kind": kind, "owner": owner}
    clauses = [CASE.c[name] == value for name, value in asked.items() if value is not None]
    clauses += [store.about_item(items.find(connection, actor, item).number)] if item else []
    seen = case_access.visible(actor, now)
    clauses += [] if seen is None else [seen]
    visible = sa.and_(sa.true(), *clauses)
    rows = chains.page(connection, CASE, when, after=after, limit=limit, visible=visible)
    return _named(connection, actor, now, _seen(connection, actor, now, rows, when))


def _named(connection: sa.Connection, actor: Actor, now: datetime, found: list[Case]) -> list[Case]:
    """The same, with the names of people in place of the ids by which rules name them, where the actor may know them.

    A name can be erased, the words of a case cannot; neither can the answer to a step, which is kept for whoever
    repeats it. So names are put in when a case is read, and nowhere else.
    """
    named = store.named_people(connection, [case.row["code"] for case in found])
    names = identity.names(connection, actor, now, {person for persons in named.values() for person in persons})
    return [_with_names(case, names) if case.row["code"] in named else case for case in found]


def _with_names(case: Case, names: Mapping[str, str]) -> Case:
    def spoken(words: str) -> str:
        for person, name in names.items():
            words = words.replace(person, name)
        return words

    entries = [
        {**entry, "what": spoken(entry["what"])} if entry["actor"].startswith("rule/") else entry
        for entry in case.entries
    ]
    return Case({**case.row, "what": spoken(case.row["what"])}, case.items, entries)


def _seen(connection: sa.Connection, actor: Actor, now: datetime, rows: Sequence[Row], when: When) -> list[Case]:
    codes = [row["code"] for row in rows]
    about, said = store.items(connection, codes, when), store.entries(connection, codes, when)
    found = []
    for row in rows:
        entries = [entry for entry in said[row["code"]] if case_access.sees_entry(actor, row, entry)]
        numbers = about[row["code"]]
        if not case_access.sees_whole(actor, row):
            readable = store.readable_items(connection, row["code"], row["found_at"], Outsider(actor.institutions, now))
            numbers = [number for number in numbers if number in readable]
            row = {**row, "loan": None}
        found.append(Case(row, numbers, entries))
    return found


# ------------------------------------------------------------------------------------------------------------ talked of
def say(connection: sa.Connection, actor: Actor, now: datetime, code: str, said: Said) -> Case:
    """Add an entry. For whoever sees the case and speaks for the institution.

    NotFound, NotYourInstitution, NotYourRole; Malformed for what is said only later.
    """
    actor.may_report(said.acting_for)
    row = _locked(connection, actor, now, code)
    at = Decided("", said.at).taken_at(now, "/said_at")
    _write_entry(connection, actor, row, now, at, said)
    return _seen(connection, actor, now, [row], _EVER)[0]


def _write_entry(connection: sa.Connection, actor: Actor, row: Row, now: datetime, at: datetime, said: Said) -> None:
    entry = {
        "case_code": row["code"],
        "line": store.last_line(connection, row["code"]) + 1,
        "said_at": at,
        "recorded_at": now,
        "actor": actor.person,
        "acting_for": said.acting_for,
        "what": said.what,
        "shared": said.shared,
    }
    store.add_entry(connection, entry, said.files)


def missing_files(connection: sa.Connection, entry: Row) -> set[str]:
    """Which of the files that an entry names its institution has not uploaded."""
    named = set(entry["files"])
    return named - files.uploaded(connection, named, entry["acting_for"]) if named else named


def add_items(connection: sa.Connection, actor: Actor, now: datetime, code: str, typed: Sequence[str]) -> Case:
    """The case is about these things of its owner too, such as family and box-mates. For whoever speaks for the owner.

    NotFound, NotYourInstitution, NotYourRole; raises as ``items.find`` does; Malformed for a thing of another owner.
    """
    row = _locked(connection, actor, now, code)
    actor.may_report(row["owner"], pointer="/code")
    found = [items.find(connection, actor, one) for one in typed]
    for place, one in enumerate(found):
        if one.row["owner"] != row["owner"]:
            raise errors.Malformed(why="it has another owner; open a case of its own", pointer=f"/items/{place}")
    told = {"from_at": now, "recorded_at": now, "actor": actor.person}
    store.add_items(connection, code, [one.number for one in found], told)
    return _seen(connection, actor, now, [row], _EVER)[0]


# ------------------------------------------------------------------------------------------------------------- moved on
def contain(
    connection: sa.Connection, actor: Actor, now: datetime, code: str, told: Decided, hold: bool | None
) -> Case:
    """It can do no more harm. For whoever speaks for the owner or for who opened it; only the owner lifts the hold.

    NotFound, NotYourInstitution, NotYourRole; RuleForbids where the case is not open.
    """
    row = _locked(connection, actor, now, code)
    if row["owner"] not in actor.institutions and row["opened_by"] in actor.institutions:
        actor.may_report(row["opened_by"], pointer="/code")
        hold = None if hold is False else hold
    else:
        actor.may_report(row["owner"], pointer="/code")
    return _move(connection, actor, now, row, CaseAct.CONTAIN, told, _held(hold))


def decide(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    code: str,
    told: Decided,
    *,
    decision: str,
    cause: str | None,
    hold: bool | None,
) -> Case:
    """What becomes of it, and why. For curators and responsible persons of the owner.

    NotFound, NotYourRole; RuleForbids where it is decided.
    """
    row = _for_deciders(connection, actor, now, code)
    new = {"decision": decision, "cause": cause, **_held(hold)}
    return _move(connection, actor, now, row, CaseAct.DECIDE, told, new)


def close(connection: sa.Connection, actor: Actor, now: datetime, code: str, told: Decided) -> Case:
    """Nothing more is to be done; the hold ends. Errors as for ``decide``; RuleForbids where nothing is decided."""
    row = _for_deciders(connection, actor, now, code)
    return _move(connection, actor, now, row, CaseAct.CLOSE, told, {"hold": False})


def reopen(connection: sa.Connection, actor: Actor, now: datetime, code: str, told: Decided, hold: bool) -> Case:
    """It is open again, with a new day to be decided by. Errors as for ``decide``; RuleForbids where it is open."""
    row = _for_deciders(connection, actor, now, code)
    decide_by = now + DECIDE_WITHIN[CaseKind(row["kind"])]
    new = {"decision": None, "cause": None, "hold": hold, "decide_by": decide_by}
    return _move(connection, actor, now, row, CaseAct.REOPEN, told, new)


def _held(hold: bool | None) -> dict[str, bool]:
    return {} if hold is None else {"hold": hold}


def _move(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    row: Row,
    act: CaseAct,
    told: Decided,
    new: dict[str, Any],
) -> Case:
    state = moved(CaseState(row["state"]), act)
    at = told.taken_at(now, "/at")
    content = {**new, "state": state.value}
    row = append_next(connection, CASE, actor.person, now, row, content, at, told.because)
    return _seen(connection, actor, now, [row], _EVER)[0]


def _locked(connection: sa.Connection, actor: Actor, now: datetime, code: str) -> Row:
    newest = chains.newest_locked(connection, CASE, code, case_access.visible(actor, now))
    if newest is None:
        raise errors.NotFound(what="case", name=code)
    return newest


def _for_deciders(connection: sa.Connection, actor: Actor, now: datetime, code: str) -> Row:
    row = _locked(connection, actor, now, code)
    actor.must_be(row["owner"], *DECIDERS)
    return row
