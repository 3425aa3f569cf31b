"""Tables of readings, block by block: what can be read as arrays, what cannot with its line and the reason.

A block whose cells all look as they should is read in one go; only where one does not are its rows read one by one. So
memory is that of one block, and a good file takes little longer than its bytes.
"""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import IO, Final

import numpy as np

from shipsvc.domain.chunks import CHUNK_READINGS, DIGITS_MAX, Floats, Ints
from shipsvc.domain.layouts import EPOCH_S, ISO, Column, Layout
from shipsvc.domain.walls import WallClock

#: A longer line is none of a table.
LINE_MAX: Final = 1 << 16
#: Beyond this no sensor reads; what a counter that ran over leaves behind is no temperature.
VALUE_MAX: Final = 1e12
#: Rows of a block that are looked at for how many digits their figures have.
DIGIT_ROWS: Final = 200
_FIGURE: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_FIGURES: Final = re.compile(r"(?:[+-]?[0-9]{1,15}(?:\.[0-9]{0,15})?\n)*")
_ZULU: Final = re.compile(r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{1,6})?Z\n)*")


@dataclass(frozen=True, slots=True)
class Bad:
    """A line that could not be read, and why."""

    line: int
    why: str


@dataclass
class Block:
    """Some rows of a table: times in whole microseconds since 1970 as the logger wrote them; of each quantity its unit,
    values and the digits that they were written with; and the rows that could not be read."""

    times_us: Ints
    series: dict[str, tuple[str, Floats, int]]
    bad: list[Bad] = field(default_factory=list)
    rows: int = 0
    #: How far into the file its rows go.
    at_bytes: int = 0


def blocks(path: Path, clock: WallClock) -> Iterator[Block]:
    """The table at ``path`` by the layout of ``clock``, from its first block to its last."""
    layout = clock.layout
    with path.open(encoding=_encoding(path), errors="surrogateescape", newline="") as file:
        reader = csv.reader(_lines(file), delimiter=layout.delimiter)
        for _ in range(layout.heading_rows):
            next(reader, None)
        while True:
            before = reader.line_num
            rows: list[list[str]] = []
            bad: list[Bad] = []
            try:
                rows.extend(islice(reader, CHUNK_READINGS))
            except csv.Error as error:
                bad.append(Bad(reader.line_num, f"it cannot be taken apart into cells: {error}"))
            if reader.line_num == before:
                return
            yield _block(clock, rows, bad, before, _position(file))


def text_of(beginning: bytes, *, whole: bool) -> str:
    """The beginning of a table as text; where it is not the ``whole``, without its last line, which may be torn."""
    text = beginning.decode(_encoded(beginning[:2]), errors="replace").replace("\0", "\ufffd")
    return text if whole else text.rpartition("\n")[0]


def first_block(text: str, clock: WallClock) -> Block:
    """The rows of a short text, as ``blocks`` reads those of a file."""
    lines = text.splitlines(keepends=True)
    reader = csv.reader(lines, delimiter=clock.layout.delimiter)
    for _ in range(clock.layout.heading_rows):
        next(reader, None)
    before = reader.line_num
    return _row_by_row(clock, list(islice(reader, DIGIT_ROWS)), before)


def _encoding(path: Path) -> str:
    with path.open("rb") as file:
        return _encoded(file.read(2))


def _encoded(mark: bytes) -> str:
    return "utf-16" if mark in {b"\xff\xfe", b"\xfe\xff"} else "utf-8-sig"


def _lines(file: IO[str]) -> Iterator[str]:
    while line := file.readline(LINE_MAX):
        if len(line) == LINE_MAX and not line.endswith("\n"):
            while (more := file.readline(LINE_MAX)) and not more.endswith("\n"):
                pass
            line = line[:1000] + "\n"
        yield line.replace("\0", "\ufffd")


def _position(file: IO[str]) -> int:
    return file.buffer.tell() if hasattr(file, "buffer") else 0


def _block(clock: WallClock, rows: list[list[str]], bad: list[Bad], before: int, at_bytes: int) -> Block:
    block = _quick(clock, rows) if not bad and all(rows) else None
    if block is None:
        block = _row_by_row(clock, rows, before)
        block.bad = sorted([*bad, *block.bad], key=lambda one: one.line)
        block.rows = len([row for row in rows if row]) + len(bad)
    block.at_bytes = at_bytes
    return block


# ------------------------------------------------------------------------------------------------------ all in one go
def _quick(clock: WallClock, rows: list[list[str]]) -> Block | None:
    """The block if every cell is as plain as can be; None leaves it to be read row by row."""
    layout = clock.layout
    if len(layout.time_columns) > 1 or layout.time_format not in {ISO, EPOCH_S} or not rows:
        return None
    try:
        times_us = _times([row[layout.time_columns[0] - 1] for row in rows], layout.time_format)
        if times_us is None:
            return None
        series = {}
        for column in layout.columns:
            cells = [row[column.column - 1] for row in rows]
            values = _values(cells, layout.decimal)
            if values is None:
                return None
            series[column.quantity] = column.unit, values, _digits(cells, layout.decimal)
    except (IndexError, ValueError):
        return None
    clock.note(int(times_us[0]))
    clock.note(int(times_us[-1]))
    return Block(times_us, series, rows=len(rows))


def _times(cells: list[str], form: str) -> Ints | None:
    joined = "\n".join(cells) + "\n"
    if form == EPOCH_S:
        if not _FIGURES.fullmatch(joined) or "-" in joined:
            return None
        found: Ints = np.rint(np.array(joined.split(), np.float64) * 1e6).astype(np.int64)
        return found if (found < 253_402_300_799_000_000).all() else None
    if not _ZULU.fullmatch(joined):
        return None
    return np.array(joined.replace("Z\n", " ").split(), "datetime64[us]").astype(np.int64)


def _values(cells: list[str], decimal: str) -> Floats | None:
    joined = "\n".join(cells) + "\n"
    if decimal == ",":
        joined = "" if "." in joined else joined.replace(",", ".")
    if not joined or not _FIGURES.fullmatch(joined):
        return None
    values = np.array(joined.split(), np.float64)
    return values if (np.abs(values) <= VALUE_MAX).all() else None


def _digits(cells: Sequence[str], decimal: str) -> int:
    """The most digits after the decimal sign, as far as is looked; more that are needed are found by their values."""
    behind = (cell.partition(decimal)[2] for cell in cells[:DIGIT_ROWS])
    return min(DIGITS_MAX, max((len(digits) for digits in behind if digits.isdigit()), default=0))


# --------------------------------------------------------------------------------------------------------- row by row
def _row_by_row(clock: WallClock, rows: list[list[str]], before: int) -> Block:
    layout = clock.layout
    columns: list[list[float]] = [[] for _ in layout.columns]
    times: list[int] = []
    bad: list[Bad] = []
    line = before
    good: list[list[str]] = []
    for row in rows:
        line += 1 + sum(cell.count("\n") for cell in row)
        if not any(cell.strip() for cell in row):
            continue
        try:
            cells = [_cell(row, column.column) for column in layout.columns]
            values = [_value(cell, layout, column) for cell, column in zip(cells, layout.columns, strict=True)]
            times.append(clock.read([_cell(row, column) for column in layout.time_columns]))
        except ValueError as error:
            bad.append(Bad(line, str(error)))
            continue
        good.append(cells)
        for column, value in zip(columns, values, strict=True):
            column.append(value)
    series = {
        column.quantity: (column.unit, np.array(values), _digits([cells[n] for cells in good], layout.decimal))
        for n, (column, values) in enumerate(zip(layout.columns, columns, strict=True))
    }
    return Block(np.array(times, np.int64), series, bad)


def _cell(row: Sequence[str], column: int) -> str:
    if column > len(row):
        raise ValueError(f"it has {len(row)} cells, and column {column} is wanted")
    return row[column - 1]


def _value(cell: str, layout: Layout, column: Column) -> float:
    text = cell.strip()
    if not text or text in layout.no_reading or text.lower() == "nan":
        return float("nan")
    plain = text if layout.decimal == "." else _with_point(text)
    if not _FIGURE.fullmatch(plain) or abs(float(plain)) > VALUE_MAX:
        raise ValueError(f"{text[:40]!r} in column {column.column} is not a figure of {column.quantity}")
    return float(plain)


def _with_point(text: str) -> str:
    return "" if "." in text else text.replace(",", ".")
