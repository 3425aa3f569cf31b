"""Writers who cross each other's way on PostgreSQL, with real connections (rulings 8, 9; design section 4).

Whatever the order in which they got through, the record is the one that the same facts make told one after another, in
the order of their recording, to a service that nobody else writes to.
"""

import itertools
import threading
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy import event

from shipsvc.app.record import ATTEMPTS
from shipsvc.domain import codes
from shipsvc.store.tables import FOREVER, Event, table
from shipsvc.store.tables_derived import EventItem, ItemSpan
from tests.databases import copied, throwaway
from tests.postgres import Postgres
from tests.web.door import Door, Json, opened
from tests.web.service import START

EVENT, EVENT_ITEM, SPAN = table(Event), table(EventItem), table(ItemSpan)
WRITERS = 8


@pytest.fixture(scope="module")
def crossing(postgres_server: Postgres, postgres_template: str) -> Iterator[Door]:
    """The service on PostgreSQL, with as many connections as writers and some to spare."""
    with throwaway(postgres_server, postgres_template) as (_, url), opened(url, threads=WRITERS) as door:
        yield door


@pytest.fixture
def pg(crossing: Door) -> Door:
    """The same, its clock set back."""
    crossing.service.clock.at = START
    return crossing


@pytest.fixture
def quiet(tmp_path: Path, sqlite_template: Path) -> Iterator[Door]:
    """A service that one writer at a time tells facts to."""
    with opened(copied(sqlite_template, tmp_path / "quiet.sqlite3")) as door:
        yield door


def at_once(door: Door, facts: list[list[Json]]) -> None:
    """Each list is told by a writer of its own, one fact after another; all start together, all are recorded."""
    together = threading.Barrier(len(facts))

    def write(own: list[Json]) -> None:
        together.wait()
        for fact in own:
            door.tell(fact)

    with ThreadPoolExecutor(len(facts)) as pool:
        list(pool.map(write, facts))


def one_by_one(door: Door, crossed: Door, facts: list[Json]) -> None:
    """Tell the facts to another service in the order in which the first one recorded them."""
    recorded = {row["id"]: row["recorded_at"] for row in crossed.all(EVENT, EVENT.c.id.in_([f["id"] for f in facts]))}
    for fact in sorted(facts, key=lambda f: recorded[f["id"]]):
        door.tell(fact)


def known_now(door: Door, numbers: set[str]) -> list[Mapping[str, Any]]:
    """The spans of the items as known now, without when that came to be known."""
    rows = door.all(SPAN, SPAN.c.item.in_(numbers), SPAN.c.known_to == FOREVER)
    cut = [{n: v for n, v in row.items() if n not in {"known_from", "known_to", "live"}} for row in rows]
    return sorted(cut, key=lambda row: (row["item"], row["from_at"]))


def consistent(door: Door, numbers: set[str]) -> None:
    """No two spans of an item hold at one instant as known on one day; recording times rise strictly for each item."""
    for number in numbers:
        spans = door.all(SPAN, SPAN.c.item == number)
        for one, other in itertools.combinations(spans, 2):
            held = max(one["from_at"], other["from_at"]) < min(one["to_at"], other["to_at"])
            known = max(one["known_from"], other["known_from"]) < min(one["known_to"], other["known_to"])
            assert not (held and known), (one, other)
        about = sa.select(EVENT_ITEM.c.source_id).where(EVENT_ITEM.c.item == number)
        times = [row["recorded_at"] for row in door.all(EVENT, EVENT.c.id.in_(about))]
        assert len(set(times)) == len(times) > 0


def deadlocks(door: Door) -> int:
    """How many deadlocks the server had to break in this database."""
    with door.service.service.database.engine.connect() as connection:
        connection.exec_driver_sql("SELECT pg_stat_force_next_flush()")
        wanted = "SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()"
        found: int = connection.exec_driver_sql(wanted).scalar_one()
        return found


def same_as_one_by_one(pg: Door, quiet: Door, facts: list[list[Json]], before: list[Json], numbers: set[str]) -> None:
    """Tell ``before`` in order and then ``facts`` at once; then all that this module's text promises of the outcome."""
    for fact in before:
        pg.tell(fact)
        quiet.tell(fact)
    broken = deadlocks(pg)
    at_once(pg, facts)

    assert deadlocks(pg) == broken
    consistent(pg, numbers)
    one_by_one(quiet, pg, [fact for own in facts for fact in own])
    assert known_now(pg, numbers) == known_now(quiet, numbers)


# ----------------------------------------------------------------------------------------------------- eight writers
def test_eight_writers_and_one_item(pg: Door, quiet: Door) -> None:
    """Late, early and in the middle, of place, mass and custody: none of them gets lost."""
    number = pg.number()
    before = [pg.fact("registered", number, "2026-03-01T08:00:00Z", item="sample", mass="500 mg")]
    facts = [
        [
            pg.fact("stored", number, f"2026-03-0{day}T{9 + writer:02}:00:00Z", place=f"TRP-GB{writer}")
            if (day + writer) % 2
            else pg.fact("used", number, f"2026-03-0{day}T{9 + writer:02}:30:00Z", mass=f"{day}.{writer} mg")
            for day in (5, 2, 7)
        ]
        for writer in range(WRITERS)
    ]

    same_as_one_by_one(pg, quiet, facts, before, {codes.parse(number)})


def test_a_box_and_its_contents_at_once(pg: Door, quiet: Door) -> None:
    """Half of the writers speak of the box, half of the vials in it, of one time and another."""
    box, vials = pg.number("J"), [pg.number("V") for _ in range(4)]
    before = [pg.fact("registered", " ".join([box, *vials]), "2026-03-01T08:00:00Z", item="container", form="jar")]
    before += [pg.fact("packed", vial, "2026-03-01T09:00:00Z", into=box) for vial in vials]
    of_box = [
        [
            pg.fact("stored", box, f"2026-03-0{2 + writer}T10:00:00Z", place=f"TRP-GB{writer}"),
            pg.fact("taken_out", box, f"2026-03-0{2 + writer}T12:00:00Z"),
        ]
        for writer in range(4)
    ]
    of_vials = [
        [
            pg.fact("stored", vial, f"2026-03-0{2 + place}T11:00:00Z", place="TRP-V"),
            pg.fact("packed", vial, f"2026-03-0{3 + place}T09:00:00Z", into=box),
        ]
        for place, vial in enumerate(vials)
    ]

    same_as_one_by_one(pg, quiet, of_box + of_vials, before, {codes.parse(n) for n in [box, *vials]})


def test_packing_into_a_box_while_it_leaves(pg: Door, quiet: Door) -> None:
    """Seven writers put a vial each into the box that the eighth releases: what was in it by then has left with it."""
    box, vials = pg.number("J"), [pg.number("V") for _ in range(7)]
    before = [pg.fact("registered", " ".join([box, *vials]), "2026-03-01T08:00:00Z", item="container", form="jar")]
    facts = [[pg.fact("packed", vial, "2026-03-02T09:00:00Z", into=box)] for vial in vials]
    facts.append([pg.fact("released", box, "2026-03-02T10:00:00Z", to="TSI")])
    numbers = {codes.parse(n) for n in [box, *vials]}

    same_as_one_by_one(pg, quiet, facts, before, numbers)
    left = [r for r in known_now(pg, numbers) if r["from_at"].isoformat() == "2026-03-02T10:00:00+00:00"]
    assert {(r["item"], r["claimed"]) for r in left} == {(number, "TSI") for number in numbers}


def test_things_nobody_knew_of(pg: Door, quiet: Door) -> None:
    """The same unknown numbers in different order from each writer: one provisional item each, no deadlock."""
    numbers = [pg.number() for _ in range(WRITERS)]
    facts = [
        [pg.fact("seen", " ".join(numbers[n:] + numbers[:n]), f"2026-03-0{n + 1}T09:00:00Z")] for n in range(WRITERS)
    ]

    same_as_one_by_one(pg, quiet, facts, [], {codes.parse(n) for n in numbers})


def test_one_fact_from_eight_at_once(pg: Door) -> None:
    """A client that is too impatient sends the same again and again: stored once, one answer to all (promise 7)."""
    fact = pg.fact("stored", pg.number(), place="TRP-GB1")
    together = threading.Barrier(WRITERS)

    def told(_: int) -> tuple[int, Json]:
        together.wait()
        answer = pg.service.client.post("/v1/events", json={"fact": fact}, headers=pg.people["clerk"])
        return answer.status_code, answer.json()

    with ThreadPoolExecutor(WRITERS) as pool:
        answers = list(pool.map(told, range(WRITERS)))

    assert sorted(status for status, _ in answers) == [200] * 7 + [201], answers
    assert len({str(sorted({**answer, "replayed": None}.items())) for _, answer in answers}) == 1
    assert len(pg.all(EVENT, EVENT.c.id == fact["id"])) == 1


def test_batches_that_cross(pg: Door) -> None:
    """Two batches take the same two items in opposite order, each in two steps: both are recorded in the end."""
    one, other = pg.number(), pg.number()
    pg.tell(pg.fact("seen", f"{one} {other}"))

    def batch(first: str, second: str) -> list[Json]:
        fact = pg.fact("seen", first)
        return [fact, pg.amendment(fact["id"], {**fact, "body": {"place": "TRP-GB1"}}), pg.fact("found", second)]

    for _ in range(5):
        with ThreadPoolExecutor(2) as pool:
            told = list(pool.map(pg.tell_all, [batch(one, other), batch(other, one)]))
        assert {answer["status"] for answers in told for answer in answers} == {"recorded"}
    consistent(pg, {codes.parse(one)})


# --------------------------------------------------------------------------------------------- two, step by step
@contextmanager
def between(door: Door, statement: str, do: Callable[[], object], *, times: int = 1) -> Iterator[list[str]]:
    """Do something just before such a statement is run, by a transaction that is under way; so many times."""
    engine, busy = door.service.service.database.engine, threading.Event()
    done: list[str] = []

    def meanwhile(_c: object, _cursor: object, text: str, *_: object) -> None:
        if statement in text and len(done) < times and not busy.is_set():
            busy.set()
            done.append(text)
            do()
            busy.clear()

    event.listen(engine, "before_cursor_execute", meanwhile)
    try:
        yield done
    finally:
        event.remove(engine, "before_cursor_execute", meanwhile)


LOCK = "FOR UPDATE"


def nest(pg: Door) -> tuple[str, Callable[[], None], list[str]]:
    """A box, a way to put one more vial into it, and the vials that are in it so far."""
    box, vials = pg.number("J"), [pg.number("V")]
    pg.tell(pg.fact("registered", f"{box} {vials[0]}", "2026-03-01T08:00:00Z", item="container", form="jar"))
    pg.tell(pg.fact("packed", vials[0], "2026-03-02T09:00:00Z", into=box))

    def pack() -> None:
        vials.append(pg.number("V"))
        pg.tell(pg.fact("packed", vials[-1], "2026-03-02T09:00:00Z", into=box))

    return box, pack, vials


@pytest.mark.parametrize("times", [1, 2])
def test_a_nest_that_grows_between_reading_and_locking(pg: Door, times: int) -> None:
    """Rulings 9: read, lock, read again; if it grew, roll back and try again: the late-comers leave with the box."""
    box, pack, vials = nest(pg)
    with between(pg, LOCK, pack, times=times) as done:
        pg.tell(pg.fact("released", box, "2026-03-02T10:00:00Z", to="TSI"))

    assert len(done) == times
    assert len(vials) == times + 1
    now = known_now(pg, {codes.parse(vial) for vial in vials})
    assert {r["item"] for r in now if r["claimed"] == "TSI"} == {codes.parse(vial) for vial in vials}
    consistent(pg, {codes.parse(n) for n in [box, *vials]})


def test_a_nest_that_never_stops_growing(pg: Door) -> None:
    """After so many attempts 503: nothing of it is stored, and when it is quiet again the same fact is taken."""
    box, pack, _ = nest(pg)
    fact = pg.fact("released", box, "2026-03-02T10:00:00Z", to="TSI")
    with between(pg, LOCK, pack, times=99) as done:
        answer = pg.service.client.post("/v1/events", json={"fact": fact}, headers=pg.people["clerk"])

    assert len(done) == ATTEMPTS
    assert (answer.status_code, answer.json()["code"]) == (503, "away")
    assert int(answer.headers["Retry-After"]) > 0
    assert pg.all(EVENT, EVENT.c.id == fact["id"]) == []
    assert not pg.tell(fact)["replayed"]


def test_a_fact_of_the_same_item_between_reading_and_locking(pg: Door) -> None:
    """What another transaction told of the item meanwhile is in the state that this one starts from."""
    number = pg.number()
    pg.tell(pg.fact("registered", number, "2026-03-01T08:00:00Z", item="sample", mass="500 mg"))
    used = [pg.fact("used", number, f"2026-03-02T0{n}:00:00Z", mass="100 mg") for n in (8, 9)]
    with between(pg, LOCK, lambda: pg.tell(used[0])):
        pg.tell(used[1])

    masses = [row["mass_ng"] for row in known_now(pg, {codes.parse(number)})]
    assert masses == [500_000_000, 400_000_000, 300_000_000]


# ------------------------------------------------------------------------------------------------------- the horizon
def place_known(pg: Door, number: str, known_on: str) -> tuple[str | None, bool]:
    """Where an item was at ten, as known on a moment, and whether that answer is provisional."""
    found = pg.service.get(f"/v1/items/{number}", pg.people["clerk"], as_of="2026-03-10T10:00:00Z", known_on=known_on)
    return found["where"]["place"], found["provisional"]


@contextmanager
def held_up(pg: Door, statement: str) -> Iterator[tuple[threading.Event, threading.Event]]:
    """The next transaction that comes to such a statement stops there: (it is there, let it go on)."""
    there, go_on = threading.Event(), threading.Event()

    def wait() -> None:
        there.set()
        assert go_on.wait(30)

    with between(pg, statement, wait):
        try:
            yield there, go_on
        finally:
            go_on.set()


@pytest.mark.parametrize("too_late", [False, True])
def test_known_on_a_moment_just_past(pg: Door, too_late: bool) -> None:
    """The trap of design section 4. A transaction takes its recorded_at and commits later. Asked in between, as known
    on a moment after that time, the answer lacks it. Within the horizon it says "provisional" and may change; behind
    it never does, for by then the transaction is rolled back.
    """
    service, clock, number = pg.service.service, pg.service.clock, pg.number()
    pg.tell(pg.fact("stored", number, "2026-03-10T08:00:00Z", place="TRP-A"))
    slow = pg.fact("stored", number, "2026-03-10T09:00:00Z", place="TRP-B")
    usual, service.longest_write_s = service.longest_write_s, 0.0 if too_late else 60.0
    known_on = "2026-03-10T12:00:02Z"
    try:
        with ThreadPoolExecutor(1) as pool, held_up(pg, "INSERT INTO event ") as (there, go_on):
            telling = pool.submit(pg.tell, slow, status=503 if too_late else 201)
            assert there.wait(30)  # its recorded_at is 12:00:00 and a little
            clock.forward(seconds=8 if too_late else 3)
            asked = place_known(pg, number, known_on)
            go_on.set()
            telling.result()
    finally:
        service.longest_write_s = usual
    again = place_known(pg, number, known_on)

    assert asked == ("TRP-A", not too_late)
    assert again[0] == ("TRP-A" if too_late else "TRP-B")
    clock.forward(seconds=6)
    assert place_known(pg, number, known_on) == (again[0], False)


def test_two_amendments_at_once(pg: Door) -> None:
    """Trade case 89: of two amendments that saw the same state, one is told of the other and is not stored."""
    number = pg.number()
    pg.tell(pg.fact("stored", number, "2026-03-01T08:00:00Z", place="TRP-GB1"))
    fact = pg.fact("seen", number)
    pg.tell(fact)
    one, other = (pg.amendment(fact["id"], {**fact, "body": {"place": f"TRP-{n}"}}) for n in "AB")
    with between(pg, LOCK, lambda: pg.tell(one)):
        code, _, detail = pg.refused(other, 409)
    assert code == "amended_meanwhile"
    assert one["id"] in detail
