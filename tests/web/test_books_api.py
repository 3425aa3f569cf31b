"""Decisions on books over HTTP: re-basing an estimate, writing off, and what has no mass account."""

import math
from collections.abc import Iterator

import pytest

from shipsvc.domain.mass import Mass
from shipsvc.store import derived
from shipsvc.store.engine import rows
from shipsvc.store.tables import FOREVER
from shipsvc.web.deps import transaction
from tests.web.chip import CHIP, NUMBERS, receive_chip, send_chip
from tests.web.collection import Collection, collection

DAY = "2026-03-11"


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip in a vial in a jar in a parcel, sent to SMP, once on each database."""
    with collection(database_url) as found:
        send_chip(found)
        yield found


def issued(world: Collection) -> str:
    """The number of a new sample."""
    what = {"kind": "sample", "form": "material", "what": "stone", "prefix": "BRM"}
    return str(world.issue(**what)["items"][0]["number"])


def accounts(world: Collection, *kinds: str) -> dict[str, str]:
    """What facts of these kinds left in each account, in mg, as the database has it now."""
    held: dict[str, int] = {}
    with transaction(world.running.service, writes=False) as connection:
        for row in rows(connection, derived.MOVE.select().where(derived.MOVE.c.known_to == FOREVER)):
            for side, sign in (("from", -1), ("to", 1)):
                account = row[f"{side}_account"]
                held[account] = held.get(account, 0) + sign * row["mass_ng"]
    return {account: Mass(ng).digits("mg") for account, ng in held.items() if account in kinds}


def test_an_estimate_is_rebased_outside_the_loss_account(world: Collection) -> None:
    """Trade case 53 and demo.md M02: 220 g on kitchen scales, 221.408 g weighed; nothing is gained by that."""
    stone = issued(world)
    before = accounts(world, "origin", "unexplained")
    world.tell("cur", "TRP", "accessioned", stone[:-2], f"{DAY}T11:00:00Z", mass="220 g", method="estimated")
    weighing = world.tell("cur", "TRP", "weighed", stone[:-2], f"{DAY}T12:00:00Z", mass="221.408 g", balance="B1")
    body = {"weighing": weighing["id"], "because": "weighed on taking in"}

    found = world.post("cur", f"items/{stone}/rebase", body)

    assert (found["before_mg"], found["mass_mg"], found["rebasis_mg"]) == ("220000", "221408", "1408")
    book = world.get("cur", f"items/{stone}")["book"]
    assert (book["mass_mg"], book["how"], book["estimated_u_mg"]) == ("221408", "rebased", "0")
    after = accounts(world, "origin", "unexplained", "rebasis")
    assert (after["rebasis"], after.get("unexplained")) == ("-1408", before.get("unexplained"))
    again = world.post("cur", f"items/{stone}/rebase", body, 409)
    assert (again["code"], "rebased" in again["detail"]) == ("rule_forbids", True)


def test_what_cannot_be_rebased(world: Collection) -> None:
    """For curators; from an estimate, to a weighing on a balance, not before that was made."""
    stone = issued(world)
    path = f"items/{stone}/rebase"
    world.tell("cur", "TRP", "accessioned", stone[:-2], f"{DAY}T11:00:00Z", mass="220 g", method="estimated")
    guess = world.tell("cur", "TRP", "weighed", stone[:-2], f"{DAY}T12:00:00Z", mass="221 g", method="estimated")["id"]
    weighed = world.tell("cur", "TRP", "weighed", stone[:-2], f"{DAY}T12:10:00Z", mass="221.4 g", balance="B1")["id"]
    body = {"weighing": weighed, "because": "weighed"}

    assert world.post("clerk", path, body, 403)["code"] == "not_your_role"
    assert world.post("cur", path, {**body, "weighing": guess}, 409)["errors"][0]["pointer"] == "/weighing"
    assert (
        world.post("cur", path, {**body, "rebased_at": f"{DAY}T12:09:00Z"}, 409)["errors"][0]["pointer"]
        == "/rebased_at"
    )
    chip = world.tell("cur", "TRP", "weighed", CHIP, f"{DAY}T12:20:00Z", mass="1204.2 mg", balance="B1")["id"]
    assert "weighed" in world.post("cur", f"items/{NUMBERS[CHIP]}/rebase", {**body, "weighing": chip}, 409)["detail"]


def test_a_lost_sample_is_written_off_and_owed_no_longer(world: Collection) -> None:
    """Rulings 2 and 29: what is decided to be lost goes to written_off once another person than the one who decided
    confirms it; the line of its loan says so."""
    receive_chip(world)
    world.at("2026-03-20T10:00:00Z")
    path = f"items/{NUMBERS[CHIP]}"
    assert world.post("clerk", f"{path}/write-off", {"lost": True, "because": "gone"}, 403)["code"] == "not_your_role"

    found = world.post("cur", f"{path}/write-off", {"lost": True, "because": "not found in two counts"})

    assert (found["written_off_mg"], found["unconfirmed"]) == ("1204.3", True)
    before = world.get("cur", path)
    assert (before["book"]["mass_mg"], before["where"]["status"]) == ("1204.3", "received")
    assert "second person" in world.post("cur", f"{path}/write-off", {"lost": True, "because": "x"}, 409)["detail"]
    world.at("2026-03-21T10:00:00Z")
    event = {"fact": found["event_id"]}
    world.tell("cur", "TRP", "confirmed", CHIP, "2026-03-21T10:00:00Z", **event)
    assert world.get("cur", path)["where"]["status"] == "received"
    world.tell("clerk", "TRP", "confirmed", CHIP, "2026-03-21T11:00:00Z", **event)
    then = world.get("cur", path, known_on="2026-03-21T10:30:00Z")
    assert (then["book"]["mass_mg"], then["where"]["status"]) == ("1204.3", "received")
    shown = world.get("cur", path)
    assert (shown["book"]["mass_mg"], shown["where"]["status"]) == ("0", "ended")
    assert accounts(world, "written_off") == {"written_off": "1204.3"}
    assert world.post("cur", f"{path}/write-off", {"lost": False, "because": "again"}, 409)["code"] == "rule_forbids"
    last = world.get("cur", f"{path}/history")["items"][-3]
    assert (last["kind"], last["body"]["because"]) == ("lost_decided", "not found in two counts")


def test_what_is_in_resin_is_not_weighed_back_into_the_account(world: Collection) -> None:
    """Trade case 42: the block weighs more than the rock did; that is no gain and cannot be posted."""
    stone, block = issued(world), issued(world)
    world.tell("cur", "TRP", "accessioned", stone[:-2], f"{DAY}T11:00:00Z", mass="2881.7 mg", balance="B1")
    world.tell("cur", "TRP", "embedded", stone[:-2], f"{DAY}T12:00:00Z", children=[{"number": block}], ends=True)
    weighed = world.tell("cur", "TRP", "weighed", block[:-2], f"{DAY}T13:00:00Z", mass="4913 mg", balance="B1")

    refused = world.post("cur", f"items/{block}/post-mass", {"weighing": weighed["id"], "because": "x"}, 409)

    assert "resin" in refused["detail"]
    assert world.get("cur", f"items/{block}")["book"] is None
    assert accounts(world, "embedded") == {"embedded": "2881.7"}


def test_where_the_uncertainty_of_a_weighing_comes_from(world: Collection) -> None:
    """The budget adds up to the u of T5 (B1: 0.2160 mg), and what the air may do stands beside it (rulings 19)."""
    told = world.tell("cur", "TRP", "weighed", CHIP, f"{DAY}T09:00:00Z", mass="1204.2 mg", balance="B1")
    path = f"items/{NUMBERS[CHIP]}/weighings"

    found = world.get("cur", f"{path}/{told['id']}/budget")

    assert float(found["u_mg"]) == pytest.approx(0.2160, abs=5e-5)
    assert float(found["expanded_mg"]) == pytest.approx(2 * 0.2160, abs=1e-4)
    parts = [float(one["contribution_mg"]) for one in found["components"]]
    assert math.hypot(*parts) == pytest.approx(0.2160, abs=5e-5)
    assert sum(float(one["share_percent"]) for one in found["components"]) == pytest.approx(100, abs=0.2)
    assert found["difference_mg"] == "-0.1"
    assert float(found["difference_u_mg"]) == pytest.approx(0.3055, abs=5e-4)
    # Rock of 2200 kg/m3 reads 0.40 mg a gram low at sea level (handbook figure); at home nothing shifts.
    assert float(found["buoyancy"]["correction_mg"]) == pytest.approx(1.2042 * 0.40, abs=0.01)
    assert (found["buoyancy"]["institution"], found["shift_mg"]) == ("TRP", "0")
    assert world.get("cur", f"{path}/00000000-0000-7000-8000-000000000000/budget", 404)["code"] == "not_found"
    assert world.get("stranger", f"{path}/{told['id']}/budget", 404)["code"] == "not_found"
    guess = world.tell("cur", "TRP", "weighed", CHIP, f"{DAY}T09:30:00Z", mass="1204 mg", method="estimated")
    assert world.get("cur", f"{path}/{guess['id']}/budget", 409)["code"] == "rule_forbids"
