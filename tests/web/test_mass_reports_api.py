"""Balances, drift, families and reconciliations over HTTP: shapes, files, and who may ask."""

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.chip import CHIP, NUMBERS, receive_chip, send_chip
from tests.web.collection import Collection, collection

LOAN = {
    "code": "L-08",
    "lender": "TRP",
    "borrower": "SMP",
    "responsible": "p12",
    "purpose": "noble gas",
    "lines": [NUMBERS[CHIP]],
    "term_months": 12,
    "signed_at": "2026-03-10T13:00:00Z",
}


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip of 1204.3 mg lent to SMP as L-08: weighed there, used, sent back and weighed again."""
    with collection(database_url) as found:
        send_chip(found)
        found.post("cur", "loans", LOAN)
        receive_chip(found)
        found.tell("ana", "SMP", "weighed", CHIP, "2026-03-14T02:00:00Z", mass="1204.2 mg", balance="B5")
        found.tell("ana", "SMP", "used", CHIP, "2026-03-15T02:00:00Z", mass="540.46 mg", balance="B5")
        found.tell("ana", "SMP", "loss_noted", CHIP, "2026-03-15T03:00:00Z", mass="8.1 mg")
        yield found


def test_the_lines_of_a_loan_are_reconciled(world: Collection) -> None:
    """Trade step 28: sent, used, lost, returned, difference, verdict; both sides see the same, nobody else anything."""
    path = "loans/L-08/reconciliation"
    (out,) = world.get("cur", path)["items"]
    assert (out["sent_mg"], out["received_difference_mg"], out["received_verdict"]) == ("1204.3", "-0.1", "agrees")
    assert (out["used_weighed_mg"], out["worked_loss_mg"], out["returned_mg"]) == ("540.46", "8.1", None)

    world.tell("ana", "SMP", "released", CHIP, "2026-03-16T02:00:00Z", to="TRP")
    world.tell("clerk", "TRP", "accepted", CHIP, "2026-03-18T10:00:00Z", from_="SMP")
    world.tell("cur", "TRP", "weighed", CHIP, "2026-03-18T11:00:00Z", mass="655.2 mg", balance="B1")

    (line,) = world.get("cur", path)["items"]
    told = [line[f"returned_{name}"] for name in ("mg", "expected_mg", "difference_mg", "verdict")]
    assert told == ["655.2", "655.74", "-0.54", "agrees"]
    assert world.get("ana", path)["items"] == [line]
    world.tell("cur", "TRP", "used", CHIP, "2026-03-19T11:00:00Z", mass="55.2 mg", balance="B1")
    world.tell("cur", "TRP", "weighed", CHIP, "2026-03-20T11:00:00Z", mass="599 mg", balance="B1")
    assert world.get("ana", path)["items"] == [line]  # what the lender does with it afterwards is not the loan's
    assert world.get("stranger", path, 404)["code"] == "not_found"
    (before,) = world.get("cur", path, as_of="2026-03-15T02:30:00Z")["items"]
    assert (before["used_weighed_mg"], before["worked_loss_mg"]) == ("540.46", "0")


def test_a_balance_as_a_file(world: Collection) -> None:
    """The same lines as CSV; of a period, with the moment it ends at."""
    asked = {"collection": "BRAITHMOSS", "from": "2026-03-14T12:00:00Z", "to": "2026-03-15T12:00:00Z"}
    lines = world.get("cur", "reports/material-balance", **asked)
    head = {**world.head("cur"), "Accept": "text/csv"}

    answer = world.running.client.get("/v1/reports/material-balance", params=asked, headers=head)

    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [row["line"] for row in rows] == [line["line"] for line in lines["items"]]
    found = {row["line"]: row["mass_mg"] for row in rows}
    assert {name: found[name] for name in ("received", "used_weighed", "worked_loss")} == {
        "received": "0",
        "used_weighed": "540.46",
        "worked_loss": "8.1",
    }
    assert {row["as_of"] for row in rows} == {"2026-03-15T12:00:00Z"}
    backwards = {**asked, "to": "2026-03-13T12:00:00Z"}
    assert world.get("cur", "reports/material-balance", 422, **backwards)["code"] == "malformed"


def test_the_family_of_a_lent_sample(world: Collection) -> None:
    """The owner sees what became of each; the borrower, of the family, what they have to do with."""
    piece = world.issue(kind="sample", form="material", what="part", prefix="BRM")["items"][0]["number"]
    world.tell(
        "ana", "SMP", "divided", CHIP, "2026-03-16T02:00:00Z",
        children=[{"number": piece, "mass": "100 mg", "balance": "B5"}],
    )  # fmt: skip

    found = world.get("cur", f"items/{NUMBERS[CHIP]}/family")

    (step,) = found["steps"]
    assert (step["child"], step["mass_mg"]) == (piece, "100")
    assert step["share"] == {"numerator": 1, "denominator": 1, "percent": "100.00"}
    masses = {one["number"]: (one["mass_mg"], one["used_weighed_mg"]) for one in found["members"]}
    assert masses == {NUMBERS[CHIP]: ("555.74", "540.46"), piece: ("100", "0")}
    assert world.get("ana", f"items/{NUMBERS[CHIP]}/family")["members"] == found["members"]  # owed as its parent is
    assert world.get("stranger", f"items/{NUMBERS[CHIP]}/family", 404)["code"] == "not_found"
    early = world.get("cur", f"items/{NUMBERS[CHIP]}/family", as_of="2026-03-15T00:00:00Z")
    assert (early["steps"], len(early["members"])) == ([], 1)


def test_drift_over_http(world: Collection) -> None:
    """A posting makes a step; whoever owns nothing is shown no row."""
    world.tell("ana", "SMP", "released", CHIP, "2026-03-16T02:00:00Z", to="TRP")
    world.tell("clerk", "TRP", "accepted", CHIP, "2026-03-18T10:00:00Z", from_="SMP")
    weighing = world.tell("cur", "TRP", "weighed", CHIP, "2026-03-18T11:00:00Z", mass="655.2 mg", balance="B1")
    world.post("cur", f"items/{NUMBERS[CHIP]}/post-mass", {"weighing": weighing["id"], "because": "reconciled"})

    (row,) = world.get("cur", "reports/drift")["items"]

    assert (row["item"], row["steps"], row["difference_mg"], row["alarm"]) == (NUMBERS[CHIP], 1, "-0.54", "none")
    assert world.get("ana", "reports/drift")["items"] == []
    (held,) = world.get("cur", "reports/drift", by="holder")["items"]
    assert (held["group"], held["item"], held["difference_mg"]) == ("SMP", None, row["difference_mg"])


def test_the_reserve_over_http(world: Collection) -> None:
    """Marked when it is registered; the floor is the collection's: 70 % of 1204.3 + 9000 mg, of which 9000 are kept."""
    what: dict[str, Any] = {"kind": "sample", "form": "material", "what": "stone", "prefix": "BRM", "reserve": True}
    stone = world.issue(**what)["items"][0]["number"]
    world.tell("cur", "TRP", "accessioned", stone[:-2], "2026-03-16T02:00:00Z", mass="9000 mg", balance="B1")
    asked = {"collection": "BRAITHMOSS", "take": "1.9 g"}
    assert world.get("cur", "reports/reserve", **asked)["items"][0]["allowed"] is None
    path = "/v1/collections/BRAITHMOSS"
    kept = world.running.client.get(path, headers=dict(world.head("cur")))
    content = {name: kept.json()[name] for name in ("name", "zone", "late_after_s")}
    change = {**content, "reserve_floor_ppm": 700_000, "because": "Policy"}
    head = {**world.head("cur"), "If-Match": kept.headers["ETag"]}
    changed = world.running.client.put(path, json=change, headers=head)
    assert changed.status_code == 200, changed.text

    (row,) = world.get("cur", "reports/reserve", **asked)["items"]

    assert (row["accession_mg"], row["floor_mg"], row["reserve_mg"]) == ("10204.3", "7143.01", "9000")
    assert (row["headroom_mg"], row["take_mg"], row["allowed"]) == ("1856.99", "1900", False)
    assert world.get("ana", "reports/reserve", 404, **asked)["code"] == "not_found"
