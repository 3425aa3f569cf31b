"""Times against RFC 3339, the IANA zone data and worked examples."""

from datetime import UTC, date, datetime, timedelta, timezone
from importlib.resources import files
from zoneinfo import ZoneInfo

import pytest

from shipsvc.domain import times
from shipsvc.domain.errors import Malformed, NotATime
from shipsvc.domain.times import Intervals, Span, Stamp


def utc(text: str) -> datetime:
    """A UTC time written as on a worksheet: ``2026-04-05 14:30``."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "at", "offset_min", "offset_known", "leap_second"),
    [
        # RFC 3339 section 5.8, the five examples
        ("1985-04-12T23:20:50.52Z", "1985-04-12 23:20:50.520", 0, False, False),
        ("1996-12-19T16:39:57-08:00", "1996-12-20 00:39:57", -480, True, False),
        ("1990-12-31T23:59:60Z", "1991-01-01 00:00:00", 0, False, True),
        ("1990-12-31T15:59:60-08:00", "1991-01-01 00:00:00", -480, True, True),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01 11:40:27.870", 20, True, False),
        # RFC 3339 section 4.3: -00:00 tells the instant, not the local time
        ("2025-03-10T08:40:00-00:00", "2025-03-10 08:40", 0, False, False),
        ("2025-03-10T08:40:00+00:00", "2025-03-10 08:40", 0, True, False),
        # RFC 3339 section 5.6: t and z may be lower case
        ("2025-03-10t08:40:00z", "2025-03-10 08:40", 0, False, False),
        # our own choice: digits beyond the microsecond are cut off, not rounded into the next second
        ("2025-03-10T08:40:59.9999999Z", "2025-03-10 08:40:59.999999", 0, False, False),
        ("2016-12-31T23:59:60.5Z", "2017-01-01 00:00:00.500", 0, False, True),
    ],
)
def test_rfc_3339_texts(text: str, at: str, offset_min: int, offset_known: bool, leap_second: bool) -> None:
    """Texts that the grammar allows give the instant, the written offset and whether it is known."""
    assert times.parse_stamp(text) == Stamp(utc(at), offset_min, offset_known, leap_second)
    assert times.parse_instant(text).tzinfo is UTC


@pytest.mark.parametrize(
    "text",
    [
        *("20220708T001407Z", "2022-W27-5T00:14:07Z", "2022-07-08T00:14Z", "2022-07-08T00:14:07", "2022-07-08"),
        *("2022-07-08 00:14:07Z", "2022-07-08T00:14:07,5Z", "2022-07-08T00:14:07.Z", "2022-07-08T00:14:07+01"),
        *(
            "2022-07-08T00:14:07+0100",
            "2022-07-08T00:14:07+24:00",
            "2022-07-08T00:14:07+01:60",
            " 2022-07-08T00:14:07Z",
        ),
        *("2022-02-29T00:14:07Z", "2022-13-01T00:14:07Z", "2022-07-08T24:00:00Z", "2022-07-08T00:60:07Z", ""),
        *("0000-01-01T00:00:00Z", "0001-01-01T00:00:00+00:01", "9999-12-31T23:59:59-00:01", "2022-07-08T00:14:07Z\n"),
        *("２０２２-07-08T00:14:07Z", "2022-07-08T00:14:07+01:00[Europe/Paris]", "2022-07-08T00:14:07UTC"),
    ],
)
def test_texts_that_rfc_3339_forbids(text: str) -> None:
    """What Python's own reader lets through is refused by the grammar of RFC 3339 section 5.6."""
    with pytest.raises(NotATime) as caught:
        times.parse_instant(text)
    assert caught.value.facts == {"typed": text}


@pytest.mark.parametrize(
    "text",
    [
        *("1990-12-30T23:59:60Z", "1990-12-31T23:58:60Z", "1990-12-31T23:59:60-08:00", "2017-06-30T23:59:60Z"),
        *("1990-12-31T23:59:61Z", "1990-12-31T15:59:60-09:00"),
    ],
)
def test_leap_seconds_that_never_were(text: str) -> None:
    """RFC 3339 section 5.7: a second of 60 exists only where a leap second was inserted, at 23:59:60 UTC."""
    with pytest.raises(NotATime):
        times.parse_instant(text)


def test_leap_second_days_are_those_of_the_iana_list() -> None:
    """The 27 days equal the ``leapseconds`` file that comes with the IANA zone data (package tzdata)."""
    lines = (files("tzdata") / "zoneinfo" / "leapseconds").read_text().splitlines()
    listed = {" ".join(line.split()[1:4]) for line in lines if line.startswith("Leap")}
    assert {f"{day:%Y %b} {day.day}" for day in times.LEAP_SECOND_DAYS} == listed


def test_instants_are_written_in_utc() -> None:
    """Seconds always, microseconds only where there are any, whatever zone it came in."""
    assert times.format_instant(utc("2025-03-10 08:40")) == "2025-03-10T08:40:00Z"
    assert times.format_instant(utc("2025-03-10 08:40:00.000120")) == "2025-03-10T08:40:00.000120Z"
    tokyo = datetime(2025, 3, 10, 17, 40, tzinfo=ZoneInfo("Asia/Tokyo"))
    assert times.format_instant(tokyo) == "2025-03-10T08:40:00Z"


def test_a_time_without_offset_is_refused_everywhere() -> None:
    """Trade.md case 7: "09:10" from the receiving laboratory is no instant."""
    naive = datetime(2025, 3, 10, 9, 10)  # noqa: DTZ001 - the point of the test
    for reading in (times.as_utc, times.format_instant, lambda at: times.skew(at, utc("2025-03-10 09:10"))):
        with pytest.raises(NotATime):
            reading(naive)


@pytest.mark.parametrize("text", ["2026-6-30", "20260630", "2026-02-29", "2026-06-30T00:00:00Z", "2026-W01-1", ""])
def test_dates_are_full_dates(text: str) -> None:
    """RFC 3339 full-date and no other way of writing."""
    with pytest.raises(NotATime):
        times.parse_date(text)


def test_skew_of_the_slow_phone() -> None:
    """The scenario's A4: a phone 13 min slow says 15:58:18, and was really read at 16:11:18."""
    behind = times.skew(utc("2025-04-03 16:20"), utc("2025-04-03 16:07"))
    assert behind == timedelta(minutes=13)
    assert times.corrected(utc("2025-04-03 15:58:18"), behind) == utc("2025-04-03 16:11:18")


def test_skew_is_taken_in_true_time() -> None:
    """On 2026-03-08 in New York 03:00 is one hour after 01:00; subtracting by wall clock says two."""
    zone = ZoneInfo("America/New_York")
    one, three = datetime(2026, 3, 8, 1, tzinfo=zone), datetime(2026, 3, 8, 3, tzinfo=zone)
    assert three - one == timedelta(hours=2), "the trap in Python itself"
    assert times.skew(three, one) == timedelta(hours=1)


def test_small_skews_are_left_alone() -> None:
    """Rulings 5: a device clock within 2 s of ours is believed."""
    raw = utc("2025-04-03 15:58:18")
    assert times.corrected(raw, timedelta(seconds=-2)) == raw
    assert times.corrected(raw, timedelta(seconds=-2, microseconds=-1)) == raw - timedelta(seconds=2, microseconds=1)


def test_a_skew_out_of_the_calendar_is_no_time() -> None:
    """A device clock at the end of the calendar gives an error of ours, not an overflow."""
    with pytest.raises(NotATime):
        times.corrected(datetime.max.replace(tzinfo=UTC), timedelta(days=1))


@pytest.mark.parametrize(
    ("day", "zone", "end"),
    [
        # the four of checks.md section 8, computed there from IANA data
        ("2026-06-30", "Pacific/Kiritimati", "2026-06-30 10:00"),
        ("2026-06-30", "Asia/Tokyo", "2026-06-30 15:00"),
        ("2026-06-30", "Europe/Berlin", "2026-06-30 22:00"),
        ("2026-06-30", "America/New_York", "2026-07-01 04:00"),
        # the scenario's A5: clocks went back that morning, so the offset at the end is +09:30
        ("2026-04-05", "Australia/Adelaide", "2026-04-05 14:30"),
        # 2026-09-06 00:00 does not exist in Santiago (trade.md case 8): the day begins at 01:00, offset -03:00
        ("2026-09-05", "America/Santiago", "2026-09-06 04:00"),
        ("2026-09-06", "America/Santiago", "2026-09-07 03:00"),
    ],
)
def test_due_dates_end_with_their_local_day(day: str, zone: str, end: str) -> None:
    """Something due on a date becomes late when the next local day starts."""
    assert times.due_end(date.fromisoformat(day), zone) == utc(end)
    assert times.due_end(date.fromisoformat(day), ZoneInfo(zone)).tzinfo is UTC


@pytest.mark.parametrize(
    ("day", "zone", "hours"),
    [
        ("2026-04-05", "Australia/Adelaide", 25),  # trade.md case 8
        ("2026-10-25", "Europe/London", 25),  # trade.md case 8
        ("2026-09-06", "America/Santiago", 23),  # trade.md case 8
        ("2026-03-08", "America/New_York", 23),  # checks.md section 8
        ("2026-11-01", "America/New_York", 25),  # checks.md section 8
        ("2026-06-30", "UTC", 24),
        ("2026-04-05", "Australia/Lord_Howe", 24.5),  # IANA: half an hour of summer time
        ("2011-12-30", "Pacific/Apia", 0),  # IANA: the day that Samoa left out
        ("1919-03-31", "America/Toronto", 23.5),  # IANA: clocks jumped at 23:30 on the 30th, over midnight, to 00:30
        ("2010-11-07", "America/St_Johns", 24),  # IANA: back at 00:01 to 23:01; the day starts at the second midnight
        ("2010-11-06", "America/St_Johns", 25),
        ("2020-10-25", "Atlantic/Azores", 25),  # IANA: back at 01:00 to 00:00; the day starts at the first midnight
    ],
)
def test_days_are_as_long_as_their_zone_makes_them(day: str, zone: str, hours: float) -> None:
    """A local day has 23, 24 or 25 hours, and in odd places other lengths, or none."""
    start, end = times.day_bounds(date.fromisoformat(day), zone)
    assert end - start == timedelta(hours=hours)


@pytest.mark.parametrize(
    "zone",
    ["Mars/Phobos", "", "Europe", "europe/london", "../../etc/passwd", "right/UTC", "posix/UTC", "localtime", "+01:00"],
)
def test_unknown_zones_are_refused(zone: str) -> None:
    """Only names of the IANA list: no paths, no offsets, no clocks that count leap seconds."""
    with pytest.raises(Malformed, match="not a time zone"):
        times.due_end(date(2026, 6, 30), zone)


@pytest.mark.parametrize("day", [date.max, date.min])
def test_the_ends_of_the_calendar_are_no_due_dates(day: date) -> None:
    """An error of ours, not an overflow, where a day cannot be placed in UTC."""
    with pytest.raises(NotATime):
        times.day_bounds(day, "Asia/Tokyo")


def test_local_date_is_that_of_the_place() -> None:
    """The scenario's A5: 14:10 UTC is still the 5th in Adelaide; a fixed +10:30 would say the 6th."""
    at = utc("2026-04-05 14:10")
    assert times.local_date(at, "Australia/Adelaide") == date(2026, 4, 5)
    assert at.astimezone(timezone(timedelta(hours=10, minutes=30))).date() == date(2026, 4, 6)


def test_a_bare_date_is_the_whole_local_day() -> None:
    """Rulings 6: half-known times are [earliest, latest]."""
    assert times.parse_span("2025-11-02", "Australia/Adelaide") == Span(
        utc("2025-11-01 13:30"), utc("2025-11-02 13:30")
    )
    exact = times.parse_span("2025-11-02T10:00:00+10:30", "Australia/Adelaide")
    assert exact == Span(utc("2025-11-01 23:30"), utc("2025-11-01 23:30"))
    assert exact.is_exact


@pytest.mark.parametrize(
    ("text", "earliest", "latest"),
    [
        ("1987-03", "1987-03-01 00:00", "1987-03-31 23:00"),
        ("1987", "1987-01-01 00:00", "1988-01-01 00:00"),
        ("1987-12", "1987-12-01 00:00", "1988-01-01 00:00"),
    ],
)
def test_a_month_and_a_year_are_the_whole_of_it(text: str, earliest: str, latest: str) -> None:
    """ISO 8601-1 section 5.2.2, reduced precision; British Summer Time of 1987 began on 29 March (tz database)."""
    assert times.parse_span(text, "Europe/London") == Span(utc(earliest), utc(latest))
    assert times.is_date(text)


@pytest.mark.parametrize("text", ["1987-13", "1987-00", "0000", "9999-12", "198", "1987-3", "87"])
def test_what_is_no_month_and_no_year(text: str) -> None:
    """It is refused as any other time is, also where the month behind it is beyond the calendar."""
    with pytest.raises(NotATime):
        times.parse_span(text, "UTC")


def test_half_known_times_come_first_only_when_they_surely_do() -> None:
    """A day and an instant within it have no order."""
    day = times.parse_span("2025-11-02", "UTC")
    assert times.parse_span("2025-11-01T23:59:59Z", "UTC").surely_before(day)
    assert not times.parse_span("2025-11-02T12:00:00Z", "UTC").surely_before(day)
    with pytest.raises(Malformed):
        Span(utc("2025-11-02"), utc("2025-11-01"))


def minutes(*pairs: tuple[int, int]) -> Intervals:
    """Intervals counted in minutes of one day."""
    start = utc("2025-01-01")
    return Intervals.from_pairs((start + timedelta(minutes=a), start + timedelta(minutes=b)) for a, b in pairs)


def test_several_sensors_count_once() -> None:
    """Checks.md section 2 (d): [0,60] u [120,150] with [30,90] has a union of 120, overlap 30, and a sum of 150."""
    box, jar = minutes((0, 60), (120, 150)), minutes((30, 90))
    assert (box | jar).total == timedelta(minutes=120)
    assert (box & jar).total == timedelta(minutes=30)
    assert box.total + jar.total == timedelta(minutes=150)
    assert box - jar == minutes((0, 30), (120, 150))
    assert (box | jar).longest == timedelta(minutes=90)


def test_intervals_are_half_open() -> None:
    """Touching stretches are one; the end belongs to what follows."""
    assert minutes((0, 10), (10, 20)).pairs == minutes((0, 20)).pairs
    assert utc("2025-01-01 00:00") in minutes((0, 10), (20, 30))
    assert utc("2025-01-01 00:10") not in minutes((0, 10), (20, 30))
    assert utc("2025-01-01 00:20") in minutes((0, 10), (20, 30))
    assert not minutes((5, 5))
    assert minutes((0, 10)).clip(utc("2025-01-01 00:05"), utc("2025-01-01 00:07")) == minutes((5, 7))


def test_intervals_refuse_what_is_not_a_set() -> None:
    """Backward, overlapping, unsorted or zone-less stretches cannot be constructed."""
    one, two, three = utc("2025-01-01"), utc("2025-01-02"), utc("2025-01-03")
    with pytest.raises(Malformed):
        Intervals.from_pairs([(two, one)])
    for pairs in (((one, one),), ((one, three), (two, three)), ((two, three), (one, two)), ((one, two), (two, three))):
        with pytest.raises(Malformed):
            Intervals(pairs)
    with pytest.raises(Malformed):
        Intervals(((one.astimezone(ZoneInfo("Asia/Tokyo")), two),))
