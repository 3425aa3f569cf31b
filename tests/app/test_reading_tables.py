"""Tables of readings as loggers write them, and the clocks on walls that they were written by."""

import tracemalloc
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from shipsvc.app import reading_tables
from shipsvc.app.reading_tables import Block
from shipsvc.domain.layouts import Column, Layout
from shipsvc.domain.walls import AMBIGUOUS, SKIPPED, WallClock, instant

PLAIN = Layout((Column(2, "temperature", "Cel"),))


def read(path: Path, text: str, layout: Layout = PLAIN, zone: str = "UTC") -> tuple[Block, WallClock]:
    """The one block of a small table."""
    path.write_bytes(text.encode())
    clock = WallClock(layout, zone)
    (block,) = reading_tables.blocks(path, clock)
    return block, clock


def times(block: Block) -> list[str]:
    """Times of a block as text."""
    return [instant(int(at)).isoformat().replace("+00:00", "Z") for at in block.times_us]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A file to write a table into."""
    return tmp_path / "table.csv"


def test_a_plain_table(path: Path) -> None:
    """Times with Z and figures with a point: read in one go, with the digits they were written with."""
    block, _ = read(path, "time,c\n2025-03-24T11:10:00Z,-58.20\n2025-03-24T11:20:00Z,-58.1\n")
    assert times(block) == ["2025-03-24T11:10:00Z", "2025-03-24T11:20:00Z"]
    unit, values, digits = block.series["temperature"]
    assert (unit, values.tolist(), digits) == ("Cel", [-58.2, -58.1], 2)
    assert (block.rows, block.bad) == (2, [])


def test_commas_semicolons_and_two_columns_of_time(path: Path) -> None:
    """As spreadsheets of many countries write it, headings above, blank lines between."""
    columns = (Column(3, "temperature", "Cel"), Column(4, "relative_humidity", "%"))
    layout = Layout(columns, (1, 2), "DD.MM.YYYY HH:mm", "Europe/Berlin", ";", ",", 2, ("---",))
    text = "Logger 7\r\nTag;Zeit;T;rF\r\n30.04.2025;15:20;20,5;8,1\r\n\r\n30.04.2025;15:30;20,25;---\r\n"
    block, _ = read(path, text, layout)
    assert times(block) == ["2025-04-30T13:20:00Z", "2025-04-30T13:30:00Z"]
    assert block.series["temperature"][1].tolist() == [20.5, 20.25]
    assert np.isnan(block.series["relative_humidity"][1]).tolist() == [False, True]
    assert block.rows == 2


def test_bad_rows_are_told_with_their_lines(path: Path) -> None:
    """A torn line, a word for a figure, an impossible time: each with its line and why; the others are read."""
    text = (
        "time,c\n2025-03-24T11:10:00Z,1.5\n2025-03-24T11:2\n2025-03-24T11:30:00Z,OL\n2025-02-30T11:40:00Z,2\n"
        "2025-03-24T11:50:00Z,\n2025-03-24T12:00:00Z,1e99\n2025-03-24T12:10:00Z,3.5\n"
    )
    block, _ = read(path, text)
    assert times(block) == ["2025-03-24T11:10:00Z", "2025-03-24T11:50:00Z", "2025-03-24T12:10:00Z"]
    assert [one.line for one in block.bad] == [3, 4, 5, 7]
    assert "column 2" in block.bad[1].why
    assert (block.rows, block.series["temperature"][1].tolist()[::2]) == (7, [1.5, 3.5])


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("epoch_s", "1742814600.5"),
        ("epoch_ms", "1742814600500"),
        ("iso", "2025-03-24 12:10:00.5+01:00"),
        ("iso", "2025-03-24T11:10:00.5"),
        ("MM/DD/YYYY hh:mm:ss AM", "03/24/2025 11:10:00.5 am"),
        ("YY-MM-DD HH:mm:ss", "25-03-24 11:10:00.500"),
    ],
)
def test_ways_to_write_a_time(path: Path, form: str, text: str) -> None:
    """Each of them is half a second past ten past eleven, read quickly or slowly."""
    block, _ = read(path, f"t,c\n{text},1\n", Layout(PLAIN.columns, (1,), form))
    assert times(block) == ["2025-03-24T11:10:00.500000Z"]


def test_quick_and_slow_agree(path: Path) -> None:
    """One odd cell makes the whole block be read row by row, to the same figures (numpy's reader against Python's)."""
    rows = [f"2025-03-24T{n // 60:02}:{n % 60:02}:00Z,{n / 7:.4f}" for n in range(600)]
    quick, _ = read(path, "t,c\n" + "\n".join(rows))
    slow, _ = read(path, "t,c\n" + "\n".join([*rows, "oops,1"]))
    assert quick.times_us.tolist() == slow.times_us.tolist()
    assert quick.series["temperature"][1].tolist() == slow.series["temperature"][1].tolist()
    assert len(slow.bad) == 1


def wall(hours: list[str]) -> list[str]:
    """Times of a logger in London on the night when clocks go back, 2025-10-26, as instants."""
    clock = WallClock(Layout(PLAIN.columns, (1,), "YYYY-MM-DD HH:mm"), "Europe/London")
    found = [instant(clock.read([f"2025-10-26 {one}"])).strftime("%H:%M") for one in hours]
    assert clock.marks.get(AMBIGUOUS, 0) == sum(one.startswith("01") for one in hours)
    return found


def test_the_hour_that_comes_twice() -> None:
    """By order: the second time round is an hour later (London 2025-10-26: 01:30 is 00:30Z, then 01:30Z)."""
    twice = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    assert wall(twice) == ["23:30", "00:00", "00:30", "01:00", "01:30", "02:00"]
    assert wall(["01:30"]) == ["00:30"]
    assert wall(["02:00", "01:30", "01:00", "01:30", "01:00", "00:30"]) == [
        *("02:00", "01:30", "01:00", "00:30", "00:00", "23:30")
    ]


def test_an_hour_that_never_was() -> None:
    """London 2025-03-30 01:30 was skipped: it is read by the offset before, and marked."""
    clock = WallClock(Layout(PLAIN.columns, (1,), "YYYY-MM-DD HH:mm"), "Europe/London")
    assert instant(clock.read(["2025-03-30 01:30"])) == datetime(2025, 3, 30, 1, 30, tzinfo=UTC)
    assert clock.marks == {SKIPPED: 1}


@given(st.integers(0, 2**31), st.sampled_from(["Europe/London", "America/New_York", "Australia/Lord_Howe", "UTC"]))
def test_walls_against_zoneinfo(begin_s: int, zone: str) -> None:
    """Any three days of half hours, written by a local clock, come back as they were (PEP 615's own arithmetic)."""
    clock = WallClock(Layout(PLAIN.columns, (1,), "YYYY-MM-DD HH:mm:ss"), zone)
    for step in range(144):
        at = datetime.fromtimestamp(begin_s + 1800 * step, UTC)
        shown = at.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M:%S")
        found = instant(clock.read([shown]))
        assume(step > 1 or not clock.marks)  # a table that begins within such an hour does not say which
        assert found == at


def test_a_table_in_utf_16_and_a_mark_in_front(path: Path) -> None:
    """Both are what spreadsheets write."""
    text = "t,c\n2025-03-24T11:10:00Z,1\n"
    path.write_bytes(text.encode("utf-16"))
    (block,) = reading_tables.blocks(path, WallClock(PLAIN, "UTC"))
    assert len(block.times_us) == 1
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert next(reading_tables.blocks(path, WallClock(PLAIN, "UTC"))).rows == 1


def test_long_lines_and_quotes(path: Path) -> None:
    """A line of a million characters is a bad row like others; a cell over two lines keeps the count of lines."""
    text = "t,c\n" + "9" * 1_000_000 + '\n2025-03-24T11:10:00Z,"1\n"\nx,2\n2025-03-24T11:20:00Z,3\n'
    block, _ = read(path, text)
    assert [one.line for one in block.bad] == [2, 5]
    assert block.series["temperature"][1].tolist() == [1.0, 3.0]


def test_nothing_but_headings(path: Path) -> None:
    """No row, no block."""
    path.write_text("t,c\n")
    assert list(reading_tables.blocks(path, WallClock(PLAIN, "UTC"))) == []


def peak_bytes(path: Path, rows: int, end: str) -> int:
    """The most memory that reading a table of so many rows takes at once (tracemalloc, which numpy reports to)."""
    with path.open("w") as file:
        file.write("t,c\n")
        for n in range(rows):
            file.write(
                f"2025-01-{1 + n // 86_400:02}T{n // 3600 % 24:02}:{n // 60 % 60:02}:{n % 60:02}{end},{n % 97}.5\n"
            )
    tracemalloc.start()
    try:
        found = sum(len(block.times_us) for block in reading_tables.blocks(path, WallClock(PLAIN, "UTC")))
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found == rows
    return peak


@pytest.mark.parametrize("end", ["Z", "+00:00"])
def test_memory_is_that_of_a_block(end: str, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long the table, read in one go or row by row: four times the rows take no more memory, but for a bit."""
    monkeypatch.setattr(reading_tables, "CHUNK_READINGS", 1000)
    monkeypatch.setattr(reading_tables, "READ_BYTES", 1 << 15)
    short = peak_bytes(path, 4000, end)
    assert peak_bytes(path, 16_000, end) < 1.35 * short
