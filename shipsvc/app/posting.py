"""Decisions on the book of a sample: set to one of its weighings, or closed. No observation moves it by itself (D9)."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import items, record, tares
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.app.items import Found
from shipsvc.domain import codes, errors
from shipsvc.domain.basis import DRY
from shipsvc.domain.book import EMBEDDED
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.domain.weighing import TARE_VARIANCE
from shipsvc.store import events, item_states, ledger, second
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: What lowers the mass of a sample.
LOWERING = ("combined", "divided", "embedded", "loss_noted", "lost_decided", "used", "written_off")
#: What closes the account of a sample.
CLOSING = ("lost_decided", "written_off")
#: Of a weighing, what says which mass it was and how it is known.
MEMBERS = (
    *("mass", "balance", "method", "plus_minus", "expanded_uncertainty", "coverage_factor"),
    *("air", "dryness", "repeats", "readings", TARE_VARIANCE),
)


@dataclass(frozen=True)
class Posted:
    """A book that was set: what it held before (None: nothing) and holds now, and from when on."""

    number: str
    before_ng: int | None
    mass_ng: int
    at: datetime
    recorded_at: datetime


def post_mass(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    weighing: str,
    decision: Decision,
) -> Posted:
    """Set the book of a sample to a weighing of it; the difference is unexplained. For curators of its owner.

    Raises as ``items.find`` does; NotYourRole; NotFound for a weighing that is not of this sample; RuleForbids where
    something left the sample between the weighing and the posting, which the weighing cannot know of, and for what has
    no mass account.
    """
    return _set(connection, actor, now, typed, weighing, decision, _Setting("posted", "/posted_at", _may_be_posted))


def rebase(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    weighing: str,
    decision: Decision,
) -> Posted:
    """Put a weighing in the place of an estimate: nothing is lost or gained by it. For curators of its owner.

    Raises as ``post_mass`` does; RuleForbids also where the book does not rest on an estimate, or nothing was weighed.
    """
    return _set(connection, actor, now, typed, weighing, decision, _Setting("rebased", "/rebased_at", _may_be_rebased))


def write_off(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    decision: Decision,
    *,
    lost: bool,
) -> Posted:
    """Close the account of a sample that is lost, or given up: once a second person confirms that, what its book holds
    is written off, and it has ended.

    For curators of its owner. Raises as ``items.find`` does; NotYourRole; RuleForbids where it has ended already, or
    such a decision waits to be confirmed.
    """
    found = _sample(connection, actor, typed)
    decided_at = decision.taken_at(now(), "/decided_at")
    before = item_states.span_at(connection, found.number, When(decided_at, FOREVER), now())
    if before and before["handover"] == "ended":
        raise errors.RuleForbids(why="nothing was left of it already.")
    decided = {original for original, _, _ in events.of_kinds(connection, [found.number], CLOSING)}
    if second.flagged(connection, decided):
        raise errors.RuleForbids(why="that is decided already, and waits for a second person to confirm it.")
    kind = "lost_decided" if lost else "written_off"
    told = decision.told(kind, [found.number], found.row["owner"], decided_at, {})
    answer = record.append(connection, actor, now, told)
    held_ng = before["mass_ng"] if before else None
    return Posted(found.number, held_ng, 0, decided_at, parse_instant(answer["recorded_at"]))


def _sample(connection: sa.Connection, actor: Actor, typed: str) -> Found:
    found = items.find(connection, actor, typed)
    actor.must_be(found.row["owner"], "curator")
    if found.row["kind"] != "sample":
        shown, kind = codes.display(found.number), found.row["kind"]
        raise errors.RuleForbids(
            why=errors.Text("{number} is a {kind}; only samples have a book", number=shown, kind=kind)
        )
    return found


def _may_be_posted(_: Mapping[str, object], before: Row | None) -> None:
    if before and before["how"] == EMBEDDED:
        raise errors.RuleForbids(why="it is embedded: what it weighs is resin too, and it has no mass account.")


def _may_be_rebased(body: Mapping[str, object], before: Row | None) -> None:
    if body.get("method") in ("estimated", "declared") or not body.get("balance"):
        raise errors.RuleForbids(why="that mass was not weighed on a balance. Name a weighing.", pointer="/weighing")
    if before is None or before["how"] not in ("estimated", "declared"):
        how = before["how"] if before and before["how"] else "not known"
        no_estimate = "its mass is {how}, which is no estimate. Post the weighing instead."
        raise errors.RuleForbids(why=errors.Text(no_estimate, how=how))


@dataclass(frozen=True)
class _Setting:
    """A kind of decision that sets a book: the member that says when, and what forbids it."""

    kind: str
    when: str
    check: Callable[[Mapping[str, object], Row | None], None]


def _set(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    weighing: str,
    decision: Decision,
    setting: _Setting,
) -> Posted:
    found = _sample(connection, actor, typed)
    row, body = weighing_of(connection, found.number, weighing)
    at = decision.taken_at(now(), setting.when)
    _nothing_since(connection, found.number, row["happened_at"], at, setting.when)
    before = item_states.span_at(connection, found.number, When(at, FOREVER), now())
    setting.check(body, before)
    said = {"weighing": weighing, **{name: body[name] for name in MEMBERS if name in body}}
    compared = ledger.comparison(connection, found.number, weighing)
    if compared and compared["dryness"] == DRY and "dryness" not in said:
        said["dryness"] = "re_dried"  # it stood in dry gas before, which the weighing itself did not say
    told = decision.told(setting.kind, [found.number], found.row["owner"], at, said)
    answer = record.append(connection, actor, now, told)
    held_ng = before["mass_ng"] if before else None
    return Posted(found.number, held_ng, Mass.parse(str(body["mass"])).ng, at, parse_instant(answer["recorded_at"]))


def weighing_of(connection: sa.Connection, number: str, weighing: str) -> tuple[Row, dict[str, object]]:
    """The weighing as it stands, amended or not, with its body, and the net in it where that told the gross alone;
    NotFound unless it is one, of that sample; RuleForbids where it is of an unknown tare."""
    of = {row["item"] for row in events.items_of(connection, [weighing])}
    for _, _, row in events.these_in_force(connection, [weighing]):
        kind, _, body = events.content(row)
        if kind == "weighed" and number in of:
            whole = tares.netted(connection, number, row["happened_at"], body)
            if "mass" not in whole:
                raise errors.RuleForbids(why="it told its gross alone, and its container has no tare that is known.")
            return row, whole
    raise errors.NotFound(
        what=errors.Text("weighing of {number}", number=codes.display(number)), name=weighing, pointer="/weighing"
    )


def _nothing_since(connection: sa.Connection, number: str, weighed_at: datetime, at: datetime, when: str) -> None:
    if at < weighed_at:
        after = "it was weighed at {weighed_at}, after the book would be set to that"
        raise errors.RuleForbids(why=errors.Text(after, weighed_at=format_instant(weighed_at)), pointer=when)
    for _, _, row in events.of_kinds(connection, [number], LOWERING):
        if weighed_at < row["happened_at"] <= at:
            kind, _, _ = events.content(row)
            since = "the {kind} of {happened_at} came after that weighing. Weigh it again."
            why = errors.Text(since, kind=kind, happened_at=format_instant(row["happened_at"]))
            raise errors.RuleForbids(why=why, pointer="/weighing")
