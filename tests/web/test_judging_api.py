"""What masses are judged by - allowances of a collection, balances - and what a version told later judges anew."""

from collections.abc import Iterator
from typing import Any

import pytest

from shipsvc.app import fsck, rulebooks
from shipsvc.web.deps import transaction
from tests.web.chip import CHIP, NUMBERS, send_chip
from tests.web.collection import Collection, Json, collection

AT = "2026-03-11T09:00:00Z"
BEFORE = "2026-03-12T00:00:00Z"
LATER = "2026-03-20T00:00:00Z"
SINCE = {"valid_from": "2026-01-01T00:00:00Z", "because": "As always"}


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip of 1204.3 mg, weighed again at 1202.3: 2 mg less, of which handling may lose 1.2 (demo.md 7.4, chips)."""
    with collection(database_url) as found:
        send_chip(found)
        found.tell("cur", "TRP", "weighed", CHIP, AT, mass="1202.3 mg", balance="B1")
        found.at(BEFORE)
        yield found


def put(world: Collection, path: str, body: Json, status: int = 200) -> Any:
    """A new version of a document, whichever it follows."""
    answer = world.running.client.put(f"/v1/{path}", json=body, headers={**world.head("cur"), "If-Match": "*"})
    assert answer.status_code == status, answer.text
    return answer.json()


def verdict(world: Collection, **asked: str) -> str:
    """What the weighing came to."""
    (row,) = world.get("cur", "reports/mass-discrepancies", verdict="all", **asked)["items"]
    return str(row["verdict"])


def is_sound(world: Collection) -> bool:
    """Whether ``fsck`` finds nothing."""
    with transaction(world.running.service, writes=False) as connection:
        return list(fsck.check(connection)) == []


def test_an_allowance_told_later_judges_anew_what_was_weighed_since(world: Collection) -> None:
    """A loss of 2 mg is beyond the usual 0.1 % of a chip and within 0.5 %; as known before, it stays beyond."""
    assert verdict(world) == "unexplained_loss"
    said = {"code": "BRAITHMOSS", "handling": {"chip": {"least_mg": "0.05", "share_ppm": 5000}}}

    world.at(LATER)
    made = world.post("cur", "allowances", {**said, **SINCE})

    assert made["handling"]["powder"] == {"least_mg": "0.2", "share_ppm": 10_000}  # what was not named is as usual
    assert verdict(world) == "loss_within_allowance"
    assert verdict(world, known_on=BEFORE) == "unexplained_loss"
    assert is_sound(world)
    put(world, "allowances/BRAITHMOSS", {"handling": {}, "valid_from": LATER, "because": "Tweezers"})
    assert verdict(world) == "loss_within_allowance"  # it was weighed before that holds
    put(world, "allowances/BRAITHMOSS", {"handling": {}, **SINCE})
    assert verdict(world) == "unexplained_loss"
    assert world.get("cur", "allowances/BRAITHMOSS", known_on=LATER)["handling"]["chip"]["share_ppm"] == 5000
    assert is_sound(world)


def test_a_balance_found_out_later_judges_anew_what_was_weighed_on_it_since(world: Collection) -> None:
    """With s = 1 mg, u of a net mass is sqrt 2 * sqrt(1 + 0.1^2 / 12) = 1.415 mg and 2 mg are r = -1.0: it agrees. The
    first mass keeps its u, since it was weighed before the balance went wrong; as known before all stays as it was."""
    world.at(LATER)
    wrong = {"what": "dropped", "readability_mg": "0.1", "repeatability_mg": "1", "good_until": "2026-03-10"}
    put(world, "balances/B1", {**wrong, "valid_from": "2026-03-11T00:00:00Z", "because": "It fell"})

    (now,) = world.get("cur", "reports/mass-discrepancies", verdict="all")["items"]
    (then,) = world.get("cur", "reports/mass-discrepancies", verdict="all", known_on=BEFORE)["items"]

    assert (now["verdict"], now["observed_mg"]) == ("agrees", "1202.3")
    assert now["marks"] == ["below_least_mass", "calibration_lapsed"]
    assert float(now["u_mg"]) == pytest.approx((1.4148**2 + 0.2160**2) ** 0.5, abs=1e-3)
    assert (then["verdict"], then["marks"]) == ("unexplained_loss", [])
    budget = world.get("cur", f"items/{NUMBERS[CHIP]}/weighings/{now['event_id']}/budget")
    assert budget["difference_u_mg"] == now["u_mg"]
    assert is_sound(world)


def test_a_balance_written_down_late_holds_for_what_was_weighed_before(world: Collection) -> None:
    """Until then a weighing on it is of an unknown balance."""
    world.tell("cur", "TRP", "weighed", CHIP, "2026-03-12T09:00:00Z", mass="1204.1 mg", balance="B9")
    rows = world.get("cur", "reports/mass-discrepancies", verdict="all")["items"]
    assert rows[-1]["marks"] == ["balance_unknown"]

    told = {"institution": "TRP", "what": "borrowed", "readability_mg": "0.1", "repeatability_mg": "0.15"}
    world.post("cur", "balances", {"code": "B9", **told, "good_until": "2027-01-31", "because": "Forgotten"})

    assert world.get("cur", "reports/mass-discrepancies", verdict="all")["items"][-1]["marks"] == []
    assert is_sound(world)


def test_allowances_are_their_owners_and_too_much_at_once_is_refused(
    world: Collection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """404 for a collection that is not theirs to see, 422 for what is no process, 409 for what would take too long."""
    said: Json = {"code": "BRAITHMOSS", "because": "Mine"}
    assert world.post("ana", "allowances", said, 404)["code"] == "not_found"
    world.post("cur", "allowances", {**said, "working_ppm": {"Crushing!": 1}}, 422)
    monkeypatch.setattr(rulebooks, "JUDGED_MAX", 0)
    refused = world.post("cur", "allowances", {**said, **SINCE}, 409)
    assert "1 samples" in refused["detail"]
    assert world.post("cur", "allowances", said)["version"] == 1  # from now on it judges nothing anew
    assert world.post("cur", "allowances", said, 409)["code"] == "already_there"
