"""Balances, drift, families and reconciliations, on the acts of demo.md T7 and T17, on both databases."""

from itertools import pairwise
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.app import families
from shipsvc.app.drift import drifts
from shipsvc.app.mass_balance import material_balance
from shipsvc.app.reserves import reserve
from shipsvc.domain import errors
from shipsvc.domain.mass import Mass
from shipsvc.domain.times import parse_instant
from shipsvc.store.engine import Database
from shipsvc.store.reads_record import COLLECTION
from tests.app.test_reports import read, somebody
from tests.app.test_reports import when as moment_of
from tests.world import World, typed

B1: dict[str, Any] = {"balance": "B1"}
STOCK = typed("BRM-0016")
ALIQUOTS = [
    ("2025-04-02", {"0017": "250.12", "0018": "250.31", "0019": "248.79", "0020": "251.06"}, "4020.5"),
    ("2025-06-10", {"0025": "100.22"}, "3919.9"),
    ("2025-09-01", {"0026": "150.41"}, "3769.1"),
    ("2026-01-15", {"0027": "75.08"}, "3693.7"),
    ("2026-05-06", {"0028": "200.35"}, "3493.0"),
    ("2026-09-18", {}, "3492.6"),
]


@pytest.fixture
def world(database: Database) -> World:
    """The same world on each database."""
    return World(database)


def stock(world: World) -> None:
    """The powder stock of demo.md 7.6, from its weighing on; each rest weighed, and the book set to it."""
    world.tell("accessioned", "BRM-0016", "2025-02-25T15:00:00Z", mass="5021.2 mg", material="powder", **B1)
    for day, taken, rest in ALIQUOTS:
        if taken:
            pieces = [{"number": f"BRM{n}", "mass": f"{m} mg", "balance": "B2"} for n, m in taken.items()]
            world.tell("divided", "BRM-0016", f"{day}T09:00:00Z", children=pieces)
        world.tell("weighed", "BRM-0016", f"{day}T10:00:00Z", mass=f"{rest} mg", **B1)
        world.tell("posted", "BRM-0016", f"{day}T18:00:00Z", mass=f"{rest} mg", **B1)


def mixture(world: World) -> None:
    """M03 and M12 in short: fines off stone 1, mixed with dust."""
    world.tell("accessioned", "BRM-0001", "2025-01-27T10:00:00Z", mass="1000 mg", **B1)
    world.tell("accessioned", "BRM-0005", "2025-01-27T10:00:00Z", mass="42588 mg", **B1)
    fines = [{"number": "BRM0009", "mass": "871.6 mg", **B1}]
    world.tell("divided", "BRM-0001", "2025-02-03T10:00:00Z", children=fines)
    parts = [{"number": "BRM0009", "mass": "400 mg", **B1}, {"number": "BRM0005", "mass": "1600.4 mg", **B1}]
    world.tell("combined", "BRM-0024", "2025-11-12T10:00:00Z", mass="1997.9 mg", material="powder", parents=parts, **B1)


def balance(world: World, **asked: Any) -> dict[str, Any]:
    """The lines of a balance, in mg."""
    return {row["line"]: row["mass_mg"] for row in read(world, material_balance, **asked)}


def test_the_drift_of_the_stock(world: World) -> None:
    """Demo.md 7.6 and A9: -2.26 mg at 0.316, -7.2 u, though each step agrees; known on the way, less of it."""
    stock(world)

    (row,) = read(world, drifts)

    assert (row["item"], row["steps"], row["difference_mg"], row["alarm"]) == (STOCK, 6, "-2.26", "both")
    assert float(row["u_mg"]) == pytest.approx(0.316, abs=0.0005)
    assert row["r"] == pytest.approx(-7.2, abs=0.06)
    assert row["chart_low"] == pytest.approx(4.35, abs=0.006)
    (row,) = read(world, drifts, as_of="2025-07-01T00:00:00Z")
    assert (row["steps"], row["difference_mg"], row["alarm"]) == (2, "-0.8", "none")
    assert read(world, drifts, who=somebody("TSI")) == []


def test_drift_page_by_page(world: World) -> None:
    """A page is full where there is more, however many samples between have something unexplained and no posting."""
    for n in range(1, 9):
        name = f"BRM-000{n}"
        world.tell("accessioned", name, "2025-01-27T10:00:00Z", mass="1000 mg", **B1)
        if n in (1, 4, 8):
            world.tell("posted", name, "2025-02-27T10:00:00Z", mass="999 mg", **B1)
        else:
            world.tell("used", name, "2025-02-27T10:00:00Z", mass="999 mg", all=True, **B1)

    pages: list[list[str]] = []
    after: tuple[str, ...] | None = None
    while rows := read(world, drifts, limit=2, after=after):
        pages.append([row["item"] for row in rows])
        after = (rows[-1]["item"].replace("-", "")[:-1],)

    assert pages == [[typed("BRM-0001"), typed("BRM-0004")], [typed("BRM-0008")]]


def test_a_rebasis_is_no_drift(world: World) -> None:
    """Trade case 53: what an estimate was off by is not lost, and the steps before it are not those after it."""
    world.tell("accessioned", "BRM-0001", "2025-01-19T10:00:00Z", mass="220 g", method="estimated")
    world.tell("posted", "BRM-0001", "2025-01-20T10:00:00Z", mass="219 g", method="estimated")
    world.tell("rebased", "BRM-0001", "2025-01-27T10:00:00Z", mass="221.408 g", **B1)
    assert read(world, drifts) == []
    world.tell("posted", "BRM-0001", "2025-02-27T10:00:00Z", mass="221.407 g", **B1)

    (row,) = read(world, drifts)

    assert (row["steps"], row["difference_mg"]) == (1, "-1")
    lines = balance(world)
    assert (lines["received"], lines["rebased"], lines["unexplained"]) == ("220000", "2408", "1001")
    assert lines["closing"] == "221407"


def test_a_balance_closes_for_every_period(world: World) -> None:
    """Opening and all that came less all that went is what is there; the closing of one period opens the next."""
    stock(world)
    days = [None, *(parse_instant(f"{day}T12:00:00Z") for day, _, _ in ALIQUOTS), parse_instant("2026-11-25T12:00:00Z")]
    closing = "0"
    for since, until in pairwise(days):
        assert until is not None
        lines = balance(world, as_of=until.isoformat(), since=since, family=STOCK)
        came = sum(float(lines[name]) for name in ("opening", "received", "rebased", "moved_in"))
        went = sum(
            float(mass) for name, mass in lines.items() if name.startswith(("moved_out", "used", "unexp", "work"))
        )
        assert lines["opening"] == closing
        assert float(lines["closing"]) == pytest.approx(came - went)
        closing = lines["closing"]
    assert closing == "5018.94"  # 5021.2 less 2.26, in stock and in its aliquots


def test_what_weighing_again_said(world: World) -> None:
    """Counted is what the last weighings in the period say; what the book was set to since differs no more."""
    stock(world)
    noon, evening = "2026-09-18T12:00:00Z", "2026-09-18T20:00:00Z"
    since = parse_instant("2026-09-17T00:00:00Z")

    rows = {row["line"]: row for row in read(world, material_balance, as_of=noon, since=since)}

    assert (rows["counted"]["mass_mg"], rows["counted"]["samples"]) == ("3492.6", 1)
    assert (rows["difference"]["mass_mg"], rows["not_counted"]["samples"]) == ("-0.4", 8)
    assert float(rows["difference"]["u_mg"]) == pytest.approx(0.306, abs=0.0005)  # demo.md 7.6
    assert balance(world, as_of=evening, since=since)["difference"] == "0"
    total = float(rows["counted"]["mass_mg"]) + float(rows["not_counted"]["mass_mg"])
    assert total == pytest.approx(float(rows["closing"]["mass_mg"]) + float(rows["difference"]["mass_mg"]))


def test_whose_balance_it_is(world: World) -> None:
    """The owner's people and auditors; others are told of nothing, as of what is not there."""
    stock(world)
    assert balance(world, collection="BRM") == balance(world) == balance(world, family=STOCK)
    assert balance(world, who=somebody("TSI"))["closing"] == "0"
    for scope in ({"collection": "BRM"}, {"collection": "NONE"}, {"family": STOCK}):
        with pytest.raises(errors.NotFound):
            balance(world, who=somebody("TSI"), **scope)
    with pytest.raises(errors.Malformed):
        balance(world, collection="BRM", family=STOCK)


def test_what_the_mixture_is_made_of(world: World) -> None:
    """A10: 20.00 % from 0001 by way of 0009, 80.00 % from 0005; and it is of neither's family alone."""
    mixture(world)
    with world.database.engine.connect() as connection:
        found = families.of(connection, somebody("TRP"), moment_of(world), typed("BRM-0024"))
    shares = [(one.item, f"{float(100 * one.share):.2f}", one.via) for one in found.origins]

    assert shares == [("BRM0005", "80.00", ()), ("BRM0001", "20.00", ("BRM0009",))]
    assert [one.row["number"] for one in found.members] == ["BRM0001", "BRM0005", "BRM0009", "BRM0024"]
    lines = balance(world, family=typed("BRM-0001"))
    assert (lines["moved_out"], lines["closing"]) == ("400", "600")
    assert balance(world, family=typed("BRM-0024"))["moved_in"] == "2000.4"


def test_a_stranger_sees_no_family(world: World) -> None:
    """Rulings 16: who has nothing to do with a sample is told that there is none."""
    mixture(world)
    with world.database.engine.connect() as connection, pytest.raises(errors.NotFound):
        families.of(connection, somebody("TSI"), moment_of(world), typed("BRM-0024"))


# ------------------------------------------------------------------------------------------------------------- reserve
STONES = {"0002": "118652", "0003": "64037", "0004": "39515", "0005": "42588", "0006": "131972", "0007": "89436"}


def test_how_much_of_the_reserve_may_go(world: World) -> None:
    """A8 and demo.md 7.2: 486 200 mg, floor 70 %, reserve 354 176, headroom 13 836: 16 g may not go."""
    for name, mass in STONES.items():
        kept = name in {"0002", "0003", "0004", "0006"}
        words: dict[str, Any] = {"item": "sample", "mass": f"{mass} mg", "reserve": kept}
        world.tell("registered", f"BRM-{name}", "2025-01-27T10:00:00Z", **B1, **words)
    assert read(world, reserve, collection="BRM")[0]["headroom_mg"] is None
    with world.writing() as connection:
        (old,) = connection.execute(sa.select(COLLECTION)).mappings()
        connection.execute(sa.insert(COLLECTION), [{**old, "version": 2, "reserve_floor_ppm": 700_000}])

    (row,) = read(world, reserve, collection="BRM", take=Mass.parse("16 g"))

    told = [row[name] for name in ("accession_mg", "floor_mg", "reserve_mg", "headroom_mg", "samples", "allowed")]
    assert told == ["486200", "340340", "354176", "13836", 4, False]
    assert read(world, reserve, collection="BRM", take=Mass.parse("13836 mg"))[0]["allowed"] is True
    assert read(world, reserve, collection="BRM", take=Mass.parse("13836.000001 mg"))[0]["allowed"] is False
    with pytest.raises(errors.NotFound):
        read(world, reserve, "TSI", collection="BRM")


def test_what_is_kept_is_said_when_it_is_registered(world: World) -> None:
    """A piece is not kept because its parent is. Registering again takes nothing out, and others than the owner put
    nothing in: that is for decisions of the owner (``app.reserve_marks``)."""
    words: dict[str, Any] = {"item": "sample", "mass": "100 mg", "reserve": True}
    world.tell("registered", ["BRM-0001", "BRM-0003"], "2025-01-27T10:00:00Z", **B1, **words)
    pieces = [{"number": "BRM0002", "mass": "10 mg", **B1}, {"number": "BRM0003", "mass": "5 mg", **B1}]
    world.tell("divided", "BRM-0001", "2025-02-03T10:00:00Z", children=pieces)

    (row,) = read(world, reserve, collection="BRM")
    assert (row["reserve_mg"], row["samples"]) == ("90", 2)

    world.tell("registered", "BRM-0001", "2025-03-01T10:00:00Z", item="sample", reserve=False)
    world.tell("released", "BRM-0002", "2025-03-01T11:00:00Z", to="SMP")
    world.tell("registered", "BRM-0002", "2025-03-02T10:00:00Z", "SMP", item="sample", reserve=True)
    assert read(world, reserve, collection="BRM")[0]["reserve_mg"] == "90"
