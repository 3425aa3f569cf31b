"""Loans: signing, due dates, recall, closing - decisions of the lender - and how they stand at a moment."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import case_access, departures, documents, loan_lines, record
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.app.departures import Answering
from shipsvc.app.documents import KEEPERS, TICK
from shipsvc.app.loan_lines import Line
from shipsvc.domain import codes, errors, lending, times
from shipsvc.domain.loans import LineState
from shipsvc.store import documents as chains
from shipsvc.store import institutions, items, loans, successions
from shipsvc.store.documents import When
from shipsvc.store.loans import LOAN
from shipsvc.store.tables import FOREVER

Clock = Callable[[], datetime]
Row = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """What is agreed. ``zone`` None stands for the borrower's; of term and due date at most one is given.

    Up to the end of ``confidential_until``, in the zone of the lender, only the two sides hear of the loan.
    """

    code: str
    lender: str
    borrower: str
    responsible: str
    purpose: str
    lines: Sequence[str]
    zone: str | None
    returned_when: str
    term_months: int | None
    due_on: date | None
    confidential_until: date | None = None


@dataclass(frozen=True)
class Loan:
    """A loan at a moment: the version in force, its state in the trade's words, and its lines.

    ``owed_by`` answers for it: the borrower, or the institution that took over from it; ``answering`` says who there.
    """

    row: Row
    lines: Sequence[Line]
    when: When
    owed_by: str
    answering: Answering

    @property
    def state(self) -> str:
        """One of running, recalled, being_returned (nothing is left with the borrower), closed."""
        if self.row["closed_at"]:
            return "closed"
        if self.lines and all(line.state.is_closed or line.state is LineState.RETURNING for line in self.lines):
            return "being_returned"
        return "recalled" if self.row["recalled_at"] else "running"

    @property
    def due_on(self) -> date | None:
        """The earliest due date of its open lines; without one, the date that was agreed, if one was."""
        return min(
            (line.due_on for line in self.lines if line.due_on and not line.ended_at), default=self.row["due_on"]
        )


@dataclass(frozen=True)
class Owed:
    """Who answers for a sample, under which loan (None: none, it is the owner's own), since when.

    Where another institution took over from ``party``, which signed, ``answers`` is that one.
    """

    party: str
    loan: str | None
    since: datetime | None
    answers: str


# ----------------------------------------------------------------------------------------------------------- decisions
def sign(connection: sa.Connection, actor: Actor, now: Clock, agreement: Agreement, decision: Decision) -> None:
    """A signed agreement: the first version of the loan, and ``loan_signed`` of its lines in the log of facts.

    For curators and registrars of the lender. NotYourRole; NotFound for an unknown institution or a sample that is
    not the lender's; AlreadyThere; Malformed for terms that contradict themselves.
    """
    actor.must_be(agreement.lender, *KEEPERS)
    for name in ("lender", "borrower"):
        documents.require_institution(connection, getattr(agreement, name), f"/{name}")
    if chains.newest_locked(connection, LOAN, agreement.code):
        raise errors.AlreadyThere(what="loan", name=agreement.code, pointer="/code")
    signed_at = decision.taken_at(now(), "/signed_at")
    zones = institutions.zones(connection, [agreement.lender, agreement.borrower])
    zone = agreement.zone or zones[agreement.borrower]
    agreement = replace(agreement, zone=zone)
    _check(agreement, zone, signed_at)
    _check_lines(connection, agreement)
    case_access.require_free(connection, agreement.lines, When(FOREVER, FOREVER), "/lines")
    terms = {k: v for k, v in asdict(agreement).items() if k not in {"code", "lines"}}
    row = {**terms, "code": agreement.code, "signed_at": signed_at, "signing_id": decision.id}
    row |= _confidential(connection, agreement, zones[agreement.lender])
    _write(connection, actor, now(), None, {**row, "recalled_at": None, "closed_at": None}, signed_at, decision.because)
    body = {name: terms[name] for name in ("lender", "borrower", "returned_when", "zone", "term_months")}
    _log(connection, actor, now, "loan_signed", row, agreement.lines, decision, signed_at, body, agreement.due_on)


def extend(
    connection: sa.Connection,
    actor: Actor,
    now: Clock,
    code: str,
    due_on: date,
    asked_on: date | None,
    decision: Decision,
) -> None:
    """A further due date, from when it was granted on: ``due_set`` of every line, closed ones included, since a line
    may turn out not to be the one that came back. The days that were uncovered before stay so.

    NotFound, NotYourRole; RuleForbids once the loan is closed; Malformed for a grant that is still to come.
    """
    newest = _keeper(connection, actor, code)
    granted_at = decision.taken_at(now(), "/granted_at")
    if granted_at < newest["signed_at"]:
        raise errors.Malformed(why="an extension cannot be granted before the loan was signed", pointer="/granted_at")
    _check_due(due_on, newest["zone"], granted_at)
    _write(connection, actor, now(), newest, {}, max(granted_at, newest["valid_from"]), decision.because)
    body = {"asked_on": asked_on.isoformat() if asked_on else None}
    lines = _items(connection, newest)
    _log(connection, actor, now, "due_set", newest, lines, decision, granted_at, body, due_on)


def recall(connection: sa.Connection, actor: Actor, now: Clock, code: str, due_on: date, decision: Decision) -> None:
    """The lender wants it back by a day, a due date in force from now on (rulings 31). Errors as for ``extend``."""
    newest = _keeper(connection, actor, code)
    at = now()
    _check_due(due_on, newest["zone"], at)
    _write(connection, actor, at, newest, {"recalled_at": at}, at, decision.because)
    _log(connection, actor, now, "recalled", newest, _items(connection, newest), decision, at, {}, due_on)


def close(connection: sa.Connection, actor: Actor, now: Clock, code: str, because: str) -> None:
    """Nothing more is owed. NotFound, NotYourRole; RuleForbids, naming the open lines, while something is, and while
    nobody has decided a case of the loan."""
    newest = _keeper(connection, actor, code)
    at = now()
    lines = loan_lines.of_loans(connection, [newest], When(at, FOREVER), at)[code]
    still = [line for line in lines if not line.state.is_closed]
    if still:
        named = [errors.Text("{number} ({state})", number=codes.display(one.item), state=one.state) for one in still]
        why = errors.Text("loan {code} still has open lines: {lines}.", code=code, lines=errors.joined(", ", named))
        raise errors.RuleForbids(why=why)
    case_access.require_decided(connection, code)
    _write(connection, actor, at, newest, {"closed_at": at}, at, because)


# ------------------------------------------------------------------------------------------------------------- reading
def read(
    connection: sa.Connection, actor: Actor, now: datetime, code: str, as_of: datetime | None, known_on: datetime | None
) -> Loan:
    """One loan at a moment; NotFound where there is none that the actor may see: a party to it, or who sees all."""
    when = documents.asked(as_of, known_on, now)
    row = chains.in_force(connection, LOAN, code, when, _visible(actor))
    if row is None:
        raise errors.NotFound(what="loan", name=code)
    return _with_lines(connection, actor, [row], when, now)[0]


def page(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    when: When,
    *,
    lender: str | None = None,
    borrower: str | None = None,
    closed: bool | None = None,
    after: str = "",
    limit: int = 50,
) -> list[Loan]:
    """Up to ``limit`` loans that the actor may see, in the order of their codes, behind ``after``.

    Those of an institution are also those of the ones that it took over from.
    """
    heirs = successions.heirs(connection, when)
    lenders, borrowers = (heirs.family(one) if one else None for one in (lender, borrower))
    asked: dict[str, Any] = {"lenders": lenders, "borrowers": borrowers, "closed": closed}
    rows = loans.page(connection, when, _visible(actor), **asked, after=after, limit=limit)
    return _with_lines(connection, actor, rows, when, now)


def owed_by(connection: sa.Connection, item: str, when: When, now: datetime) -> Owed | None:
    """Who answers for a sample: the borrower from the consignor's release on, until the return (rulings 15).

    On a transfer the new loan owes it from its start. None for an item that is not there at that moment.
    """
    span = loans.now_under(connection, [item], when, now).get(item)
    if span is None:
        return None
    heirs = successions.heirs(connection, when)
    if span["line"] in lending.OUT:
        began = [s for s in loans.line_spans(connection, [span["loan"]], when) if s["item"] == item]
        since = next(s["from_at"] for s in began if s["line"] in lending.OUT)
        return Owed(span["borrower"], span["loan"], since, heirs.of(span["borrower"]))
    owner = span["lender"] or items.by_numbers(connection, [item])[item]["owner"]
    return Owed(owner, None, span["line_since"], heirs.of(owner))


def _visible(actor: Actor) -> sa.ColumnElement[bool] | None:
    return None if actor.sees_all else loans.parties(actor.institutions)


def _with_lines(connection: sa.Connection, actor: Actor, rows: Sequence[Row], when: When, now: datetime) -> list[Loan]:
    lines = loan_lines.of_loans(connection, rows, when, now)
    heirs = successions.heirs(connection, when)
    named = [(row["responsible"], row["borrower"]) for row in rows]
    answering = departures.answering(connection, named, heirs, when)
    return [
        Loan(row, [_shown(line, row, actor) for line in lines[row["code"]]], when, who.institution, who)
        for row, who in zip(rows, answering, strict=True)
    ]


def _shown(line: Line, row: Row, actor: Actor) -> Line:
    """Where a sample went after its line was closed is no longer the borrower's to know (rulings 16)."""
    if not line.state.is_closed or actor.sees_all or row["lender"] in actor.institutions:
        return line
    return replace(line, holder=None, claimed=None)


# ------------------------------------------------------------------------------------------------------------- writing
def _keeper(connection: sa.Connection, actor: Actor, code: str) -> Row:
    newest = chains.newest_locked(connection, LOAN, code, _visible(actor))
    if newest is None:
        raise errors.NotFound(what="loan", name=code)
    actor.must_be(newest["lender"], *KEEPERS)
    if newest["closed_at"]:
        raise errors.RuleForbids(why=errors.Text("loan {code} is closed.", code=code))
    return newest


def _write(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    newest: Row | None,
    new: Row,
    valid_from: datetime,
    because: str,
) -> None:
    version, recorded_at = 1, now
    if newest is not None:
        version, recorded_at = newest["version"] + 1, max(now, newest["recorded_at"] + TICK)
    told = {"version": version, "valid_from": valid_from, "recorded_at": recorded_at}
    row = {**(newest or {}), **new, **told, "actor": actor.person, "because": because}
    chains.append(connection, LOAN, row)


def _log(
    connection: sa.Connection,
    actor: Actor,
    now: Clock,
    kind: str,
    loan: Row,
    lines: Sequence[str],
    decision: Decision,
    taken_at: datetime,
    body: Mapping[str, Any],
    due_on: date | None,
) -> None:
    said = {**body, "loan": loan["code"], "due_on": due_on.isoformat() if due_on else None}
    record.append(connection, actor, now, decision.told(kind, lines, loan["lender"], taken_at, said))


def _items(connection: sa.Connection, loan: Row) -> list[str]:
    """Every item that was ever a line: signed, or born of one."""
    when = When(FOREVER, FOREVER)
    named = loans.signed_items(connection, [loan["signing_id"]], when).get(loan["signing_id"], set())
    return sorted(named | {span["item"] for span in loans.line_spans(connection, [loan["code"]], when)})


# -------------------------------------------------------------------------------------------------------------- checks
def _check(agreement: Agreement, zone: str, signed_at: datetime) -> None:
    if agreement.lender == agreement.borrower:
        raise errors.Malformed(why="nobody lends to themselves", pointer="/borrower")
    if agreement.term_months is not None and agreement.due_on is not None:
        raise errors.Malformed(why="give a term or a due date, not both", pointer="/due_on")
    try:
        times.zone_of(zone)
    except errors.Malformed as error:
        raise error.at("/zone") from None
    if agreement.due_on is not None:
        _check_due(agreement.due_on, zone, signed_at)


def _confidential(connection: sa.Connection, agreement: Agreement, lender_zone: str) -> dict[str, Any]:
    """Until when nobody else hears of it, and in which zone that day ends: the collection's (trade case 93), of several
    the one where it ends last; the lender's for samples of none."""
    day = agreement.confidential_until
    if day is None:
        return {"confidential_to": None, "confidential_zone": None}
    found = items.collection_zones(connection, agreement.lines) or {lender_zone}
    end, zone = max((_end_of(day, zone), zone) for zone in found)
    return {"confidential_to": end, "confidential_zone": zone}


def _end_of(day: date, zone: str) -> datetime:
    try:
        return times.due_end(day, zone)
    except errors.Malformed as error:
        raise error.at("/confidential_until") from None


def _check_due(due_on: date, zone: str, taken_at: datetime) -> None:
    """It ends in a day that has an end (a fact must never fail over it later), and not before it was agreed."""
    try:
        is_over = times.due_end(due_on, zone) <= taken_at
    except errors.Malformed as error:
        raise error.at("/due_on") from None
    if is_over:
        raise errors.Malformed(why="the due date is over before it is set", pointer="/due_on")


def _check_lines(connection: sa.Connection, agreement: Agreement) -> None:
    found = items.by_numbers(connection, agreement.lines)
    for place, number in enumerate(agreement.lines):
        row, pointer = found.get(number), f"/lines/{place}"
        if row is None or row["owner"] != agreement.lender:
            raise errors.NotFound(what="sample", name=codes.display(number), pointer=pointer)
        if row["kind"] != "sample":
            why = errors.Text("{number} is a {kind}; lend samples", number=codes.display(number), kind=row["kind"])
            raise errors.Malformed(why=why, pointer=pointer)
        if number in agreement.lines[:place]:
            why = errors.Text("{number} is named twice", number=codes.display(number))
            raise errors.Malformed(why=why, pointer=pointer)
