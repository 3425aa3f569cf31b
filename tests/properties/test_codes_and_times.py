"""Numbers and times under any input: what is written reads back, and sets of times behave as sets."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import portion
from hypothesis import assume, example, given
from hypothesis import strategies as st
from stdnum.iso7064 import mod_37_36

from shipsvc.domain import codes, times
from shipsvc.domain.errors import Malformed, ShipsvcError
from shipsvc.domain.times import Intervals

NUMBERS = st.from_regex(r"[A-HJ-NP-Z]{1,6}[0-9]{1,8}", fullmatch=True).filter(codes.issuable)
ZONES = st.sampled_from(sorted(times._zone_names()))
INSTANTS = st.datetimes(datetime(1850, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - bounds are naive by contract


@given(st.text(codes.ALPHABET, min_size=1))
def test_check_characters_equal_those_of_stdnum(text: str) -> None:
    """ISO/IEC 7064 MOD 37,36 as python-stdnum computes it, for any string of its alphabet."""
    assert codes.check_character(text) == mod_37_36.calc_check_digit(text)


@given(NUMBERS, st.integers(1, 999_999_999))
@example("BLL0001", 1)
def test_numbers_read_back_however_they_are_shown(number: str, serial: int) -> None:
    """Displayed, printed or scanned, in small letters or capitals, a number is read as itself."""
    assert codes.parse(codes.display(number)) == codes.parse(codes.display(number).lower()) == number
    code = codes.print_code(number, serial)
    assert codes.parse_seen(f"https://labels.example/s/{code}") == codes.Seen(number, serial)


@given(NUMBERS, st.data())
def test_a_single_wrong_character_never_names_another_number(number: str, data: st.DataObject) -> None:
    """ISO/IEC 7064: every single substitution is found; look-alikes are read as the same number."""
    shown = codes.display(number)
    place = data.draw(st.integers(0, len(shown) - 1))
    assume(shown[place] != "-")
    wrong = data.draw(st.sampled_from(codes.ALPHABET))
    try:
        assert codes.parse(shown[:place] + wrong + shown[place + 1 :]) == number
    except Malformed:
        assert wrong != shown[place]


@given(st.text())
@example("/")
@example(".")
def test_any_text_is_read_or_refused(text: str) -> None:
    """No input makes the readers fail in another way than with an error of ours."""
    for reader in (codes.parse, codes.parse_seen, codes.check_character, times.parse_stamp, times.parse_date):
        try:
            reader(text)
        except ShipsvcError:
            continue


@given(INSTANTS, st.integers(-23 * 60 - 59, 23 * 60 + 59))
def test_instants_read_back(at: datetime, offset_min: int) -> None:
    """An instant survives being written in UTC, and in any offset by Python's own writer."""
    assert times.parse_instant(times.format_instant(at)) == at
    stamp = times.parse_stamp(at.astimezone(timezone(timedelta(minutes=offset_min))).isoformat())
    assert (stamp.at, stamp.offset_min) == (at, offset_min)


@given(INSTANTS, ZONES)
def test_every_instant_is_in_one_local_day_and_days_meet(at: datetime, zone: str) -> None:
    """Local days tile time without gap or overlap, and no instant after the due end has the due date or less."""
    day = times.local_date(at, zone)
    start, end = times.day_bounds(day, zone)
    next_start, _ = times.day_bounds(day + timedelta(days=1), zone)
    assert end == next_start
    assert start <= end
    assert at < end
    assert times.local_date(end, zone) > day
    assert start == end or times.local_date(end - timedelta(microseconds=1), zone) <= day


PAIRS = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)).map(lambda pair: (min(pair), max(pair))), max_size=6)


def ours(pairs: list[tuple[int, int]]) -> Intervals:
    """The pairs as hours of a day in our own set."""
    return Intervals.from_pairs((hour(a), hour(b)) for a, b in pairs)


def hour(number: int) -> datetime:
    """That hour after the start of 2025."""
    return datetime(2025, 1, 1, tzinfo=UTC) + timedelta(hours=number)


def theirs(pairs: list[tuple[int, int]]) -> Any:
    """The same in the library ``portion``."""
    result = portion.empty()
    for start, end in pairs:
        result |= portion.closedopen(hour(start), hour(end))
    return result


def same(mine: Intervals, other: Any) -> bool:
    """Whether the two hold the same stretches."""
    return list(mine) == [(part.lower, part.upper) for part in other if not part.empty]


@given(PAIRS, PAIRS, st.integers(0, 30))
def test_interval_sets_agree_with_portion(left: list[tuple[int, int]], right: list[tuple[int, int]], at: int) -> None:
    """Union, intersection, difference and membership equal those of an independent library."""
    assert same(ours(left) | ours(right), theirs(left) | theirs(right))
    assert same(ours(left) & ours(right), theirs(left) & theirs(right))
    assert same(ours(left) - ours(right), theirs(left) - theirs(right))
    assert (hour(at) in ours(left)) == (hour(at) in theirs(left))


@given(PAIRS, PAIRS)
def test_interval_lengths_add_up(left: list[tuple[int, int]], right: list[tuple[int, int]]) -> None:
    """|A| + |B| = |A or B| + |A and B|, and what is taken away is what was shared."""
    a, b = ours(left), ours(right)
    assert a.total + b.total == (a | b).total + (a & b).total
    assert (a - b).total == a.total - (a & b).total
