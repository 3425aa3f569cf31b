"""What a weighing or the sheet of a split would come to, before it is told: the same rules as in the fold, and nothing
is written."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.app import items, refold, tares
from shipsvc.app.access import Actor
from shipsvc.app.items import Found
from shipsvc.app.told import Told
from shipsvc.domain import book, codes, errors, sheets
from shipsvc.domain.book import Book, Compared
from shipsvc.domain.facts import Fact
from shipsvc.domain.rulebook import Rules
from shipsvc.domain.sheets import Sheet, Sum
from shipsvc.domain.times import parse_instant
from shipsvc.store import ledger, spans
from shipsvc.store.documents import When
from shipsvc.store.tables import FOREVER


@dataclass(frozen=True)
class Weighed:
    """What a weighing comes to: the book that it is held against, and the comparison (None: it opens the book, or there
    is none to be had, ``embedded``)."""

    book: Book
    compared: Compared | None

    @property
    def embedded(self) -> bool:
        """Whether it is in resin, so that no weighing says what it weighs."""
        return self.book.how == book.EMBEDDED


def sample(connection: sa.Connection, actor: Actor, typed: str) -> Found:
    """The sample that is to be weighed or split; raises as ``items.find`` does, and RuleForbids for what is none."""
    found = items.find(connection, actor, typed)
    if found.row["kind"] != "sample":
        number = codes.display(found.number)
        why = errors.Text(
            "{number} is a {kind}; only a sample has a mass of its own", number=number, kind=found.row["kind"]
        )
        raise errors.RuleForbids(why=why)
    return found


def book_at(connection: sa.Connection, actor: Actor, found: Found, at: datetime, now: datetime) -> Book:
    """The book of a sample at a moment, by all that is known; empty where they may not see how it stood then."""
    if not items.sees_state(connection, actor, found.row, at) or found.outside_only:
        return Book()
    standing = items.standing(connection, actor, found, When(at, FOREVER), now)
    return spans.decode(standing.span).book if standing else Book()


def weighing(connection: sa.Connection, actor: Actor, found: Found, told: Told, now: datetime) -> Weighed:
    """What a weighing that is to be told would come to; the fold goes by the same rule."""
    at = parse_instant(told.when.raw)
    body = tares.netted(connection, found.number, at, told.body)
    fact = Fact(told.id, told.kind, told.subjects, at, now, told.acting_for, body)
    before = book_at(connection, actor, found, at, now)
    after, compared = book.weighed(before, fact, _rules(connection, found, [body], at))
    return Weighed(before if compared else after, compared)


def recorded_weighing(
    connection: sa.Connection, actor: Actor, found: Found, event_id: str, now: datetime
) -> Mapping[str, Any] | None:
    """What a weighing that was told is held against, as it stands; None where it opened the book or is not theirs."""
    if not items.sees_state(connection, actor, found.row, now) or found.outside_only:
        return None
    return ledger.comparison(connection, found.number, event_id)


def _rules(connection: sa.Connection, found: Found, bodies: Sequence[Mapping[str, Any]], at: datetime) -> Rules:
    collection = found.row["collection"] or ""
    return refold.rulebook(connection, bodies, {collection}).at(at, collection)


def sheet(
    connection: sa.Connection,
    found: Found,
    at: datetime,
    before: Book,
    pieces: Sequence[Mapping[str, Any]],
    loss: Mapping[str, Any] | None,
    rest: Mapping[str, Any] | None,
    *,
    ends: bool,
    process: str = "",
) -> Sum:
    """The sheet of a split summed, by the words of the facts that it is to become."""
    said = [*pieces, *([loss] if loss else []), *([rest] if rest else [])]
    rules = _rules(connection, found, said, at)
    masses = [book.stated(piece, rules) for piece in pieces]
    lost, left = (book.stated(words, rules) if words else None for words in (loss, rest))
    return sheets.summed(before, Sheet(masses, lost, left, ends, process), rules)
