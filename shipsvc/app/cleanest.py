"""Which pieces of a family are still clean: those least out of controlled storage first (trade.md 4, question 3)."""

from collections.abc import Collection
from datetime import timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.app import access, beyond, exposure, items
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked, Entry, Key, seconds
from shipsvc.domain import codes
from shipsvc.domain.mass import Mass
from shipsvc.store import heritage, item_states, ledger
from shipsvc.store import items as stored
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.item_states import ITEM
from shipsvc.store.tables import FOREVER


def cleanest(
    connection: sa.Connection,
    actor: Actor,
    asked: Asked,
    after: Key | None,
    limit: int,
    *,
    family: str,
    quantity: str | None = None,
    above: float | None = None,
    below: float | None = None,
) -> list[Entry]:
    """What there is of a sample and of all that was made of it: what was carried over from contamination last, then
    by time beyond the threshold where one is asked for, then by time out, each at most and at least.

    Ranked as a whole, so all of a family is reckoned for each page. Raises as ``items.find`` does.
    """
    found = items.find(connection, actor, family)
    items.require_state(connection, actor, found, asked.as_of)
    when = When(asked.as_of, asked.moment.known_on or FOREVER)
    books = _there(connection, actor, asked, found.number)
    out = exposure.time_out(connection, list(books), asked.as_of, asked.moment.known_on)
    passed = beyond.beyond(connection, list(books), when, quantity, above, below) if quantity else {}
    dirty = heritage.contaminations(connection, list(books), when)
    entries = []
    for number, book in books.items():
        fields = {
            "contaminations": dirty.get(number, 0),
            "beyond_at_most_s": _up(passed[number].at_most) if number in passed else None,
            "beyond_at_least_s": seconds(passed[number].at_least) if number in passed else None,
            "at_most_s": _up(out[number].at_most),
            "at_least_s": seconds(out[number].at_least),
            "before_accession_s": seconds(out[number].before_accession),
        }
        ranked = [f"{fields[name] or 0:012d}" for name in RANKED]
        entries.append(Entry((*ranked, number), _described(number, book) | fields))
    entries.sort(key=lambda entry: entry.key)
    return [entry for entry in entries if after is None or entry.key > after][:limit]


#: What a rank is made of, the first that differs deciding.
RANKED = ("contaminations", "beyond_at_most_s", "beyond_at_least_s", "at_most_s", "at_least_s")


def _there(connection: sa.Connection, actor: Actor, asked: Asked, number: str) -> dict[str, Row]:
    """The samples of the family that were there at the moment and that the actor may see, with their books."""
    below = ledger.relatives(connection, number, asked.moment, down=True)
    numbers = {number} | {row["child"] for row in below}
    seen = item_states.visible_among(connection, numbers, access.sees(actor, ITEM.c.number))
    books = ledger.books(connection, _theirs(connection, actor, asked, seen), asked.moment)
    infos = stored.by_numbers(connection, books)
    return {n: {**books[n], "what": infos[n]["what"]} for n in sorted(books) if books[n]["status"] != "ended"}


def _theirs(connection: sa.Connection, actor: Actor, asked: Asked, seen: Collection[str]) -> list[str]:
    rows = stored.by_numbers(connection, seen)
    return [n for n in sorted(seen) if items.sees_state(connection, actor, rows[n], asked.as_of)]


def _described(number: str, book: Row) -> dict[str, Any]:
    return {
        "item": codes.display(number),
        "what": book["what"],
        "profile": book["profile"],
        "status": book["status"],
        "place": book["place"],
        "mass_mg": Mass(book["mass_ng"]).digits("mg") if book["mass_ng"] is not None else None,
    }


def _up(length: timedelta) -> int:
    return -(-length // timedelta(seconds=1))
