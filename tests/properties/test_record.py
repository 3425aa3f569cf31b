"""However a story is told - late, in any order, amended, in one request - the record comes to the same."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import example, given, settings
from hypothesis import strategies as st

from shipsvc.app import fsck, record
from shipsvc.app.access import Actor
from shipsvc.app.told import Answer, Envelope, Told, When
from shipsvc.domain.facts import Named
from shipsvc.domain.times import format_instant
from shipsvc.store.engine import Database, Row, rows
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_derived import Comparison, EventItem, Flag, Item, ItemParty, ItemSpan, MassMove, Parentage
from tests.databases import copied, opened
from tests.properties.stories import BOXES, SAMPLES, VIALS, Said, amended_stories
from tests.world import World

SPAN = table(ItemSpan)
TOLD = datetime(2026, 1, 1, tzinfo=UTC)
WHO = Actor("p1", frozenset((party, "curator") for party in ("TRP", "TSI", "SMP", "CRK", "BIA")))
DEVICE = Envelope(device="phone-1", boot="1")
#: What says since when it is known, or which telling it comes from: told otherwise, it may differ.
HOW_TOLD = {"known_from", "known_to", "live", "source_id", "newest_recorded_at"}
Tellings = Sequence[tuple[int, int]]


@pytest.fixture(scope="module")
def database(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """One small world for all stories: each is told in a transaction that is rolled back."""
    with opened(copied(sqlite_template, tmp_path_factory.mktemp("stories") / "world.sqlite3")) as found:
        world = World(found)
        world.ship("T-01", "TRP", "TSI", "2025-03-01T00:00:00Z")
        world.place("TRP-N1", "N")
        world.place("TSI-N1", "D", valid_from="2025-03-14T00:00:00Z")
        registered = "2025-02-01T10:00:00Z"
        world.tell("registered", SAMPLES, registered, item="sample", mass="250 mg", balance="B2")
        world.tell("registered", VIALS, registered, item="container", form="vial")
        world.tell("registered", BOXES, registered, item="container", form="jar")
        yield found


@contextmanager
def rolled_back(database: Database) -> Iterator[sa.Connection]:
    """A transaction that leaves nothing behind."""
    with database.engine.connect().execution_options(writes=True) as connection:
        transaction = connection.begin()
        yield connection
        transaction.rollback()


def fact(story: Sequence[Said], index: int, version: int) -> Told:
    """One telling: a fact (version 0) or one of its amendments."""
    first = story[index]
    original = _told(_id(index, 0), first, first.party, 10 * index)
    if version == 0:
        return original
    event_id, new = _id(index, version), first.instead[version - 1]
    content = {"expected": _id(index, version - 1) if version > 1 else None, "because": "it was otherwise"}
    replacement = _told(event_id, new, first.party, 10 * index + version) if new else None
    subjects = replacement.subjects if replacement else ()
    return Told(
        event_id,
        "amended",
        subjects,
        original.when,
        first.party,
        content,
        {"id": event_id},
        amends=original.id,
        replacement=replacement,
    )


def _id(index: int, version: int) -> str:
    return f"00000000-0000-7000-8000-0000000{index:03}{version:02}"


def _told(event_id: str, said: Said, party: str, sequence: int) -> Told:
    when = When(format_instant(said.at), "device", sequence=sequence)
    return Told(event_id, said.kind, said.subjects, when, party, dict(said.body), {"id": event_id})


def tell(connection: sa.Connection, facts: Sequence[Told], minute: int) -> datetime:
    """Tell facts in one request, and when they were recorded last."""
    clock = TOLD + timedelta(minutes=minute)
    answers = record.tell(connection, WHO, lambda: clock, DEVICE, facts)
    assert all(isinstance(answer, Answer) for answer in answers), answers
    return clock + timedelta(seconds=1)


def known(connection: sa.Connection, known_on: datetime | None = None) -> dict[str, list[dict[str, Any]]]:
    """All that is derived, as known now or on some day, without what says how it was told."""
    kinds = (ItemSpan, Comparison, EventItem, Parentage, MassMove, Flag)
    found = {kind.__name__: _rows(connection, table(kind), known_on) for kind in kinds}
    return found if known_on else {**found, "Item": _plain(_items(connection)), "ItemParty": _parties(connection)}


def _parties(connection: sa.Connection) -> list[dict[str, Any]]:
    kept = {row["number"] for row in _items(connection) if row["owner"] is not None}
    found = rows(connection, sa.select(table(ItemParty)))
    return _plain(row for row in found if row["item"] in kept)


def _items(connection: sa.Connection) -> list[Row]:
    # Whose a number of an unknown series is, only its registration can tell; until then it is with whoever came first.
    # And a number stays taken when all that was told of it is withdrawn.
    told = sa.select(table(EventItem).c.item).where(table(EventItem).c.known_to == FOREVER)
    found = rows(connection, sa.select(table(Item)).where(table(Item).c.number.in_(told)))
    return [{**row, "owner": None} if row["provisional"] else row for row in found]


def _rows(connection: sa.Connection, kind: sa.Table, known_on: datetime | None) -> list[dict[str, Any]]:
    known_then = (kind.c.known_from <= known_on, kind.c.known_to > known_on) if known_on else ()
    found = rows(connection, sa.select(kind).where(*known_then or [kind.c.known_to == FOREVER]))
    return _plain(found)


def _plain(found: Iterable[Row]) -> list[dict[str, Any]]:
    left = ({name: value for name, value in row.items() if name not in HOW_TOLD} for row in found)
    return sorted(left, key=repr)


def in_order(story: Sequence[Said]) -> list[Told]:
    """What is in force, each once, in the order in which it happened."""
    held = []
    for index, said in enumerate(story):
        new = said.in_force
        if new is not None:
            held.append((new.at, _told(_id(index, 0), new, said.party, 10 * index + len(said.instead))))
    return [told for _, told in sorted(held, key=lambda pair: (pair[0], pair[1].when.sequence))]


@st.composite
def tellings(draw: st.DrawFn) -> tuple[list[Said], list[tuple[int, int]]]:
    """A story, and an order of telling it in which amendments follow what they amend."""
    story = draw(amended_stories)
    slots = draw(st.permutations([i for i, said in enumerate(story) for _ in range(1 + len(said.instead))]))
    return story, [(index, slots[:place].count(index)) for place, index in enumerate(slots)]


def weighed_first() -> tuple[list[Said], list[tuple[int, int]]]:
    """A thing told to be in a vial and to be released, that only its weighing shows to be a sample."""
    unknown = (Named("QA1"),)
    story = [
        Said("packed", unknown, 0, "TRP", {"into": "VA1"}),
        Said("released", unknown, 0, "TRP", {"to": "TRP"}),
        Said("weighed", unknown, 0, "TRP", {"mass": "10 mg", "balance": "B2"}),
    ]
    return story, [(0, 0), (2, 0), (1, 0)]


@settings(max_examples=60, deadline=None, report_multiple_bugs=False)
@example(told=weighed_first())
@given(told=tellings())
def test_any_order_of_telling_comes_to_the_same(database: Database, told: tuple[list[Said], Tellings]) -> None:
    """Told in any order, with amendments, it comes to what the facts in force give when told as they happen."""
    story, order = told
    with rolled_back(database) as connection:
        for minute, (index, version) in enumerate(order):
            tell(connection, [fact(story, index, version)], minute)
        mixed = known(connection)
    with rolled_back(database) as connection:
        for minute, one in enumerate(in_order(story)):
            tell(connection, [one], minute)
        straight = known(connection)
    # What was amended may wait for a second person; what was told right at once never does.
    mixed["Flag"] = [flag for flag in mixed["Flag"] if flag["code"] != "unconfirmed"]

    assert mixed == straight


@settings(max_examples=30, deadline=None, report_multiple_bugs=False)
@given(told=tellings())
def test_answers_as_known_on_a_day_never_change(database: Database, told: tuple[list[Said], Tellings]) -> None:
    """What was known when something was told is the same at the end; and spans never overlap nor leave a gap."""
    story, order = told
    with rolled_back(database) as connection:
        seen = []
        for minute, (index, version) in enumerate(order):
            moment = tell(connection, [fact(story, index, version)], minute)
            seen.append((moment, known(connection, moment)))
        for moment, then in seen:
            assert known(connection, moment) == then
            assert_whole(then["ItemSpan"])


def assert_whole(spans: Sequence[dict[str, Any]]) -> None:
    """Each thing has one span at each instant from its first on, for ever."""
    for item in {span["item"] for span in spans}:
        own = sorted((s for s in spans if s["item"] == item), key=lambda s: s["from_at"])
        assert [s["to_at"] for s in own] == [*(s["from_at"] for s in own[1:]), FOREVER]


@settings(max_examples=30, deadline=None, report_multiple_bugs=False)
@given(told=tellings())
def test_one_request_is_as_good_as_many(database: Database, told: tuple[list[Said], Tellings]) -> None:
    """A batch comes to what its facts come to one by one."""
    story, order = told
    facts = [fact(story, index, version) for index, version in order]
    with rolled_back(database) as connection:
        tell(connection, facts, 0)
        together = known(connection)
    with rolled_back(database) as connection:
        for minute, one in enumerate(facts):
            tell(connection, [one], minute)
        singly = known(connection)

    assert together == singly


@settings(max_examples=40, deadline=None, report_multiple_bugs=False)
@given(told=tellings())
def test_an_evaluator_that_shares_nothing_agrees(database: Database, told: tuple[list[Said], Tellings]) -> None:
    """``fsck`` tells each story again from the beginning, by code of its own, and finds what the write path wrote."""
    story, order = told
    with rolled_back(database) as connection:
        for minute, (index, version) in enumerate(order):
            tell(connection, [fact(story, index, version)], minute)

        assert [str(found) for found in fsck.check(connection)] == []
