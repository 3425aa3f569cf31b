"""Running sums by family, holder, balance, person and operation, and the cases that they open (issue: drift)."""

from typing import Any

import pytest

from shipsvc.app.drift import GROUPINGS, drifts
from shipsvc.domain.mass import Balance, Mass
from shipsvc.store.engine import Database
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
