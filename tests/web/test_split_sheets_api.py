"""The sheet of a split over HTTP: summed before it is told, flagged where it does not close; pieces taken and used at
once. ``fsck`` comes to the same by its own rules."""

from collections.abc import Iterator
from typing import Any

import pytest

from shipsvc.app import fsck
from shipsvc.web.deps import transaction
from tests.web.chip import CHIP, NUMBERS, receive_chip, send_chip
from tests.web.collection import Collection, Json, collection, typed

AT = "2026-03-11T09:00:00Z"


@pytest.fixture
def world(database_url: str) -> Iterator[Collection]:
    """A chip of 1204.3 mg, and numbers for four pieces, once on each database."""
    with collection(database_url) as found:
        send_chip(found)
        for _ in range(4):
            found.issue(kind="sample", form="material", what="piece", prefix="BRM")
        yield found


def piece(serial: int, mass: str, **said: Any) -> Json:
    """A piece, weighed on B1."""
    return {"number": typed(f"BRM-{serial:04}"), "mass": f"{mass} mg", "balance": "B1", **said}


def is_sound(world: Collection) -> bool:
    """Whether ``fsck`` finds nothing."""
    with transaction(world.running.service, writes=False) as connection:
        return list(fsck.check(connection)) == []


def lines(world: Collection) -> list[Json]:
    """The report of discrepancies."""
    found: list[Json] = world.get("cur", "reports/mass-discrepancies")["items"]
    return found


def test_a_sheet_that_does_not_close_is_flagged_and_a_line_of_the_report(world: Collection) -> None:
    """600 + 500 + 90 of 1204.3 mg: 14.3 are missing, where chipping may lose 0.5 %, 6.0 mg (trade.md 2.3); u is that of
    four weighings on B1, 2 * 0.216 = 0.433 mg. The dry run says so before, and writes nothing."""
    sheet: Json = {"children": [piece(2, "600"), piece(3, "500")], "rest": {"mass": "90 mg", "balance": "B1"}}
    checked = world.post("cur", f"items/{NUMBERS[CHIP]}/split-sheet/check", sheet, 200)
    assert (checked["closes"], checked["difference_mg"], checked["verdict"]) == (False, "-14.3", "unexplained_loss")
    assert (checked["book_mg"], checked["allowance_mg"]) == ("1204.3", "6.0215")
    assert float(checked["u_mg"]) == pytest.approx(2 * 0.2160, abs=1e-3)
    assert lines(world) == []

    told = world.tell("cur", "TRP", "divided", CHIP, AT, **sheet)

    assert told["flags"] == ["does_not_close"]
    (line,) = lines(world)
    assert (line["of"], line["event_id"], line["item"]) == ("split_sheet", told["id"], NUMBERS[CHIP])
    assert (line["difference_mg"], line["u_mg"], line["verdict"]) == ("-14.3", checked["u_mg"], "unexplained_loss")
    assert (
        world.get("cur", f"items/{NUMBERS[CHIP]}")["book"]["mass_mg"] == "104.3"
    )  # a rest that was weighed moves no book
    assert is_sound(world)


def test_a_sheet_that_closes_says_nothing(world: Collection) -> None:
    """Within what such work may lose; sieving may lose more than chipping, and what work lost may be told."""
    children = [piece(2, "600"), piece(3, "594.3")]
    path = f"items/{NUMBERS[CHIP]}/split-sheet/check"
    said: Json = {"children": children, "ends": True}
    assert world.post("cur", path, said, 200)["closes"] is False  # 10 mg of 1204.3, 0.8 %
    assert world.post("cur", path, {**said, "process": "sieving"}, 200)["verdict"] == "loss_within_allowance"
    assert world.post("cur", path, {**said, "loss": {"mass": "10 mg"}}, 200)["verdict"] == "agrees"
    assert world.post("cur", path, {"children": children}, 200)["closes"] is None  # nobody says what is left

    told = world.tell("cur", "TRP", "divided", CHIP, AT, **said, process="sieving")

    assert (told["flags"], lines(world)) == ([], [])
    assert is_sound(world)


def test_a_piece_is_taken_and_used_in_one_act(world: Collection) -> None:
    """Trade.md, step 8: an aliquot has its number even if it is used the same moment, by the borrower too. One fact
    writes both: 50.2 mg are used by weighing, about 10 by estimate, and what the chip weighs goes down by them."""
    receive_chip(world)
    taken = [piece(2, "50.20", used=True), {"number": typed("BRM-0003"), "mass": "10 mg", "method": "estimated"}]
    taken[1]["used"] = True

    told = world.tell("ana", "SMP", "divided", CHIP, "2026-03-15T09:00:00Z", children=[*taken, piece(4, "20")])

    assert told["flags"] == []
    assert world.get("ana", f"items/{NUMBERS[CHIP]}")["book"]["mass_mg"] == "1124.1"
    family = {one["number"]: one for one in world.get("cur", f"items/{NUMBERS[CHIP]}/family")["members"]}
    used, guessed, kept = (family[typed(f"BRM-{serial:04}")] for serial in (2, 3, 4))
    assert (used["ended"], used["mass_mg"], used["used_weighed_mg"]) == (True, "0", "50.2")
    assert (guessed["ended"], guessed["used_estimated_mg"]) == (True, "10")
    assert (kept["ended"], kept["mass_mg"]) == (False, "20")
    assert is_sound(world)
    world.tell(
        "ana",
        "SMP",
        "divided",
        CHIP,
        "2026-03-15T09:00:00Z",
        "2026-03-16T09:00:00Z",
        amends=told["id"],
        children=[piece(4, "20")],
    )
    assert is_sound(world)


def test_only_a_sample_has_a_sheet(world: Collection) -> None:
    """A vial has none (409), what nobody may see is not there (404)."""
    sheet: Json = {"children": [piece(2, "600")]}
    assert world.post("cur", f"items/{NUMBERS['V-0001']}/split-sheet/check", sheet, 409)["code"] == "rule_forbids"
    assert world.post("stranger", f"items/{NUMBERS[CHIP]}/split-sheet/check", sheet, 404)["code"] == "not_found"
