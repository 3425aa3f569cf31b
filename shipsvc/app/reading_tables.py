"""Tables of readings, block by block: what can be read as arrays, what cannot with its line and the reason.

A block whose cells all look as they should is read in one go; only where one does not are its rows read one by one. So
memory is that of one block, and a good file takes little longer than its bytes.
"""

import codecs
import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from shipsvc.domain.chunks import CHUNK_READINGS, DIGITS_MAX, Floats, Ints
from shipsvc.domain.layouts import EPOCH_S, ISO, Column, Layout
from shipsvc.domain.walls import WallClock

#: Bytes that are asked for at a time; a longer line is none of a table; and what the digits of figures are told by.
READ_BYTES: Final = 1 << 20
LINE_MAX: Final = 8 << 20
SAMPLE_BYTES: Final = 1 << 15
UTF_16: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
LATEST_US: Final = 253_402_300_799_000_000
#: Beyond this no sensor reads; what a counter that ran over leaves behind is no temperature.
VALUE_MAX: Final = 1e12
#: Rows of a block that are looked at for how many digits their figures have.
DIGIT_ROWS: Final = 200
_FIGURE: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")


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
    with path.open("rb") as raw:
        lines = 0
        for piece in _pieces(_utf8(raw)):
            skipped = min(max(0, clock.layout.heading_rows - lines), piece.count(b"\n"))
            data = piece.split(b"\n", skipped)[-1] if skipped else piece
            block = _quick(clock, data) or _row_by_row(clock, data.decode("utf-8", "replace"), lines + skipped)
            lines += piece.count(b"\n")
            block.at_bytes = raw.tell()
            if block.rows:
                yield block


def text_of(beginning: bytes, *, whole: bool) -> str:
    """The beginning of a table as text; where it is not the ``whole``, without its last line, which may be torn."""
    text = beginning.decode("utf-16" if beginning[:2] in UTF_16 else "utf-8-sig", errors="replace")
    return text if whole else text.rpartition("\n")[0]


def first_block(text: str, clock: WallClock) -> Block:
    """The rows of a short text, as ``blocks`` reads those of a file."""
    lines = text.splitlines(keepends=True)
    above = clock.layout.heading_rows
    return _row_by_row(clock, "".join(lines[above : above + DIGIT_ROWS]), above)


def _utf8(raw: BinaryIO) -> Any:
    """The file as UTF-8, at its first line."""
    mark = raw.read(3)
    raw.seek(3 if mark == codecs.BOM_UTF8 else 0)
    return codecs.EncodedFile(raw, "utf-8", "utf-16", "replace") if mark[:2] in UTF_16 else raw


def _pieces(file: Any) -> Iterator[bytes]:
    """Whole lines, as many as a chunk holds readings; of a line without end, its beginning."""
    rest = b""
    while more := file.read(READ_BYTES):
        rest += more
        if len(rest) > LINE_MAX and b"\n" not in rest:
            rest = rest[:1000]
        while cut := _cut(rest):
            yield rest[:cut]
            rest = rest[cut:]
    if rest:
        yield rest


def _cut(lines: bytes) -> int | None:
    """Behind the last line that fits a chunk; None where more would fit."""
    ends = np.flatnonzero(np.frombuffer(lines, np.uint8) == ord("\n"))
    return int(ends[CHUNK_READINGS - 1]) + 1 if ends.size >= CHUNK_READINGS else None


# ------------------------------------------------------------------------------------------------------ all in one go
def _quick(clock: WallClock, data: bytes) -> Block | None:
    """The block if every cell is as plain as can be; None leaves it to be read row by row.

    Plain is: figures with a point and no exponent, seconds since 1970 or times like 2025-03-24T11:10:00Z.
    """
    layout = clock.layout
    delimiter = layout.delimiter.encode()
    if layout.decimal != "." or len(layout.time_columns) > 1 or layout.time_format not in {ISO, EPOCH_S}:
        return None
    allowed = b"0123456789.-\r\n" + delimiter + (b":TZ" if layout.time_format == ISO else b"")
    if not data.strip() or data.translate(None, allowed) or b"\n\n" in data or b"\n\r" in data:
        return None
    columns = [layout.time_columns[0] - 1, *(column.column - 1 for column in layout.columns)]
    form: list[tuple[str, str]] = [("t", "S20" if layout.time_format == ISO else "f8")]
    form += [(f"c{n}", "f8") for n in range(len(layout.columns))]
    try:
        found = np.loadtxt(io.BytesIO(data), np.dtype(form), None, layout.delimiter, usecols=columns, ndmin=1)
        times_us = _zulu(found["t"]) if layout.time_format == ISO else _seconds(found["t"])
    except (IndexError, ValueError, UserWarning):
        return None
    values = [np.ascontiguousarray(found[f"c{n}"]) for n in range(len(layout.columns))]
    if times_us is None or not all((np.abs(one) <= VALUE_MAX).all() for one in values):
        return None
    rows = [row.split(delimiter) for row in data[:SAMPLE_BYTES].split(b"\n")[:DIGIT_ROWS]]
    digits = [_digits([_sampled(row, column.column) for row in rows], ".") for column in layout.columns]
    series = {
        column.quantity: (column.unit, one, count)
        for column, one, count in zip(layout.columns, values, digits, strict=True)
    }
    clock.note(int(times_us[0]))
    clock.note(int(times_us[-1]))
    return Block(times_us, series, rows=int(times_us.size))


def _sampled(row: list[bytes], column: int) -> str:
    return row[column - 1].decode().strip() if column <= len(row) else ""


def _seconds(times: Floats) -> Ints | None:
    found: Ints = np.rint(times * 1e6).astype(np.int64)
    return found if ((found >= 0) & (found < LATEST_US)).all() else None


def _zulu(cells: npt.NDArray[np.bytes_]) -> Ints | None:
    """Times of twenty characters each, the last of them Z; None where one is otherwise."""
    letters = cells.view("S1").reshape(-1, 20)
    if not ((letters[:, 19] == b"Z") & (letters[:, 10] == b"T")).all():
        return None
    # A time that is not one, such as 30 February, makes numpy raise ValueError.
    found = cells.astype("S19").astype("U19").astype("datetime64[us]").astype(np.int64)
    return found if (found >= 0).all() else None


def _digits(cells: Sequence[str], decimal: str) -> int:
    """The most digits after the decimal sign, as far as is looked; more that are needed are found by their values."""
    behind = (cell.partition(decimal)[2] for cell in cells[:DIGIT_ROWS])
    return min(DIGITS_MAX, max((len(digits) for digits in behind if digits.isdigit()), default=0))


# --------------------------------------------------------------------------------------------------------- row by row
def _row_by_row(clock: WallClock, text: str, before: int) -> Block:
    """The rows of a text that ``before`` lines stand above."""
    layout = clock.layout
    columns: list[list[float]] = [[] for _ in layout.columns]
    times: list[int] = []
    good: list[list[str]] = []
    bad: list[Bad] = []
    for line, row in _rows(text, layout.delimiter, before, bad):
        try:
            cells = [_cell(row, column.column) for column in layout.columns]
            values = [_value(cell, layout, column) for cell, column in zip(cells, layout.columns, strict=True)]
            times.append(clock.read([_cell(row, column) for column in layout.time_columns]))
        except ValueError as error:
            bad.append(Bad(line, str(error)))
            continue
        good.append(cells)
        for kept, value in zip(columns, values, strict=True):
            kept.append(value)
    series = {
        column.quantity: (column.unit, np.array(values), _digits([cells[n] for cells in good], layout.decimal))
        for n, (column, values) in enumerate(zip(layout.columns, columns, strict=True))
    }
    return Block(np.array(times, np.int64), series, bad, rows=len(times) + len(bad))


def _rows(text: str, delimiter: str, before: int, bad: list[Bad]) -> Iterator[tuple[int, list[str]]]:
    """Rows that are not blank, with their lines, behind ``before`` others; what is no row is added to ``bad``."""
    reader = csv.reader(io.StringIO(text.replace("\0", "\ufffd"), newline=""), delimiter=delimiter)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            bad.append(Bad(before + reader.line_num, f"it cannot be taken apart into cells: {error}"))
            continue
        if any(cell.strip() for cell in row):
            yield before + reader.line_num, row


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
