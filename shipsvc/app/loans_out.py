"""What is out on loan as people sort it: by whom, from which collection, due when; in an order and groups of their own.

An order other than that of the items takes all lines, so there is a limit to how many are read; whoever has more
narrows them by lender or borrower.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import reports
from shipsvc.app.access import Actor
from shipsvc.app.report_pages import Asked

LINES_MAX: Final = 1000
Line = dict[str, Any]


def due_of(line: Mapping[str, Any]) -> str:
    """When a line is due, in four words: overdue, soon, later, open (no day yet)."""
    left = line["days_left"]
    if left is None:
        return "open"
    return "overdue" if left < 0 else "soon" if left <= reports.SOON.days else "later"


def _due(line: Line) -> tuple[Any, ...]:
    return line["due_on"] is None, line["due_on"] or "", line["item"]


#: What lines may be sorted by, and how.
ORDERS: Final[Mapping[str, Callable[[Line], Any]]] = {
    "item": lambda line: line["item"],
    "due": _due,
    "borrower": lambda line: (line["owed_by"] or "", *_due(line)),
    "holder": lambda line: (line["certain"] or line["claimed"] or "", *_due(line)),
    "collection": lambda line: (line["collection"] or "", *_due(line)),
}
_DUE_WORDS: Final = ("overdue", "soon", "later", "open")
#: What lines may be grouped by: the name of a group, and its place among the others.
GROUPS: Final[Mapping[str, Callable[[Line], tuple[Any, str]]]] = {
    "borrower": lambda line: (line["owed_by"] or "", line["owed_by"] or ""),
    "collection": lambda line: (line["collection"] or "", line["collection"] or ""),
    "due": lambda line: (_DUE_WORDS.index(due_of(line)), due_of(line)),
}


@dataclass(frozen=True)
class Wish:
    """Which lines, in which order (one of ``ORDERS``), grouped by what (one of ``GROUPS``, "" for no groups)."""

    lender: str | None = None
    borrower: str | None = None
    collection: str | None = None
    due: str = ""
    order: str = "item"
    group: str = ""


@dataclass(frozen=True)
class Sheet:
    """The lines, each with ``group`` and ``due_word``; whether some were not read; the collections that there are."""

    lines: Sequence[Line]
    cut: bool
    collections: Sequence[str]


def sheet(connection: sa.Connection, actor: Actor, asked: Asked, wish: Wish) -> Sheet:
    """The lines that are wished for."""
    found = reports.lines_out(connection, actor, asked, LINES_MAX + 1, lender=wish.lender, borrower=wish.borrower)
    read = [{**line, "due_word": due_of(line)} for line in found[:LINES_MAX]]
    collections = sorted({line["collection"] for line in read if line["collection"]})
    kept = [line for line in read if _is_wished(line, wish)]
    kept.sort(key=ORDERS[wish.order])
    if not wish.group:
        return Sheet([{**line, "group": ""} for line in kept], len(found) > LINES_MAX, collections)
    grouping = GROUPS[wish.group]
    kept.sort(key=lambda line: grouping(line)[0])  # stable: within a group the order stays
    return Sheet([{**line, "group": grouping(line)[1]} for line in kept], len(found) > LINES_MAX, collections)


def _is_wished(line: Line, wish: Wish) -> bool:
    return wish.collection in (None, line["collection"]) and wish.due in ("", line["due_word"])
