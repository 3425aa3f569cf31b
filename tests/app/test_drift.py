"""Running sums by family, holder, balance, person and operation, and the cases that they open (issue: drift)."""

from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from shipsvc.app.drift import GROUPINGS, drifts
from shipsvc.domain.mass import Balance, Mass
from shipsvc.store.engine import Database
from shipsvc.store.tables import table
from shipsvc.store.tables_cases import CaseCause, CaseEntry, CaseItem, CaseRecord
from tests.app.test_reports import read, somebody
from tests.app.test_reports_mass import STOCK, stock
from tests.world import World, typed

B2: dict[str, Any] = {"balance": "B2"}


@pytest.fixture
def world(database: Database) -> World:
    """The same world on each database."""
    return World(database)


def family(world: World) -> None:
    """The stock of demo.md 7.6; one of its vials goes to SMP and comes back 1.2 mg short, as does another sample."""
    stock(world)
    world.tell("accessioned", "BRM-0030", "2026-09-18T09:00:00Z", mass="500 mg", **B2)
    for number, rest in (("BRM-0025", "99.02"), ("BRM-0030", "498.8")):
        loan: dict[str, Any] = {"loan": f"L-{number[-2:]}", "lender": "TRP", "borrower": "SMP"}
        world.tell("loan_signed", number, "2026-09-19T08:00:00Z", due_on="2026-12-31", zone="UTC", **loan)
        world.tell("released", number, "2026-09-19T10:00:00Z", to="SMP")
        world.tell("accepted", number, "2026-09-20T10:00:00Z", "SMP", from_="TRP")
        world.tell("used", number, "2026-09-21T10:00:00Z", "SMP", mass="0 mg", balance="B2")
        world.tell("released", number, "2026-09-22T10:00:00Z", "SMP", to="TRP")
        world.tell("accepted", number, "2026-09-23T10:00:00Z", from_="SMP")
        weighed = world.tell("weighed", number, "2026-09-24T10:00:00Z", mass=f"{rest} mg", **B2)
        body = {"weighing": weighed["id"], "mass": f"{rest} mg", **B2}
        world.tell("posted", number, "2026-09-24T18:00:00Z", **body)


def by_key(world: World, by: str) -> dict[str, dict[str, Any]]:
    """The rows of the report."""
    return {row["group"]: row for row in read(world, drifts, by=by)}


def cases(world: World) -> list[dict[str, Any]]:
    """The cases in the order in which they were opened, each with what it is about, its causes, and its entries."""
    parts = {"items": ("item", CaseItem), "causes": ("key", CaseCause), "entries": ("what", CaseEntry)}
    found = sorted((row for row in world.all(CaseRecord) if row["version"] == 1), key=lambda row: row["recorded_at"])
    return [
        {
            **row,
            **{
                name: sorted(one[column] for one in world.all(kind) if one["case_code"] == row["code"])
                for name, (column, kind) in parts.items()
            },
        }
        for row in found
    ]


def test_each_step_belongs_to_one_group(world: World) -> None:
    """The sums over the groups are the sum over the samples, whichever way they are put together."""
    family(world)
    total = sum(Mass.parse(f"{row['difference_mg']} mg").ng for row in read(world, drifts))
    assert total == Mass.parse("-4.66 mg").ng
    for by in GROUPINGS:
        rows = by_key(world, by).values()
        assert sum(Mass.parse(f"{row['difference_mg']} mg").ng for row in rows) == total, by
        assert sum(row["steps"] for row in rows) == 8


def test_a_family_shares_the_weighing_of_a_vial(world: World) -> None:
    """The vial was weighed once, out of the stock and into its own account: in the family that counts for nothing."""
    family(world)
    rows = by_key(world, "family")
    (row,) = (row for key, row in rows.items() if key == STOCK)
    u_b1, u_b2 = Balance(100_000, 150_000).net_uncertainty_ng, Balance(10_000, 20_000).net_uncertainty_ng
    # Two ends on B1; of eight vials on B2 one counts for nothing, but its end and what was used of it do.
    expected = (2 * u_b1**2 + 7 * u_b2**2 + 2 * u_b2**2) ** 0.5 / 1e6
    assert (row["samples"], row["steps"], row["difference_mg"], row["item"]) == (2, 7, "-3.46", STOCK)
    assert float(row["u_mg"]) == pytest.approx(expected, abs=1e-6)
    assert rows.keys() == {STOCK, typed("BRM-0030")}


def test_who_had_it_on_which_balance_and_what_was_done(world: World) -> None:
    """On loan it is the borrower's, else the holder's; two loans of one holder are independent events."""
    family(world)
    holders = by_key(world, "holder")
    assert {key: (row["difference_mg"], row["steps"]) for key, row in holders.items()} == {
        "SMP": ("-2.4", 2),
        "TRP": ("-2.26", 6),
    }
    u_b2 = Balance(10_000, 20_000).net_uncertainty_ng
    each = 1.2e6 / (u_b2 * 3**0.5)  # two ends, and what was used: nothing, as weighed
    assert holders["SMP"]["chart_low"] == pytest.approx(2 * (each - 0.5), rel=1e-6)
    assert by_key(world, "balance").keys() == {"B1", "B2"}
    done = {key: row["steps"] for key, row in by_key(world, "operation").items()}
    assert done == {"divided": 5, "kept": 1, "used": 2}
    assert [row["steps"] for row in by_key(world, "person").values()] == [8]
    assert read(world, drifts, who=somebody("TSI"), by="holder") == []


def test_groups_page_by_page(world: World) -> None:
    """A page goes on behind the key of the last row."""
    family(world)
    first = read(world, drifts, by="operation", limit=2)
    rest = read(world, drifts, by="operation", limit=2, after=(first[-1]["group"],))
    assert [row["group"] for row in [*first, *rest]] == ["divided", "kept", "used"]


def test_one_posting_opens_one_case_which_names_each_group(world: World) -> None:
    """C-12 of demo.md: small as each step is, the third sum is the first over 3 u. The sixth, -2.26 mg and -7.2 u, is
    beyond twice the limit: an entry in the same case."""
    stock(world)
    (case,) = cases(world)
    assert (case["rule"], case["internal"], case["hold"], case["kind"]) == ("drift", True, False, "mass")
    assert case["items"] == ["BRM0016"]
    first, *groups = case["what"].splitlines()
    assert first == "What is unexplained adds up to more than weighing explains."
    assert [line.split()[0] for line in groups] == ["Sample", *(by.capitalize() for by in GROUPINGS)]
    assert groups[0].startswith(f"Sample {STOCK}: -1.19 mg in 3 steps of 1 sample since 2025-02-25 15:00 UTC, limit 0.")
    (entry,) = case["entries"]
    assert f"Sample {STOCK}: -2.26 mg in 6 steps" in entry
    assert entry.endswith("Named here before.")
    assert {cause.split()[0] for cause in case["causes"]} == {"sample", *GROUPINGS}


def test_no_alarm_opens_no_case(world: World) -> None:
    """A posting that agrees, and one that takes back what alarmed, open none."""
    world.tell("accessioned", "BRM-0030", "2026-09-18T09:00:00Z", mass="500 mg", **B2)
    world.tell("posted", "BRM-0030", "2026-09-19T09:00:00Z", mass="500.01 mg", **B2)
    assert cases(world) == []


def decided(world: World, code: str) -> None:
    """Somebody has decided the case."""
    (row,) = (row for row in world.all(CaseRecord) if row["code"] == code)
    later = {"version": 2, "state": "decided", "decision": "dried", "recorded_at": world.clock + timedelta(seconds=1)}
    with world.writing() as connection:
        connection.execute(sa.insert(table(CaseRecord)), [{**row, **later}])


def lost(world: World, number: str, day: int, rest: str, balance: str = "B2", **more: Any) -> None:
    """A sample of 500 mg in September that is posted with less in October."""
    world.tell("accessioned", number, f"2026-09-{day:02}T08:00:00Z", mass="500 mg", balance=balance)
    world.tell("posted", number, f"2026-10-{day:02}T08:00:00Z", mass=f"{rest} mg", balance=balance, **more)


def test_what_alarms_later_joins_the_case_that_is_open(world: World) -> None:
    """Two more samples lose 1.2 mg each at SMP: of the same family or by the same person as what the case names."""
    family(world)
    (case,) = cases(world)
    assert case["items"] == ["BRM0016", "BRM0025", "BRM0030"]
    assert len(case["entries"]) == 3
    assert sum(f"Sample {typed('BRM-0030')}: -1.2 mg in 1 step of 1 sample" in one for one in case["entries"]) == 1
    assert len(case["causes"]) == len(set(case["causes"]))
    assert {"holder SMP loss 3", "sample BRM0025 loss 3", "sample BRM0030 loss 3"} <= set(case["causes"])


def test_what_is_told_opens_nothing_and_what_is_decided_takes_up_nothing(world: World) -> None:
    """A sum that is as far beyond its limit as before is silent, decided or not; another sample opens another case,
    which names nothing that was told."""
    lost(world, "BRM-0030", 1, "499.5")
    (case,) = cases(world)
    world.tell("posted", "BRM-0030", "2026-10-02T08:00:00Z", mass="499.49 mg", **B2)
    assert cases(world) == [case]
    decided(world, case["code"])
    world.tell("posted", "BRM-0030", "2026-10-03T08:00:00Z", mass="499.48 mg", **B2)
    assert len(cases(world)) == 1

    lost(world, "BRM-0031", 4, "499.5")

    (_, other) = cases(world)
    assert other["items"] == ["BRM0031"]
    named = [line.split(":")[0] for line in other["what"].splitlines()[1:]]
    assert named == [f"Sample {typed('BRM-0031')}", f"Family {typed('BRM-0031')}"]


def test_what_explains_the_others_comes_first(world: World) -> None:
    """Three samples lose 2 u each on one balance, after a fourth gained a third of u on another: no sample alarms, and
    without the steps on that balance neither would the holder nor what was done."""
    u_mg = 2**0.5 * Balance(10_000, 20_000).net_uncertainty_ng / 1e6
    lost(world, "BRM-0040", 1, "500.1", "B1")
    for day, number in enumerate(("BRM-0030", "BRM-0031", "BRM-0032"), start=2):
        lost(world, number, day, f"{500 - 2 * u_mg:.3f}", actor=f"p{day}")
    (case,) = cases(world)
    named = [line.split(":")[0] for line in case["what"].splitlines()[1:]]
    assert named == ["Balance B2", "Holder TRP", "Operation kept"]
    assert case["items"] == ["BRM0030", "BRM0031", "BRM0032"]
