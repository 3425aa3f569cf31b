"""Shares in a family, as exact fractions; figures of demo.md T6 and T7."""

from fractions import Fraction

from shipsvc.domain.family import Made, Origin, forebears, nearest_common, origins, pure, share_of, shares

#: M03 and M12 in tenths of a mg: fines off stone 1, and a mixture of those with dust.
FINES = Made("0009", "0001", "m03", 8716)
MIXED = [Made("0024", "0009", "m12", 4000), Made("0024", "0005", "m12", 16004)]


def test_what_the_mixture_is_made_of() -> None:
    """A10: 20.00 % from 0001 by way of 0009, 80.00 % from 0005."""
    found = origins("0024", [FINES, *MIXED])

    assert found == [Origin("0005", Fraction(16004, 20004), ()), Origin("0001", Fraction(4000, 20004), ("0009",))]
    assert [f"{float(100 * one.share):.2f}" for one in found] == ["80.00", "20.00"]


def test_shares_of_a_child_add_up_to_one() -> None:
    """Exactly: a share is a fraction (rulings 33); one parent is all of it; drawn twice counts together."""
    of = shares([FINES, *MIXED, Made("0024", "0009", "later", 1000)])

    assert of["0009", "0001"] == 1
    assert of["0024", "0009"] == Fraction(5000, 21004)
    assert sum(share for (child, _), share in of.items() if child == "0024" and share) == 1


def test_a_share_that_nobody_knows_is_not_guessed() -> None:
    """A part without a mass leaves all shares of that mixture unknown, and its ways out of the list."""
    unknown = [Made("0024", "0009", "m12", None), Made("0024", "0005", "m12", 16004)]

    assert set(shares(unknown).values()) == {None}
    assert origins("0024", unknown) == []


def test_a_first_sample_comes_from_itself() -> None:
    """And a circle in the record ends nowhere."""
    assert origins("0001", []) == [Origin("0001", Fraction(1), ())]
    assert origins("A", [Made("A", "B", "e", 1), Made("B", "A", "f", 1)]) == [Origin("B", Fraction(1), ())]


def test_a_mixture_with_others_material_is_of_no_single_family() -> None:
    """What was made of stone 1 alone: its fines, but not the mixture with dust."""
    chip = Made("0007", "0001", "m03", 583100)

    assert pure("0001", [FINES, *MIXED, chip]) == {"0001", "0009", "0007"}
    assert pure("0009", MIXED) == {"0009"}


def test_the_nearest_that_two_come_from() -> None:
    """Forebears of what both come from are left out; a piece and what it was cut from have the latter in common."""
    made = [Made("b", "a", "1", 1), Made("c", "b", "2", 1), Made("d", "b", "3", 1), Made("e", "x", "4", 1)]

    assert nearest_common("c", "d", made) == {"b"}
    assert nearest_common("a", "d", made) == {"a"}
    assert nearest_common("c", "e", made) == set()
    assert forebears("c", made) == {"a", "b"}
    assert forebears("a", [*made, Made("a", "c", "5", 1)]) == {"b", "c"}  # a circle ends


def test_the_share_by_all_ways() -> None:
    """A mixture of two pieces of one stone is all of that stone; a way of unknown share makes the whole unknown."""
    made = [Made("b", "a", "1", 1), Made("c", "a", "2", 1), Made("m", "b", "3", 30), Made("m", "c", "3", 10)]

    assert share_of("m", "a", made) == 1
    assert share_of("m", "b", made) == Fraction(3, 4)
    assert share_of("m", "z", made) == 0
    assert share_of("m", "b", [*made[:3], Made("m", "c", "3", None)]) is None
