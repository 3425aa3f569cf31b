"""Item spans: the state of the fold as rows, and back."""

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import fields
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.basis import UNKNOWN, Basis
from shipsvc.domain.book import Book
from shipsvc.domain.custody import Custody, Word
from shipsvc.domain.facts import institution_of
from shipsvc.domain.lending import Line
from shipsvc.domain.places import Whereabouts
from shipsvc.domain.states import State
from shipsvc.domain.taring import Tare
from shipsvc.domain.times import format_instant, parse_instant
from shipsvc.store.among import among
from shipsvc.store.engine import Row, rows
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import EVER_SQL, ItemSpan

SPAN = table(ItemSpan)


def encode(state: State) -> dict[str, Any]:
    """The columns that hold a state."""
    held, where, line, book = state.custody, state.where, state.line, state.book
    return {
        "parent": state.parent,
        "certain": held.certain,
        "holder": institution_of(held.certain),
        "certain_since": held.certain_since,
        "claimed": held.claimed,
        "claimant": institution_of(held.claimed),
        "handover": held.state,
        "words": json.dumps([_word_row(w) for w in held.words]) if held.words else "[]",
        "sent_on": held.sent_on,
        "place": where.place,
        "status": where.status,
        "accessioned": where.accessioned,
        "loan": line.loan,
        "lender": line.lender,
        "borrower": line.borrower,
        "line": line.state,
        "line_since": line.since,
        "due_on": line.due_on,
        "due_at": line.due_at,
        "terms": json.dumps(_terms(line)) if line.loan else "{}",
        "mass_ng": book.mass_ng,
        "variance": book.variance,
        "estimated_variance": book.estimated_variance,
        "how": book.how,
        "material": book.material,
        "moisture_class": book.moisture_class,
        "reserve": book.reserve,
        "profile": state.profile,
        "closed": state.closed,
        "basis": "{}" if book.basis == UNKNOWN else json.dumps(_fields(book.basis)),
        "tare": json.dumps(_fields(state.tare)) if state.tare else "{}",
    }


def decode(row: Row) -> State:
    """The state that a row holds."""
    words = tuple(_word(w) for w in json.loads(row["words"])) if row["words"] != "[]" else ()
    book = Book(
        row["mass_ng"],
        row["variance"],
        row["estimated_variance"],
        row["how"],
        row["material"],
        row["moisture_class"],
        row["reserve"],
        Basis(**json.loads(row["basis"])) if row["basis"] != "{}" else UNKNOWN,
    )
    return State(
        row["parent"],
        Custody(row["certain"], row["certain_since"], row["claimed"], row["handover"], words, row["sent_on"]),
        Whereabouts(row["place"], row["status"], row["accessioned"]),
        book,
        _line(row),
        row["profile"],
        row["closed"],
        Tare(**json.loads(row["tare"])) if row["tare"] != "{}" else None,
    )


def _fields(value: Basis | Tare) -> dict[str, Any]:
    """Its fields in their order, so that what is equal is written alike."""
    return {one.name: getattr(value, one.name) for one in fields(value)}


def _word_row(word: Word) -> dict[str, Any]:
    return {
        "side": word.side,
        "giver": word.giver,
        "taker": word.taker,
        "at": format_instant(word.at),
        "own": word.own,
        "event_id": word.event_id,
        "shipment": word.shipment,
    }


def _word(kept: dict[str, Any]) -> Word:
    return Word(**{**kept, "at": parse_instant(kept["at"])})


def _terms(line: Line) -> dict[str, Any]:
    terms: dict[str, Any] = {"zone": line.zone, "returned_when": line.returned_when, "term_months": line.term_months}
    if line.following:
        terms["following"] = {
            **_terms(line.following),
            "loan": line.following.loan,
            "lender": line.following.lender,
            "borrower": line.following.borrower,
            "state": line.following.state,
            "since": format_instant(line.following.since) if line.following.since else None,
            "due_on": line.following.due_on.isoformat() if line.following.due_on else None,
        }
    return terms


def _line(row: Row) -> Line:
    terms = json.loads(row["terms"]) if row["terms"] != "{}" else {}
    following = terms.pop("following", None)
    if following:
        following["since"] = parse_instant(following["since"]) if following["since"] else None
        following["due_on"] = date.fromisoformat(following["due_on"]) if following["due_on"] else None
    return Line(
        loan=row["loan"],
        lender=row["lender"],
        borrower=row["borrower"],
        state=row["line"],
        since=row["line_since"],
        due_on=row["due_on"],
        following=Line(**following) if following else None,
        **terms,
    )


# Statements of the write path are made once: building one takes longer than running it.
_SINCE: sa.BindParameter[Any] = sa.bindparam("since")
_AROUND = (
    sa.select(SPAN)
    .where(among(SPAN.c.item), SPAN.c.known_to == FOREVER, SPAN.c.to_at >= _SINCE)
    .order_by(SPAN.c.item, SPAN.c.from_at)
)
_STANDS = sa.and_(SPAN.c.parent.is_not(None), SPAN.c.to_at >= _SINCE, SPAN.c.known_to == FOREVER)
_PAIR = sa.select(SPAN.c.item, SPAN.c.parent)
_UP = _PAIR.where(among(SPAN.c.item), _STANDS).cte("up", recursive=True)
_ABOVE = sa.select(_UP.union(_PAIR.where(SPAN.c.item == _UP.c.parent, _STANDS)))
_DOWN = _PAIR.where(among(SPAN.c.parent), _STANDS).cte("down", recursive=True)
_INSIDE = sa.select(_DOWN.union(_PAIR.where(SPAN.c.parent == _DOWN.c.item, _STANDS)))
_CLOSE = (
    sa.update(SPAN)
    .where(
        SPAN.c.item == sa.bindparam("i"),
        SPAN.c.from_at == sa.bindparam("f"),
        SPAN.c.known_from == sa.bindparam("k"),
    )
    .values(known_to=sa.bindparam("until"), live=0)
)
_ADD = sa.insert(SPAN)


def around(connection: sa.Connection, items: Collection[str], since: datetime) -> Sequence[Row]:
    """Spans of the items as known now that reach to ``since`` or beyond, in order of item and time."""
    return rows(connection, _AROUND, some=items, since=since)


def one(connection: sa.Connection, item: str, at: datetime) -> State:
    """The state of one item at an instant, as known now."""
    found = [row for row in around(connection, [item], at) if row["from_at"] <= at < row["to_at"]]
    return decode(found[0]) if found else State()


def above(connection: sa.Connection, items: Collection[str], since: datetime) -> list[tuple[str, str]]:
    """What the items were in, and what that was in, and so on, at or after ``since`` as known now: (item, parent)."""
    return [(row["item"], row["parent"]) for row in rows(connection, _ABOVE, some=items, since=since)]


def inside(connection: sa.Connection, parents: Collection[str], since: datetime) -> list[tuple[str, str]]:
    """What was in the parents, and in that, and so on, at or after ``since`` as known now: (item, parent)."""
    return [(row["item"], row["parent"]) for row in rows(connection, _INSIDE, some=parents, since=since)]


def close(connection: sa.Connection, ended: Iterable[Row], recorded_at: datetime) -> None:
    """End the knowledge of spans that turned out otherwise."""
    keys = [{"i": r["item"], "f": r["from_at"], "k": r["known_from"], "until": recorded_at} for r in ended]
    if keys:
        connection.execute(_CLOSE, keys)


def add(connection: sa.Connection, added: list[dict[str, Any]]) -> None:
    """Write spans as known from now on."""
    if added:
        connection.execute(_ADD, added)


def at(as_of: datetime, known_on: datetime | None) -> sa.ColumnElement[bool]:
    """A clause: the span that holds at ``as_of``, as known on ``known_on``, or as known now where that is None.

    As known now and as of now reads only what is live; that is why None is not the same as a time just past.
    """
    holds = sa.and_(SPAN.c.from_at <= as_of, SPAN.c.to_at > as_of)
    if known_on is None:
        return sa.and_(holds, sa.literal_column("item_span.live") == sa.literal_column("1"))
    ever = sa.text(f"item_span.{EVER_SQL}")
    return sa.and_(holds, SPAN.c.known_from <= known_on, SPAN.c.known_to > known_on, ever)
