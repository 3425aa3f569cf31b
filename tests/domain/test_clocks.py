"""Clocks of loggers: offsets and drifts, exact at each check, never losing the raw time."""

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain.clocks import ClockCheck, Correction, correction, runs_back

START = datetime(2025, 4, 21, 9, tzinfo=UTC)
END = datetime(2025, 4, 30, 15, 20, tzinfo=UTC)
#: LG-201 of the scenario: set to local summer time, an hour ahead, and 41 s faster nine days later.
LG_201 = (
    ClockCheck(START + timedelta(seconds=3600), START),
    ClockCheck(END + timedelta(seconds=3641), END),
)
moments = st.integers(0, 4 * 10**15).map(lambda us: datetime(2000, 1, 1, tzinfo=UTC) + timedelta(microseconds=us))


@st.composite
def forward_checks(draw: st.DrawFn) -> list[ClockCheck]:
    """Checks of a clock that runs forward, in any order."""
    true = sorted(draw(st.sets(moments, min_size=1, max_size=6)))
    logger = sorted(draw(st.sets(moments, min_size=len(true), max_size=len(true))))
    return draw(st.permutations([ClockCheck(a, b) for a, b in zip(logger, true, strict=True)]))


def test_a_logger_in_summer_time_that_drifts() -> None:
    """LG-201 (demo.md T11): +3600 s, drift +41 s over nine days: exact at both checks, and on the line between."""
    fixed = correction(LG_201)
    assert fixed.true(LG_201[0].logger_at) == START
    assert fixed.true(LG_201[1].logger_at) == END
    middle = START + (END - START) / 2
    assert abs(fixed.true(middle + timedelta(seconds=3620.5)) - middle) <= timedelta(microseconds=1)
    assert fixed.drift_s_per_day is not None
    assert abs(fixed.drift_s_per_day * ((END - START) / timedelta(days=1)) - 41) < 1e-9


def test_one_check_is_an_offset() -> None:
    """LG-301 (demo.md T11): four seconds slow, from its first reading to its last."""
    at = datetime(2026, 8, 21, 10, 10, tzinfo=UTC)
    fixed = correction([ClockCheck(at - timedelta(seconds=4), at)])
    assert LG_201[0].offset == timedelta(hours=1)
    assert fixed.drift_s_per_day is None
    for day in range(-400, 400, 37):
        assert fixed.true(at + timedelta(days=day)) == at + timedelta(days=day, seconds=4)


def test_no_check_changes_nothing() -> None:
    """A logger nobody checked is taken at its word."""
    assert correction([]).true(START) == START == correction([]).logger(START)


@given(forward_checks())
def test_exact_at_every_check(checks: list[ClockCheck]) -> None:
    """However many checks there are, and however they were told, each is met to the microsecond."""
    fixed = correction(checks)
    assert not runs_back(checks)
    for check in checks:
        assert fixed.true(check.logger_at) == check.true_at
        assert fixed.logger(check.true_at) == check.logger_at


@given(forward_checks(), st.lists(moments, min_size=2, max_size=5))
def test_order_is_kept(checks: list[ClockCheck], at: list[datetime]) -> None:
    """What the logger wrote later happened no sooner."""
    fixed = correction(checks)
    turned = [fixed.true_us(int((one - START) / timedelta(microseconds=1))) for one in sorted(at)]
    assert turned == sorted(turned)


def test_a_clock_does_not_run_back() -> None:
    """Two checks that cannot both be true: the one told later holds, and the contradiction is seen."""
    first = ClockCheck(START + timedelta(hours=1), START)
    wrong = ClockCheck(START + timedelta(hours=2), START - timedelta(days=1))
    assert runs_back([first, wrong])
    assert correction([first, wrong]) == correction([wrong]) != correction([wrong, first])
    assert correction([first, first]) == correction([first])
    assert isinstance(correction([first]), Correction)
