"""Setting the book of a sample to one of its weighings: the only act by which an observation moves the book (D9)."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.app import items, record
from shipsvc.app.access import Actor
from shipsvc.app.decisions import Decision
from shipsvc.domain import codes, errors
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.store import events, item_states
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER

#: What lowers the mass of a sample.
LOWERING = ("combined", "divided", "embedded", "loss_noted", "used")
#: Of a weighing, what says which mass it was and how it is known.
MEMBERS = ("mass", "balance", "method", "plus_minus")


@dataclass(frozen=True)
class Posted:
    """A book set to a weighing: what it held before (None: nothing) and holds now, and when that counts from."""

    number: str
    before_ng: int | None
    mass_ng: int
    posted_at: datetime
    recorded_at: datetime


def post_mass(
    connection: sa.Connection,
    actor: Actor,
    now: Callable[[], datetime],
    typed: str,
    weighing: str,
    decision: Decision,
) -> Posted:
    """Set the book of a sample to a weighing of it. For curators of its owner.

    Raises as ``items.find`` does; NotYourRole; NotFound for a weighing that is not of this sample; RuleForbids where
    something left the sample between the weighing and the posting, which the weighing cannot know of.
    """
    found = items.find(connection, actor, typed)
    actor.must_be(found.row["owner"], "curator")
    if found.row["kind"] != "sample":
        raise errors.RuleForbids(
            why=f"{codes.display(found.number)} is a {found.row['kind']}; only samples have a book"
        )
    row, body = _weighing(connection, found.number, weighing)
    posted_at = decision.taken_at(now(), "/posted_at")
    _nothing_since(connection, found.number, row["happened_at"], posted_at)
    before = item_states.span_at(connection, found.number, When(posted_at, FOREVER), now())
    said = {"weighing": weighing, **{name: body[name] for name in MEMBERS if name in body}}
    told = decision.told("posted", [found.number], found.row["owner"], posted_at, said)
    answer = record.append(connection, actor, now, told)
    mass_ng = Mass.parse(str(body["mass"])).ng
    held_ng = before["mass_ng"] if before else None
    return Posted(found.number, held_ng, mass_ng, posted_at, parse_instant(answer["recorded_at"]))


def _weighing(connection: sa.Connection, number: str, weighing: str) -> tuple[Row, dict[str, object]]:
    """The weighing as it stands, amended or not, with its body; NotFound unless it is one, of that sample."""
    of = {row["item"] for row in events.items_of(connection, [weighing])}
    for _, _, row in events.these_in_force(connection, [weighing]):
        kind, _, body = events.content(row)
        if kind == "weighed" and number in of:
            return row, body
    raise errors.NotFound(what=f"weighing of {codes.display(number)}", name=weighing, pointer="/weighing")


def _nothing_since(connection: sa.Connection, number: str, weighed_at: datetime, posted_at: datetime) -> None:
    if posted_at < weighed_at:
        why = f"it was weighed at {format_instant(weighed_at)}, after it would be posted"
        raise errors.RuleForbids(why=why, pointer="/posted_at")
    for _, _, row in events.of_kinds(connection, [number], LOWERING):
        if weighed_at < row["happened_at"] <= posted_at:
            kind, _, _ = events.content(row)
            why = f"the {kind} of {format_instant(row['happened_at'])} came after that weighing. Weigh it again."
            raise errors.RuleForbids(why=why, pointer="/weighing")
