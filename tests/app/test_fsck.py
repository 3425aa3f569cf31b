"""The checker finds nothing in a world told through the door, and each thing that was changed behind its back.

The expected values are made by an evaluator that shares nothing with the write path; that the two agree on random
stories is in tests/properties/test_record.py.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from shipsvc.app import fsck, record
from shipsvc.app.access import Actor
from shipsvc.app.told import Told, When
from shipsvc.cli import app
from shipsvc.domain.facts import Named
from shipsvc.store.engine import Database
from tests.world import World

USED = "00000000-0000-7000-8000-00000000000a"
SEEN = "00000000-0000-7000-8000-00000000000b"
NOTED = "00000000-0000-7000-8000-00000000000c"


def tell(world: World) -> None:
    """A little of everything: a loan with its trip, told out of order, a use, a split, an amendment, a withdrawal."""
    world.ship("T-01", "TRP", "TSI", "2025-03-01T00:00:00Z")
    registered = "2025-02-18T10:00:00Z"
    world.tell("registered", ["V-011", "V-012"], registered, item="container", form="vial")
    world.tell("registered", ["J-01", "P-01"], registered, item="container", form="jar")
    world.tell("registered", "BRM-0011", registered, item="sample", mass="512.46 mg", balance="B2")
    world.tell("packed", "BRM-0011", "2025-02-18T10:30:00Z", into="V011", material=True)
    world.tell("stored", "BRM-0011", "2025-02-18T10:35:00Z", place="TRP-GB1")
    loan: dict[str, Any] = {"loan": "L-01", "lender": "TRP", "borrower": "TSI", "term_months": 6, "zone": "Asia/Tokyo"}
    world.tell("loan_signed", "BRM-0011", "2025-03-01T10:00:00Z", **loan)
    late = "2025-03-17T09:00:00Z"
    world.tell("accepted", "P-01", "2025-03-14T00:10:00Z", "TSI", "2025-03-14T00:12:00Z", from_="CRK", shipment="T-01")
    world.tell("packed", "BRM-0011", "2025-03-10T08:40:00Z", told=late, into="J01")
    world.tell("packed", "J-01", "2025-03-10T08:41:00Z", told=late, into="P01")
    world.tell("released", "P-01", "2025-03-10T10:05:00Z", told=late, to="CRK", shipment="T-01")
    weighed = "2025-03-14T01:20:00Z"
    world.tell("weighed", "V-011", weighed, "TSI", late, mass="512.5 mg", balance="B6")
    world.tell("used", "V-011", "2025-04-01T10:00:00Z", "TSI", id=USED, mass="50 mg", balance="B6", all=True)
    told = "2025-04-03T10:00:00Z"
    world.tell("used", "V-011", "2025-04-01T10:00:00Z", "TSI", told, amends=USED, mass="5.0 mg", balance="B6")
    pieces = [{"number": "BRM0012", "mass": "100 mg", "balance": "B6"}]
    world.tell("divided", "BRM-0011", "2025-04-05T10:00:00Z", "TSI", children=pieces)
    world.tell("seen", "J-01", "2025-04-06T10:00:00Z", "SMP", id=SEEN)
    world.tell("seen", "J-01", "2025-04-06T10:00:00Z", "SMP", amends=SEEN, withdraw=True, told="2025-04-07T10:00:00Z")
    world.tell("label_attached", "BRM-0012.1", "2025-04-08T10:00:00Z", "TSI", to="V012")


@pytest.fixture
def world(sqlite_database: Database) -> World:
    """That world on SQLite, where a test can change what the guards forbid."""
    found = World(sqlite_database)
    tell(found)
    return found


def findings(world: World) -> list[str]:
    """What the checker says."""
    with world.database.engine.connect() as connection:
        return [str(found) for found in fsck.check(connection)]


@contextmanager
def unguarded(world: World) -> Iterator[sa.Connection]:
    """A transaction in which no trigger refuses anything: somebody with the file in an editor."""
    with world.writing() as connection:
        wanted = sa.text("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for name in connection.execute(wanted).scalars().all():
            connection.exec_driver_sql(f'DROP TRIGGER "{name}"')
        yield connection


def test_nothing_is_found_where_nothing_is_wrong(database: Database) -> None:
    """On either database: what the write path made is what the evaluator makes of the same facts."""
    world = World(database)
    tell(world)

    assert findings(world) == []


# In full: SQLite would compare '9999' as a number, which every text is greater than.
NOW = "known_to = '9999-12-31 23:59:59.000000'"
PAST = "known_to <> '9999-12-31 23:59:59.000000'"
#: How the world is damaged: a statement, and words of a finding that must come of it.
DAMAGES = {
    "a span moved": (
        "UPDATE item_span SET from_at = '2025-03-14 00:20:00.000000' WHERE item = 'P01' AND handover = 'agreed'"
        f" AND certain = 'TSI' AND {NOW}",
        "P01 at 2025-03-14T00:10:00Z: certain: expected TSI, found None",
    ),
    "a mass changed": (
        f"UPDATE item_span SET mass_ng = mass_ng - 1000 WHERE item = 'BRM0012' AND {NOW}",
        "BRM0012 at 2025-04-05T10:00:00Z: mass_ng: expected 100000000, found 99999000",
    ),
    "an uncertainty changed": (
        f"UPDATE item_span SET variance = 0 WHERE item = 'BRM0011' AND {NOW}",
        "BRM0011 at 2025-02-18T10:00:00Z: variance",
    ),
    "a holder changed": (
        f"UPDATE item_span SET certain = 'SMP', holder = 'SMP' WHERE item = 'V011' AND live = 1 AND {NOW}",
        "V011 at 2025-03-14T00:10:00Z: certain: expected TSI, found SMP",
    ),
    "a due date changed": (
        f"UPDATE item_span SET due_on = '2026-09-14' WHERE item = 'BRM0011' AND line <> 'none' AND {NOW}",
        "BRM0011 at 2025-03-14T00:10:00Z: due_on: expected 2025-09-14, found 2026-09-14",
    ),
    "a nest changed": (
        f"UPDATE item_span SET parent = 'P01' WHERE item = 'V011' AND live = 1 AND {NOW}",
        "V011 at 2025-03-14T00:10:00Z: parent: expected J01, found P01",
    ),
    "a span deleted": (
        f"DELETE FROM item_span WHERE item = 'J01' AND status = 'in_transit' AND {NOW}",
        "J01 at 2025-03-10T10:05:00Z: status: expected in_transit, found unknown",
    ),
    "a span of the past forgotten": (
        f"DELETE FROM item_span WHERE item = 'P01' AND handover = 'taker_only' AND {PAST}",
        "P01 at 2025-02-18T10:00:00Z: the last span ends as known on 2025-03-14 00:12:00",
    ),
    "an old span said to be live": (
        f"UPDATE item_span SET live = 1 WHERE item = 'P01' AND {PAST}",
        "P01 at 2025-03-14T00:10:00Z: live: expected 0, found 1",
    ),
    "knowledge that began at no telling": (
        "UPDATE item_span SET known_from = '2025-03-16 00:00:00.000000' WHERE item = 'P01'"
        " AND known_from = '2025-03-14 00:12:00.000000'",
        "known from or to a moment when nothing was recorded",
    ),
    "a span laid over another": (
        f"UPDATE item_span SET to_at = '9999-12-31 23:59:59.000000' WHERE item = 'P01' AND live = 0 AND {NOW}",
        "overlap as known on",
    ),
    "a finding aid lost": (
        f"DELETE FROM event_item WHERE item = 'BRM0011' AND kind = 'weighed' AND {NOW}",
        "event_item of BRM0011",
    ),
    "a fact said to bear on another thing": (
        f"UPDATE event_item SET item = 'V012' WHERE item = 'BRM0011' AND kind = 'weighed' AND {NOW}",
        "event_item of V012",
    ),
    "a verdict changed": (
        "UPDATE comparison SET verdict = 'unexplained_loss'",
        "verdict: expected agrees, found unexplained_loss",
    ),
    "a parent denied": ("DELETE FROM parentage", "parentage of BRM0012 BRM0011"),
    "a flag removed": ("DELETE FROM flag", "flag of"),
    "an item renamed": ("UPDATE item SET what = 'gold' WHERE number = 'J01'", "J01: what: expected , found gold"),
    "the newest time set back": (
        "UPDATE item SET newest_recorded_at = '2025-01-01 00:00:00.000000' WHERE number = 'J01'",
        "J01: newest_recorded_at",
    ),
    "words changed": (
        f"UPDATE event SET body = replace(body, '5.0 mg', '9.0 mg') WHERE amends = '{USED}'",
        "the row_digest does not fit the row",
    ),
    "the teller changed": (
        f"UPDATE event SET actor = 'p-SMP' WHERE id = '{USED}'",
        f"fact {USED}: the digest does not fit the row",
    ),
    "a fact deleted": (
        "DELETE FROM event WHERE kind = 'released'",
        "P01 at 2025-03-10T10:05:00Z: claimed: expected None, found CRK",
    ),
    "an amendment deleted": (
        f"DELETE FROM event WHERE amends = '{SEEN}'",
        f"event_item of J01 {SEEN}: the row: expected one, found None",
    ),
    "an original deleted": (f"DELETE FROM event WHERE id = '{SEEN}'", "it amends what was not recorded before it"),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_what_was_changed_is_found(world: World, name: str) -> None:
    """Each damage changes at least one row, and the checker says where."""
    statement, words = DAMAGES[name]
    with unguarded(world) as connection:
        assert connection.exec_driver_sql(statement).rowcount > 0

    found = findings(world)

    assert any(words in one for one in found), "\n".join(found) or "nothing was found"


def test_a_note_is_proved_and_may_be_erased(world: World) -> None:
    """Rulings 7: a changed note is found; one that was erased with its salt is not missed."""
    when = When("2025-05-01T10:00:00Z")
    noted = Told(NOTED, "condition_noted", (Named("J01"),), when, "TSI", {}, {"id": NOTED}, note="wet lid")
    actor = Actor("p-TSI", frozenset({("TSI", "clerk")}))
    with world.writing() as connection:
        record.append(connection, actor, lambda: datetime(2025, 5, 2, tzinfo=UTC), noted)
    assert findings(world) == []
    damage(world, "UPDATE note SET text = 'dry lid'")
    assert [one.partition(": expected")[0] for one in findings(world)] == [
        f"fact {NOTED}: the note is not the one that was told"
    ]
    damage(world, "DELETE FROM note")

    assert findings(world) == []


def damage(world: World, statement: str) -> None:
    """Run one statement unguarded."""
    with unguarded(world) as connection:
        connection.exec_driver_sql(statement)


@pytest.fixture
def command(world: World, monkeypatch: pytest.MonkeyPatch) -> Callable[[], tuple[int, str]]:
    """The command on that world: its exit code and what it printed."""
    monkeypatch.setenv("SHIPSVC_DATABASE_URL", str(world.database.engine.url))

    def run() -> tuple[int, str]:
        result = CliRunner().invoke(app, ["fsck"])
        return result.exit_code, result.stdout

    return run


def test_the_command_says_so_by_its_exit_code(world: World, command: Callable[[], tuple[int, str]]) -> None:
    """0 where all is well, 1 and a line for each difference where it is not."""
    assert command() == (0, "17 facts read, 0 differences.\n")

    damage(world, "UPDATE item SET what = 'gold' WHERE number = 'J01'")

    assert command() == (1, "J01: what: expected , found gold\n17 facts read, 1 differences.\n")
