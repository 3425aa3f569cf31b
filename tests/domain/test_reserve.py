"""The floor of a reserve, its headroom, and what may be promised: demo.md 7.2, answer A8, rulings 18 and 31."""

import pytest

from shipsvc.domain.reserve import Standing, Stock, cut_max_ng, largest_ng

MG = 1_000_000
DEMO = Standing(accession_ng=486_200 * MG, floor_ppm=700_000, reserve_ng=354_176 * MG, promised_ng=0)
STONE_3 = Stock(64_037 * MG, 0, reserve=True)


def test_the_reserve_of_the_scenario() -> None:
    """demo.md 7.2: floor 70 % of 486 200 mg is 340 340 mg; 354 176 mg are there; headroom 13 836 mg."""
    assert (DEMO.floor_ng, DEMO.headroom_ng, DEMO.is_below_floor) == (340_340 * MG, 13_836 * MG, False)


def test_the_most_that_may_be_promised() -> None:
    """Answer A8: of stone 3, with 64 037 mg, 13 836 mg and no more; of what is no reserve, all that is not promised."""
    assert largest_ng(STONE_3, DEMO) == 13_836 * MG
    assert largest_ng(Stock(3_492_600_000, 500 * MG, reserve=False), DEMO) == 2_992_600_000
    assert largest_ng(Stock(10 * MG, 4 * MG, reserve=True), DEMO) == 6 * MG


def test_headroom_is_net_of_promises() -> None:
    """Rulings 18 and 31; what is promised is still there, so that the floor itself is not broken by it."""
    promised = Standing(DEMO.accession_ng, DEMO.floor_ppm, DEMO.reserve_ng, 14_000 * MG)
    assert (promised.headroom_ng, promised.is_below_floor) == (-164 * MG, False)
    assert largest_ng(STONE_3, promised) == 0
    gone = Standing(DEMO.accession_ng, DEMO.floor_ppm, DEMO.floor_ng - 1, 0)
    assert (gone.headroom_ng, gone.is_below_floor) == (-1, True)


@pytest.mark.parametrize(("accession", "ppm", "floor"), [(3, 666_667, 3), (3, 0, 0), (3, None, 0), (10, 700_000, 7)])
def test_what_must_stay_is_rounded_up(accession: int, ppm: int | None, floor: int) -> None:
    """To the whole ng, exactly: a share of parts per million of a whole number, by hand."""
    assert Standing(accession, ppm, 0, 0).floor_ng == floor


def test_a_collection_that_keeps_no_reserve_has_no_floor() -> None:
    """Then all that a sample holds may be promised."""
    standing = Standing(100, None, 0, 0)
    assert (standing.is_below_floor, largest_ng(Stock(60, 20, reserve=True), standing)) == (False, 40)
    assert largest_ng(Stock(None, 0, reserve=False), standing) == 0


@pytest.mark.parametrize(
    ("granted", "cut", "within"),
    [(1_200, 1_204.3, True), (500, 512.46, True), (85, 86.214, True), (1_200, 1_260, True), (1_200, 1_260.1, False)],
)
def test_a_cut_may_exceed_its_grant_by_a_twentieth(granted: float, cut: float, within: bool) -> None:
    """Trade case 102 and demo.md T8, R-01 to R-03: overshoots of 0.4, 2.5 and 1.4 % stand; over 5 % does not."""
    assert (round(cut * MG) <= cut_max_ng(round(granted * MG), 50_000)) is within
