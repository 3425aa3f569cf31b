"""A crowd of items with a history, made by the database itself, to look at plans and to measure with.

A thousand items are thought out here, with the lending of seven years; further thousands are copies under other
numbers. Seven in ten belong to TRP, two to DVM, one to MUS.
"""

import random
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from shipsvc.domain.book import Book
from shipsvc.domain.custody import Custody
from shipsvc.domain.lending import Line
from shipsvc.domain.places import Whereabouts
from shipsvc.domain.states import State
from shipsvc.store import spans
from shipsvc.store.engine import Database
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import Comparison, Item, ItemParty, ItemSpan, MassMove

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
PAST = datetime(2024, 6, 1, 12, tzinfo=UTC)
BLOCK = 1000
BORROWERS = [f"LAB{n:02}" for n in range(20)]
STORE = Whereabouts("TRP-V1", "stored", True)


def _pairs(pairs: set[tuple[str, str]]) -> list[dict[str, Any]]:
    return [{"item": item, "institution": one, "until": FOREVER} for item, one in sorted(pairs)]


def fill(database: Database, thousands: int, *, lean: bool = False) -> None:
    """Put so many thousand items, their spans and their parties into the database, and gather statistics. ``lean``: of
    the spans only those that hold now."""
    draw = random.Random(7)
    made = [row for serial in range(BLOCK) for row in _history(serial, draw) if row["live"] or not lean]
    owners = {row["item"]: owner_of(row["item"]) for row in made}
    pairs = {(r["item"], who) for r in made for who in (owners[r["item"]], r["holder"], r["borrower"]) if who}
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        connection.execute(sa.insert(table(ItemSpan)), made)
        connection.execute(sa.insert(table(Item)), [_item(number, owner) for number, owner in owners.items()])
        connection.execute(sa.insert(table(ItemParty)), _pairs(pairs))
        for block in range(1, thousands):
            for model, number in ((ItemSpan, "item"), (Item, "number"), (ItemParty, "item")):
                _copy(connection, table(model), number, f"{block:04}")
    _analyze(database)


def weigh(database: Database, thousands: int, times: int = 10) -> None:
    """Weigh each of them so many times, one in a hundred a loss, and gather statistics."""
    draw = random.Random(3)
    made = [_weighing(f"QRS0000{serial:03}", n, draw) for serial in range(BLOCK) for n in range(times)]
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        connection.execute(sa.insert(table(Comparison)), made)
        for block in range(1, thousands):
            _copy(connection, table(Comparison), "item", f"{block:04}")
    _analyze(database)


def _weighing(item: str, n: int, draw: random.Random) -> dict[str, Any]:
    lost = draw.random() < 0.01
    at = PAST + timedelta(days=n)
    verdict = {"verdict": "unexplained_loss" if lost else "agrees", "r": -10.0 if lost else 0.0, "marks": ""}
    told = {"item": item, "event_id": f"{item}-{n}", "known_from": at, "known_to": FOREVER, "happened_at": at}
    masses = {"expected_ng": 10**9, "observed_ng": 10**9 - 10**6 * lost, "u_ng": 1e5}
    return {**told, "by_party": draw.choice(["TRP", *BORROWERS]), **masses, **verdict}


def move(database: Database, thousands: int, *, uses: int = 9) -> None:
    """What each of the crowd was taken in with, and then used of it again and again."""
    told = {"known_from": PAST, "known_to": FOREVER, "happened_at": PAST, "from_item": None, "to_item": None}
    with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
        for block in range(thousands):
            found = []
            for serial in range(1000):
                item = f"QRS{block:04}{serial:03}"
                one = {**told, "item": item, "mass_ng": 10**9, "from_account": "origin"}
                found.append({**one, "event_id": "taken in", "line": 0, "to_account": "sample", "to_item": item})
                used = {**told, "item": item, "mass_ng": 1000, "from_account": "sample", "from_item": item}
                lines = [
                    {**used, "event_id": f"used {n}", "line": 0, "to_account": "used_weighed"} for n in range(uses)
                ]
                found += lines
            connection.execute(sa.insert(table(MassMove)), found)
    _analyze(database)


def _analyze(database: Database) -> None:
    with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql("ANALYZE" if database.is_sqlite else "VACUUM ANALYZE")


def owner_of(number: str) -> str:
    """Whose an item of the crowd is, by the last digit of its number."""
    return {"7": "DVM", "8": "DVM", "9": "MUS"}.get(number[-1], "TRP")


def _copy(connection: sa.Connection, into: sa.Table, number: str, block: str) -> None:
    """The first thousand again, as the numbers of another block: QRS, four digits of the block, three of the serial."""
    renamed = sa.literal(f"QRS{block}").concat(sa.func.substr(into.c[number], 8)).label(number)
    first = sa.and_(into.c[number] >= "QRS0000000", into.c[number] <= "QRS0000999")
    columns = [renamed if c.name == number else c for c in into.c]
    connection.execute(sa.insert(into).from_select([c.name for c in into.c], sa.select(*columns).where(first)))


def _item(number: str, owner: str) -> dict[str, Any]:
    told = {"collection": None, "what": "chip", "provisional": False, "newest_recorded_at": NOW}
    return {"number": number, "kind": "sample", "form": "material", "owner": owner, **told}


def _history(serial: int, draw: random.Random) -> Iterator[dict[str, Any]]:
    """Spans of one item: in store, lent and back twice or so, perhaps out now, perhaps late; some known otherwise."""
    lender = owner_of(str(serial))
    at = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(hours=draw.randrange(3000))
    states = [(at, State(None, Custody(lender, at, None, "agreed"), STORE, Book(10**9), Line()))]
    while (at := at + timedelta(days=draw.randrange(100, 900))) < NOW - timedelta(days=1):
        states += _loan(lender, at, draw)
        at = states[-1][0]
    states = [(when, state) for when, state in states if when < NOW]
    for place, (when, state) in enumerate(states):
        until = states[place + 1][0] if place + 1 < len(states) else FOREVER
        yield _row(serial, state, when, until, known_to=FOREVER)
        if draw.random() < 0.05:
            yield _row(serial, state, when + timedelta(hours=1), until, known_to=when + timedelta(days=3))


def _loan(lender: str, at: datetime, draw: random.Random) -> list[tuple[datetime, State]]:
    borrower = draw.choice(BORROWERS)
    due_on: date = (at + timedelta(days=draw.randrange(60, 400))).date()
    back = datetime.combine(due_on, at.timetz()) + timedelta(days=draw.choice([-40, -20, -10, -5, 3, 20, 60]))
    line = Line(f"L-{draw.randrange(10**6)}", lender, borrower, "sent", at, due_on, "Europe/Berlin")
    arrival = at + timedelta(days=draw.randrange(2, 9))
    sent = Custody(lender, at, borrower, "giver_only")
    here = Custody(borrower, arrival, None, "agreed")
    there = Whereabouts("LAB-N1", "stored", True)
    steps = [
        (at, State(None, sent, Whereabouts(None, "in_transit", True), Book(10**9), line)),
        (arrival, State(None, here, Whereabouts(None, "received", True), Book(10**9), _as(line, "held"))),
        (arrival + timedelta(hours=2), State(None, here, there, Book(10**9), _as(line, "held"))),
        (back - timedelta(days=2), State(None, here, there, Book(10**9), _as(line, "returning"))),
        (back, State(None, Custody(lender, back, None, "agreed"), STORE, Book(10**9), _as(line, "returned"))),
    ]
    return [step for place, step in enumerate(steps) if place == 0 or step[0] > steps[place - 1][0]]


def _as(line: Line, state: str) -> Line:
    return Line(line.loan, line.lender, line.borrower, state, line.since, line.due_on, line.zone)


def _row(serial: int, state: State, at: datetime, until: datetime, known_to: datetime) -> dict[str, Any]:
    live = int(until == FOREVER and known_to == FOREVER)
    told = {"event_id": f"e{serial}", "by_item": "", "from_at": at, "to_at": until, "known_from": at}
    return {"item": f"QRS0000{serial:03}", **told, "known_to": known_to, "live": live, **spans.encode(state)}
