"""What the application says to the driver: taken down on one copy of a database, said again on another without it."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from time import perf_counter
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event

from tests.bench.table import Times


@dataclass(frozen=True)
class Statement:
    """One call of the driver: its SQL, its parameters as the driver takes them, and whether they are many."""

    sql: str
    parameters: Any
    many: bool

    @property
    def writes(self) -> bool:
        """Whether it puts something into a table."""
        return self.sql.lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE"))


@dataclass
class Script:
    """Transactions that were committed, each as the statements in it."""

    transactions: list[list[Statement]] = field(default_factory=list)


@contextmanager
def taken_down(engine: sa.Engine) -> Iterator[Script]:
    """Everything that is said through an engine until the block ends. One thread at a time."""
    script = Script()
    going: list[Statement] = []

    def said(_c: Any, _cursor: Any, sql: str, parameters: Any, _context: Any, many: bool) -> None:
        going.append(Statement(sql, parameters, many))

    def committed(_connection: sa.Connection) -> None:
        script.transactions.append(going.copy())
        going.clear()

    event.listen(engine, "before_cursor_execute", said)
    event.listen(engine, "commit", committed)
    try:
        yield script
    finally:
        event.remove(engine, "before_cursor_execute", said)
        event.remove(engine, "commit", committed)


def said_again(connection: Any, transactions: Sequence[Sequence[Statement]]) -> Times:
    """Say them to the bare driver, reading all that it answers; how long each took with its commit."""
    each_s = []
    started = perf_counter()
    for statements in transactions:
        began = perf_counter()
        cursor = connection.cursor()
        for one in statements:
            _say(cursor, one)
        connection.commit()
        cursor.close()
        each_s.append(perf_counter() - began)
    return Times(each_s, perf_counter() - started)


def _say(cursor: Any, one: Statement) -> None:
    if one.many:
        cursor.executemany(one.sql, one.parameters)
    else:
        cursor.execute(one.sql, one.parameters)
        if cursor.description:
            cursor.fetchall()


def rows_only(statements: Sequence[Statement]) -> list[Statement]:
    """The writing statements alone, those of the same words drawn together into one with many parameters."""
    found: dict[str, list[Any]] = {}
    for one in statements:
        if one.writes:
            found.setdefault(one.sql, []).extend(one.parameters if one.many else [one.parameters])
    begin = [one for one in statements if one.sql.startswith("BEGIN")]
    return begin + [Statement(sql, parameters, many=True) for sql, parameters in found.items()]
