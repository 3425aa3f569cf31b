"""What an import remembers of the file it reads: on disk, so that memory does not grow with the file.

A private database of SQLite's own kind without a name, which is gone when it is closed. It has nothing to do with the
database that the facts go into.
"""

import json
import sqlite3
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Any

_SCHEMA = """
PRAGMA journal_mode = OFF;
PRAGMA cache_size = -4000;
CREATE TABLE name (name TEXT PRIMARY KEY, line INT, number TEXT, kind TEXT, holder TEXT, bad INT) WITHOUT ROWID;
CREATE TABLE content (key TEXT PRIMARY KEY, line INT) WITHOUT ROWID;
CREATE TABLE bad (line INTEGER PRIMARY KEY);
CREATE TABLE loan (code TEXT PRIMARY KEY, line INT, terms TEXT, earliest TEXT, lines INT) WITHOUT ROWID;
CREATE TABLE loan_line (code TEXT, line INT, number TEXT, said TEXT, PRIMARY KEY (code, line)) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True)
class Known:
    """A row of the file that goes by a name: where it stands, its number once it has one, and whether it is no good."""

    line: int
    number: str | None
    kind: str
    holder: str | None
    bad: bool


@dataclass(frozen=True, slots=True)
class KnownLoan:
    """A loan of the file: the line that first named it, its terms, when the first sample left, how many there are."""

    code: str
    line: int
    terms: Mapping[str, Any]
    earliest: str
    lines: int


class Scratch:
    """Names, contents, bad lines and loans of one file."""

    def __init__(self) -> None:
        self._db = sqlite3.connect("", isolation_level=None)
        self._db.executescript(_SCHEMA)
        # Without a transaction each statement would flush by itself.
        self._db.execute("BEGIN")

    def __enter__(self) -> "Scratch":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._db.close()

    def add_names(self, names: Collection[str], known: Known) -> None:
        """Remember a row by its names; one that an earlier row has is left with that."""
        rest = (known.line, known.number, known.kind, known.holder, known.bad)
        self._db.executemany("INSERT OR IGNORE INTO name VALUES (?, ?, ?, ?, ?, ?)", [(name, *rest) for name in names])

    def number_names(self, names: Collection[str], number: str) -> None:
        """The row of these names has this number."""
        self._db.executemany("UPDATE name SET number = ? WHERE name = ?", [(number, name) for name in names])

    def named(self, name: str) -> Known | None:
        """The row that goes by a name."""
        row = self._db.execute("SELECT line, number, kind, holder, bad FROM name WHERE name = ?", [name]).fetchone()
        return Known(row[0], row[1], row[2], row[3], bool(row[4])) if row else None

    def same_content(self, key: str, line: int) -> int | None:
        """The line that said the very same before; None, and it is remembered, where none did."""
        row = self._db.execute("SELECT line FROM content WHERE key = ?", [key]).fetchone()
        if row is None:
            self._db.execute("INSERT INTO content VALUES (?, ?)", [key, line])
            return None
        return int(row[0])

    def add_bad(self, line: int) -> None:
        """Remember that the row of a line is left out."""
        self._db.execute("INSERT OR IGNORE INTO bad VALUES (?)", [line])

    def is_bad(self, line: int) -> bool:
        """Whether the row of a line is left out."""
        return self._db.execute("SELECT 1 FROM bad WHERE line = ?", [line]).fetchone() is not None

    def loan(self, code: str) -> KnownLoan | None:
        """A loan that the file named."""
        row = self._db.execute("SELECT * FROM loan WHERE code = ?", [code]).fetchone()
        return _loan(row) if row else None

    def loans(self) -> Iterator[KnownLoan]:
        """All loans that the file named, in the order of their codes."""
        for row in self._db.execute("SELECT * FROM loan ORDER BY code").fetchall():
            yield _loan(row)

    def put_loan(self, loan: KnownLoan) -> None:
        """Remember a loan, or what is now known of it."""
        row = (loan.code, loan.line, json.dumps(dict(loan.terms)), loan.earliest, loan.lines)
        self._db.execute("INSERT OR REPLACE INTO loan VALUES (?, ?, ?, ?, ?)", row)

    def add_loan_line(self, code: str, line: int, number: str, said: Mapping[str, Any]) -> None:
        """Remember a sample that is lent, and what its row says of that."""
        row = (code, line, number, json.dumps(dict(said)))
        self._db.execute("INSERT OR REPLACE INTO loan_line VALUES (?, ?, ?, ?)", row)

    def loan_lines(self, code: str) -> list[tuple[str, dict[str, Any]]]:
        """The samples of a loan with what was said of each, in the order of the file."""
        found = self._db.execute("SELECT number, said FROM loan_line WHERE code = ? ORDER BY line", [code])
        return [(number, json.loads(said)) for number, said in found]


def _loan(row: tuple[Any, ...]) -> KnownLoan:
    return KnownLoan(row[0], row[1], json.loads(row[2]), row[3], row[4])
