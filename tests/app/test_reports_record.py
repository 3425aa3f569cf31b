"""Reports of what was told late, and of weighings that do not agree with the book; answers of demo.md 7.4 and 7.5."""

from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.app.reports_record import mass_discrepancies, told_late
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from shipsvc.store.reads_record import COLLECTION, INSTITUTION, ROLE
from tests.app.test_reports import DEMO_NOW, read, somebody, when
from tests.app.test_reports_custody import RELEASE, t_01
from tests.world import World, typed


@pytest.fixture
def world(database: Database) -> World:
    """The same world on each database."""
    return World(database)


# ---------------------------------------------------------------------------------------------------------- told late
def test_told_late_is_strictly_more_than_a_day(world: World) -> None:
    """Rulings 28: 24 h to the second is not late; a parameter or the collection's own setting moves the limit."""
    world.tell("registered", "BRM-0010", "2025-03-10T10:00:00Z", told="2025-03-11T10:00:00Z", item="sample")
    late = world.tell("seen", "BRM-0010", "2025-03-10T10:00:00Z", told="2025-03-11T10:00:01Z")

    (row,) = read(world, told_late)
    assert (row["event_id"], row["late_s"], row["limit_s"]) == (late["id"], 86_401, 86_400)
    assert (row["actor"], row["acting_for"], row["about"]) == ("p-TRP", "TRP", [typed("BRM-0010")])
    assert len(read(world, told_late, after_s=86_399)) == 2
    assert read(world, told_late, after_s=86_401) == []


def test_told_late_goes_by_the_setting_of_the_collection(world: World) -> None:
    """A collection that allows two days counts its own facts by that; what belongs to none is late after one."""
    world.tell("registered", ["BRM-0010", "P-01"], "2025-03-10T10:00:00Z", item="container")
    for item in ("BRM-0010", "P-01"):
        world.tell("seen", item, "2025-03-11T10:00:00Z", told="2025-03-12T12:00:00Z")
    assert len(read(world, told_late)) == 2

    with world.writing() as connection:
        (old,) = connection.execute(sa.select(COLLECTION)).mappings()
        connection.execute(sa.insert(COLLECTION), [{**old, "version": 2, "late_after_s": 172_800}])
    (row,) = read(world, told_late)
    assert (row["about"], row["limit_s"]) == ([typed("P-01")], 86_400)


def test_a16_late_facts_amendments_and_bare_dates(world: World) -> None:
    """A16: E-02 five days late, E-03 seven, E-14 by the weighing's own time; a bare date counts from its end."""
    t_01(world)
    world.tell("registered", "BRM-0011", "2025-02-18T10:30:00Z", item="sample", mass="512.46 mg", balance="B2")
    wrong = world.tell("weighed", "BRM-0011", "2025-04-01T01:00:00Z", "MRL", mass="51.2 mg", balance="B7")
    content: dict[str, Any] = {"amends": wrong["id"], "mass": "512.3 mg", "balance": "B7"}
    right = world.tell("weighed", "BRM-0011", "2025-04-01T01:00:00Z", "MRL", "2025-04-02T23:30:00Z", **content)
    world.tell("seen", "BRM-0011", "2025-04-05", "MRL", "2025-04-06T14:00:00Z")
    # 2025-04-05 ends in Adelaide at 2025-04-05T13:30Z (IANA: ACDT, UTC+10:30), a day before that.

    paper, amended, release, seen = sorted(read(world, told_late), key=lambda row: row["kind"])
    assert (amended["kind"], amended["amended_kind"]) == ("amended", "weighed")
    assert (amended["event_id"], amended["amends"]) == (right["id"], wrong["id"])
    assert amended["late_s"] == timedelta(hours=46, minutes=30).total_seconds()
    assert (paper["party"], paper["acting_for"]) == ("CRK", "TRP")
    assert (release["event_id"], release["late_s"]) == (
        RELEASE,
        timedelta(days=4, hours=21, minutes=25).total_seconds(),
    )
    assert seen["late_s"] == timedelta(hours=24, minutes=30).total_seconds()


def test_a16_institutions_and_roles_told_late(world: World) -> None:
    """A16, E-31 and E-32: a merger told 19 days later, and a person who left 35 days before it was told."""
    merged, told = parse_instant("2026-07-01T00:00:00Z"), parse_instant("2026-07-20T10:00:00Z")
    left = parse_instant("2026-06-15T00:00:00Z")
    with world.writing() as connection:
        institution = {"code": "LSU", "version": 1, "valid_from": merged, "recorded_at": told, "actor": "p06"}
        words = {"because": "merged", "name": "LSU", "kind": "borrower", "zone": "America/Toronto", "altitude_m": 100}
        connection.execute(sa.insert(INSTITUTION), [{**institution, **words}])
        role = {"person": "p15", "institution": "LSU", "role": "responsible", "recorded_at": told, "from_at": left}
        connection.execute(sa.insert(ROLE), [{**role, "granted": False, "actor": "p16"}])

    auditor = somebody("TRP", "auditor")
    newest, other = read(world, told_late, auditor, now=DEMO_NOW)
    found = {row["kind"]: (row["about"], row["late_s"] // 86_400, row["actor"]) for row in (newest, other)}
    assert found == {"institution": (["LSU"], 19, "p06"), "role_changed": (["responsible at LSU"], 35, "p16")}
    assert len(read(world, told_late, "LSU", now=DEMO_NOW)) == 2
    assert read(world, told_late, "SMP", now=DEMO_NOW) == []
    assert read(world, told_late, auditor, known_on="2026-07-20T09:59:59Z", now=DEMO_NOW) == []


def test_told_late_is_for_the_teller_and_the_owner(world: World) -> None:
    """Who told it and who owns the thing see it, also where it was not known yet; another party does not."""
    world.tell("registered", "BRM-0010", "2025-03-10T10:00:00Z", item="sample")
    world.tell("seen", "BRM-0010", "2025-03-11T10:00:00Z", "TSI", "2025-03-20T10:00:00Z")

    assert len(read(world, told_late, "TRP")) == len(read(world, told_late, "TSI")) == 1
    assert read(world, told_late, "SMP") == []
    assert read(world, told_late, "TRP", known_on="2025-03-20T09:00:00Z", now=DEMO_NOW) == []


def test_told_late_page_by_page(world: World) -> None:
    """The last told first, without gap or repetition, also where facts were told in one instant."""
    world.tell("registered", "BRM-0010", "2025-03-10T10:00:00Z", item="sample")
    for day in (20, 20, 21, 22):
        world.tell("seen", "BRM-0010", "2025-03-11T10:00:00Z", told=f"2025-03-{day}T10:00:00Z")

    found, after = [], None
    with world.database.engine.connect() as connection:
        whole = told_late(connection, somebody("TRP"), when(world), None, 100)
        while page := told_late(connection, somebody("TRP"), when(world), after, 1):
            found += page
            after = page[-1].key
    assert len(whole) == 4
    assert found == whole
    assert [entry.key for entry in found] == sorted((entry.key for entry in found), reverse=True)


# -------------------------------------------------------------------------------------------------- mass discrepancies
def weigh_at_receipt(world: World) -> None:
    """demo.md 7.4: 0011 told as 51.2 for 512.3; 0010 agrees; 0022 agrees, below the least mass of its balance."""
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample", mass="1204.3 mg", balance="B1")
    world.tell("registered", "BRM-0011", "2025-02-18T10:30:00Z", item="sample", mass="512.46 mg", balance="B2")
    world.tell("registered", "BRM-0022", "2025-06-20T19:00:00Z", item="sample", mass="30.877 mg", balance="B5")
    for item, lab in (("BRM-0010", "TSI"), ("BRM-0011", "MRL"), ("BRM-0022", "TSI")):
        world.tell("released", item, "2025-06-21T00:00:00Z", to=lab)
    world.tell("weighed", "BRM-0010", "2025-07-14T01:20:00Z", "TSI", mass="1204.2 mg", balance="B6")
    world.tell("weighed", "BRM-0022", "2025-10-10T01:30:00Z", "TSI", mass="30.91 mg", balance="B6")
    world.tell("weighed", "BRM-0011", "2025-10-11T01:00:00Z", "MRL", id=RELEASE, mass="51.2 mg", balance="B7")


def test_discrepancies_are_what_does_not_agree(world: World) -> None:
    """demo.md 7.4, second row: D -461.26 mg at u 0.287 mg, a likely slip; others by their verdict or all together."""
    weigh_at_receipt(world)

    (row,) = read(world, mass_discrepancies)
    assert (row["item"], row["verdict"], row["balance"]) == (typed("BRM-0011"), "likely_slip", "B7")
    assert (row["book_mg"], row["observed_mg"], row["difference_mg"]) == ("512.46", "51.2", "-461.26")
    assert float(row["u_mg"]) == pytest.approx(0.287, abs=0.001)
    assert row["r"] == pytest.approx(-461.26 / float(row["u_mg"]), rel=1e-5)
    agreeing = read(world, mass_discrepancies, verdict="agrees")
    assert [(r["item"], r["marks"]) for r in agreeing] == [
        (typed("BRM-0010"), []),
        (typed("BRM-0022"), ["below_least_mass"]),
    ]
    assert len(read(world, mass_discrepancies, verdict="all")) == 3
    assert read(world, mass_discrepancies, verdict="unexplained_loss") == []


def test_a_discrepancy_is_settled_once_the_book_is_set(world: World) -> None:
    """Promise 6: a person posts a weighing; what did not agree before then stays in the record, and needs nobody."""
    weigh_at_receipt(world)
    posted: dict[str, Any] = {"mass": "51.2 mg", "balance": "B7", "id": "00000000-0000-7000-8000-0000000000ff"}
    world.tell("posted", "BRM-0011", "2025-10-12T01:00:00Z", **posted)

    (row,) = read(world, mass_discrepancies, settled=True)
    assert (row["item"], row["settled_by"]) == (typed("BRM-0011"), posted["id"])
    assert read(world, mass_discrepancies, settled=False) == []
    (before,) = read(world, mass_discrepancies, settled=False, as_of="2025-10-11T12:00:00Z")
    assert (before["item"], before["settled_by"]) == (typed("BRM-0011"), None)
    assert len(read(world, mass_discrepancies)) == 1


def test_discrepancies_as_known_before_and_after_an_amendment(world: World) -> None:
    """A3 and C-09: the slip was flagged until it was amended, and is still what was known then; now it agrees."""
    weigh_at_receipt(world)
    content: dict[str, Any] = {"amends": RELEASE, "mass": "512.3 mg", "balance": "B7"}
    world.tell("weighed", "BRM-0011", "2025-10-11T01:00:00Z", "MRL", "2025-10-12T23:30:00Z", **content)

    (before,) = read(world, mass_discrepancies, known_on="2025-10-12T00:00:00Z", now=DEMO_NOW)
    assert (before["verdict"], before["event_id"]) == ("likely_slip", RELEASE)
    assert read(world, mass_discrepancies, now=DEMO_NOW) == []
    (now,) = [r for r in read(world, mass_discrepancies, now=DEMO_NOW, verdict="all") if r["item"] == typed("BRM-0011")]
    assert (now["verdict"], now["difference_mg"], now["balance"]) == ("agrees", "-0.16", "B7")


def test_an_infinite_ratio_is_null(world: World) -> None:
    """Masses of no known uncertainty that differ: JSON has no infinity (RFC 8259 section 6), so r is null."""
    world.tell("registered", "BRM-0010", "2025-02-18T10:30:00Z", item="sample", mass="1204.3 mg")
    world.tell("weighed", "BRM-0010", "2025-03-14T01:20:00Z", mass="1204.2 mg")

    (row,) = read(world, mass_discrepancies)
    assert (row["u_mg"], row["r"], row["difference_mg"]) == ("0", None, "-0.1")


def test_discrepancies_are_for_the_owner_and_for_who_weighed_as_a_party(world: World) -> None:
    """A borrower sees its own weighings; a stranger may tell one and learns nothing of the book (rulings 17)."""
    weigh_at_receipt(world)
    world.tell("weighed", "BRM-0010", "2025-11-14T01:20:00Z", "SMP", mass="900 mg", balance="B5")

    def items(who: str) -> list[str]:
        return [row["item"] for row in read(world, mass_discrepancies, who, verdict="all")]

    assert len(items("TRP")) == 4
    assert items("TSI") == [typed("BRM-0010"), typed("BRM-0022")]
    assert items("MRL") == [typed("BRM-0011")]
    assert items("SMP") == []


def test_discrepancies_page_by_page(world: World) -> None:
    """By item, then time, then fact: two weighings in one instant both have their place."""
    weigh_at_receipt(world)
    for mass in ("1204.1 mg", "1204.0 mg"):
        world.tell("weighed", "BRM-0010", "2025-07-14T01:20:00Z", "TSI", mass=mass, balance="B6")

    found, after = [], None
    with world.database.engine.connect() as connection:
        whole = mass_discrepancies(connection, somebody("TRP"), when(world, now=DEMO_NOW), None, 100, verdict="all")
        while page := mass_discrepancies(
            connection, somebody("TRP"), when(world, now=DEMO_NOW), after, 1, verdict="all"
        ):
            found += page
            after = page[-1].key
    assert len(whole) == 5
    assert found == whole
