"""What a weighing says of itself: repeats, gross and tare, and contradictions."""

from statistics import stdev
from typing import Any

import pytest
from uncertainties import ufloat

from shipsvc.domain import uncertainty
from shipsvc.domain.mass import Balance, Mass
from shipsvc.domain.weighing import contradiction, scatter, standard_deviation_ng, step_ng, variance

#: B1 of the scenario: d 0.1 mg, s 0.15 mg.
B1 = Balance(Mass.parse("0.1 mg").ng, Mass.parse("0.15 mg").ng, relative=1e-5)
WIDE = ["1204.0 mg", "1204.6 mg", "1204.3 mg"]


def words(**said: Any) -> dict[str, Any]:
    """A weighing of 1204.3 mg."""
    return {"mass": "1204.3 mg", "balance": "B1", **said}


def test_one_reading_is_as_before() -> None:
    """demo.md T5: u of a net weighing on B1 is 0.2160 mg (with no relative term)."""
    plain = Balance(B1.readability_ng, B1.repeatability_ng)
    assert variance(plain, 1_204_300_000, words()) ** 0.5 == pytest.approx(216_025, abs=25)
    assert variance(B1, 1_204_300_000, words(repeats=1)) == B1.uncertainty_ng(1_204_300_000) ** 2


def test_the_standard_deviation_of_readings() -> None:
    """GUM 4.2.2, s from n - 1: the standard library of Python as a second opinion, on whole ng."""
    for found in ([1, 2], [1_204_000_000, 1_204_600_000, 1_204_300_000], [5, 5, 5]):
        assert standard_deviation_ng(found) == pytest.approx(stdev(found))


def test_the_larger_scatter_counts() -> None:
    """Readings that scatter by 0.3 mg count as such; those that happen to agree do as the balance, by 0.15."""
    assert scatter(words(readings=WIDE), B1).s_ng == pytest.approx(300_000)
    assert scatter(words(readings=["1204.3 mg"] * 3), B1).s_ng == 150_000
    assert (scatter(words(repeats=4), B1).readings, scatter(words(repeats=0), B1).readings) == (4, 1)


@pytest.mark.parametrize("said", [{"readings": WIDE}, {"repeats": 4}])
def test_repeats_by_a_second_opinion(said: dict[str, Any]) -> None:
    """The ``uncertainties`` library propagates mean of n readings less tare, times a calibration factor, the same; and
    so does the budget that is shown."""
    ng, read = 1_204_300_000, scatter(words(**said), B1)
    gross = sum(ufloat(ng, read.s_ng) for _ in range(read.readings)) / read.readings
    rounded = [ufloat(0, B1.readability_ng / 12**0.5) for _ in range(2)]
    net = (gross + rounded[0] - ufloat(0, B1.repeatability_ng) - rounded[1]) * ufloat(1, B1.relative)

    found = variance(B1, ng, words(**said)) ** 0.5

    assert found == pytest.approx(net.std_dev, rel=1e-9)
    shown = uncertainty.weighing(B1, ng, repeats=read.readings, scatter_ng=read.s_ng)
    assert found == pytest.approx(shown.u_ng, rel=1e-9)


@pytest.mark.parametrize(
    ("text", "step"),
    [("1204.3 mg", 100_000), ("1.2043 g", 100_000), ("5 g", 10**9), ("0.001 mg", 1_000), ("-12.50 mg", 10_000)],
)
def test_one_unit_in_the_last_place(text: str, step: int) -> None:
    """By hand."""
    assert step_ng(text) == step


@pytest.mark.parametrize(
    ("said", "member"),
    [
        ({"gross": "5124.4 mg", "tare": "3920.1 mg"}, None),
        ({"gross": "5.1244 g", "tare": "3.9202 g"}, None),  # to a step of the coarsest
        ({"gross": "5124.4 mg", "tare": "3920.3 mg"}, "mass"),
        ({"gross": "512.44 mg"}, "gross"),
        ({"gross": "5124.4 mg"}, None),
        ({"readings": WIDE}, None),
        ({"readings": ["1204.3 mg", "120.43 mg"]}, "mass"),
        ({"readings": WIDE, "repeats": 2}, "repeats"),
        ({"method": "estimated", "gross": "5 g"}, "gross"),
        ({"method": "declared", "plus_minus": "1 mg"}, None),
        ({"dryness": "as_found", "dried_h": 48}, "dried_h"),
        ({"dryness": "re_dried", "dried_h": 48}, None),
    ],
)
def test_what_contradicts_itself(said: dict[str, Any], member: str | None) -> None:
    """Rulings 1: malformed is what contradicts itself, such as a net that is not gross less tare."""
    found = contradiction(words(**said))
    assert (found and found[1]) == member
