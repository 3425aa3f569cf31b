"""Dry ice against the planned time: arithmetic by hand, common practice, no source."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain.endurance import CAUTION, endurance
from shipsvc.domain.errors import Malformed


def test_by_hand() -> None:
    """20 kg at 2.5 kg a day last 8 days; four fifths are counted on, 6.4 days; against 5 days that leaves 1.4 days."""
    found = endurance(20_000, 2_500, timedelta(days=5))
    assert found.lasts == timedelta(days=8)
    assert found.counted_on == timedelta(days=6.4)
    assert found.margin == timedelta(days=1.4)
    assert found.is_enough
    assert found.load_needed_g == 15_625


def test_a_hold_of_four_days() -> None:
    """The same box with T-02's five planned days and a hold of 99 h 20 min is short."""
    assert not endurance(20_000, 2_500, timedelta(days=5, hours=99, minutes=20)).is_enough


@given(st.integers(1, 10**5), st.integers(1, 10**4), st.integers(0, 60))
def test_what_is_needed_is_enough(load_g: int, loss_g: int, days: int) -> None:
    """A load of what is said to be needed is enough, and a gram less is not, but for rounding."""
    planned = timedelta(days=days)
    needed = endurance(load_g, loss_g, planned).load_needed_g
    if needed:
        assert endurance(needed + 1, loss_g, planned).is_enough
    if needed > 2:
        assert not endurance(needed - 2, loss_g, planned).is_enough


def test_what_cannot_be() -> None:
    """No load, no loss, a time before now; and the caution names the two dangers."""
    for load, loss, days in ((0, 1, 1), (1, 0, 1), (1, 1, -1)):
        with pytest.raises(Malformed):
            endurance(load, loss, timedelta(days=days))
    assert "airtight" in CAUTION
    assert "displaces the air" in CAUTION
