"""The account of a section in area and thickness: trade step 9, case 42, and section 2.1 for the figures."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain.errors import Malformed
from shipsvc.domain.sections import Act, account, area_um2, thickness_nm

AT = datetime(2025, 4, 22, 9, 0, tzinfo=UTC)
#: The thick section of demo.md T5: 14.0 x 9.0 mm, 150 um.
MADE = {"children": [{"number": "BRM0014", "area_mm2": "126", "thickness_um": "150"}, {"number": "BRM0015"}]}


def acts(*told: tuple[str, dict[str, Any]]) -> list[Act]:
    """One a day."""
    return [Act(str(day), kind, AT + timedelta(days=day), body) for day, (kind, body) in enumerate(told)]


def test_it_begins_in_resin_and_shrinks() -> None:
    """Pits take area, polishing takes thickness; the mass account has nothing to do with it."""
    found = account(
        "BRM0014",
        acts(
            ("embedded", {**MADE, "resin": "epoxy"}),
            ("used", {"area_mm2": "0.31"}),
            ("loss_noted", {"thickness_um": "120.5"}),
            ("used", {"area_mm2": "0.09", "mass": "0.1 ug"}),
        ),
    )
    assert found is not None
    assert (found.area_um2, found.used_um2, found.left_um2) == (126_000_000, 400_000, 125_600_000)
    assert (found.first_thickness_nm, found.thickness_nm, found.resin) == (150_000, 120_500, "epoxy")


def test_a_block_has_an_account_without_figures() -> None:
    """What nobody measured is not made up; what is taken is written down all the same."""
    found = account("BRM0015", acts(("embedded", MADE), ("used", {"area_mm2": "1"})))
    assert found is not None
    assert (found.area_um2, found.left_um2, found.thickness_nm, found.used_um2) == (None, None, None, 1_000_000)


def test_before_it_is_embedded_there_is_none() -> None:
    """A chip has a mass; a use of the chip is no use of the section that it became."""
    assert account("BRM0013", acts(("embedded", MADE))) is None
    assert account("BRM0014", acts(("used", {"area_mm2": "1"}))) is None
    found = account("BRM0014", acts(("used", {"area_mm2": "1"}), ("embedded", MADE)))
    assert found is not None
    assert found.used_um2 == 0


def test_a_section_that_is_cut_passes_area_on() -> None:
    """The piece begins an account of its own, in the same resin as far as it is told; the rest has less."""
    cut = ("divided", {"children": [{"number": "BRM0030", "area_mm2": "26", "thickness_um": "150"}]})
    rest = account("BRM0014", acts(("embedded", MADE), cut))
    piece = account("BRM0030", acts(cut))
    assert rest is not None
    assert piece is not None
    assert (rest.left_um2, piece.area_um2, piece.used_um2) == (100_000_000, 26_000_000, 0)


def test_more_than_there_was_is_kept_and_shows() -> None:
    """Trade case 55: never below zero in silence; the declaration stays. Used up is nothing left."""
    over = account("BRM0014", acts(("embedded", MADE), ("used", {"area_mm2": "127"})))
    gone = account("BRM0014", acts(("embedded", MADE), ("used", {"area_mm2": "1", "all": True})))
    assert over is not None
    assert gone is not None
    assert (over.left_um2, gone.left_um2, gone.ended) == (-1_000_000, 0, True)


@pytest.mark.parametrize("text", ["", "1,5", "-1", "1e3", "0.0000001", "12345678901"])
def test_what_is_no_area(text: str) -> None:
    """Plain digits, as fine as is kept."""
    with pytest.raises(Malformed):
        area_um2(text)
    with pytest.raises(Malformed):
        thickness_nm("0.0001")


@given(st.lists(st.integers(0, 10**6), max_size=6))
def test_what_is_taken_and_left_is_what_there_was(taken: list[int]) -> None:
    """To the last square micrometre, however many times something is taken."""
    told = [("used", {"area_mm2": f"{um2 // 10**6}.{um2 % 10**6:06}"}) for um2 in taken]
    found = account("BRM0014", acts(("embedded", MADE), *told))
    assert found is not None
    assert found.left_um2 is not None
    assert found.used_um2 + found.left_um2 == 126_000_000
    assert found.used_um2 == sum(taken)
