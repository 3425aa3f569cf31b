"""Reading a table of separated values row by row: its encoding, what separates its cells, its heading."""

import codecs
import csv
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shipsvc.app import imports_columns
from shipsvc.app.imports_columns import Fault, Heading
from shipsvc.domain import errors

DELIMITERS = ";\t,"
#: A heading, and a cell, longer than this is no heading and no cell.
CELL_CHARACTERS_MAX = 10_000
_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


@dataclass(frozen=True)
class Line:
    """One row: the line of the file it begins in, its cells as they stand, and those that are filled, by column."""

    number: int
    cells: list[str]
    filled: dict[str, str]
    faults: list[Fault] = field(default_factory=list)


@dataclass
class Table:
    """An open file: its delimiter, its heading, and the rows behind that, read as they are asked for."""

    delimiter: str
    heading: Heading
    heading_cells: list[str]
    faults: list[Fault]
    _reader: Any
    _path: Path

    def lines(self) -> Iterator[Line]:
        """The rows that hold anything. Malformed where the file is not what it seems to be."""
        with _readable(self._path, self._reader):
            before = self._reader.line_num
            for cells in self._reader:
                begins, before = before + 1, self._reader.line_num
                if any(cell.strip() for cell in cells):
                    yield self._line(begins, cells)

    def _line(self, number: int, cells: list[str]) -> Line:
        columns = self.heading.columns
        pairs = zip(columns, cells, strict=False)
        filled = {column: text for column, cell in pairs if column and (text := cell.strip())}
        faults = []
        if any(cell.strip() for cell in cells[len(columns) :]):
            why = (
                f"it has {len(cells)} cells, the heading {len(columns)}. Put cells that hold the separator"
                f' "{self.delimiter}" into quotation marks.'
            )
            faults.append(Fault(number, "", why))
        return Line(number, cells, filled, faults)


@contextmanager
def opened(path: Path, ignored: Collection[str] = ()) -> Iterator[Table]:
    """Open a file in UTF-8 or, with a byte-order mark, UTF-16, and read its heading.

    Malformed for a file that is empty or in another encoding.
    """
    with path.open(encoding=_encoding(path), newline="") as file:
        with _readable(path, None):
            start = file.tell()
            first = _first_line(file.readline(CELL_CHARACTERS_MAX) for _ in range(100))
            file.seek(start)
        delimiter = _delimiter(first)
        reader = csv.reader(file, delimiter=delimiter, strict=True)
        with _readable(path, reader):
            cells = next(filter(any, reader), [])
        heading, faults = imports_columns.read(cells, reader.line_num, ignored)
        yield Table(delimiter, heading, cells, faults, reader, path)


def _encoding(path: Path) -> str:
    with path.open("rb") as file:
        begins = file.read(4)
    return next((encoding for mark, encoding in _MARKS if begins.startswith(mark)), "utf-8")


def _first_line(lines: Iterator[str]) -> str:
    for line in lines:
        if line.strip(" \t\r\n;,"):
            return line
    raise errors.Malformed(why="the file is empty. Its first line names the columns.")


def _delimiter(line: str) -> str:
    """Whichever separator makes most headings of the first line."""
    return max(DELIMITERS, key=lambda mark: imports_columns.recognised(next(csv.reader([line], delimiter=mark))))


@contextmanager
def _readable(path: Path, reader: Any) -> Iterator[None]:
    try:
        yield
    except UnicodeDecodeError as error:
        where = f"{path.name}, behind line {reader.line_num if reader else 0}"
        why = f"{where}: it is not written in {error.encoding.upper()}. Save it as UTF-8."
        raise errors.Malformed(why=why) from None
    except csv.Error as error:
        where = f"{path.name}, line {reader.line_num if reader else 1}"
        raise errors.Malformed(why=f"{where}: {error}. Is a quotation mark missing?") from None
