"""The history of one item, which has nothing to do with how many others there are."""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

from shipsvc.app import documents, history, items
from shipsvc.web.deps import Work
from tests.bench import crowds, sizes
from tests.bench.bases import Base
from tests.bench.sizes import Question
from tests.bench.table import Row

PAGE = 100


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """The first pages of twenty items, in turn."""
    numbers = crowds.numbers(20)
    paths = [f"/v1/items/{number}/history?limit={PAGE}" for number in numbers]
    question = Question("history of one item: p95, in process · HTTP", [partial(_ask, n) for n in numbers], paths)
    thousands, times = ((1, 5), 20) if quick else ((10, 100), 100)
    return sizes.grown(base, folder, [question], thousands=thousands, times=times, aim="no growth")


def _ask(number: str, work: Work) -> int:
    found = items.find(work.connection, work.actor, number)
    now = work.now()
    when = documents.asked(None, None, now)
    entries = history.page(work.connection, work.actor, found, when, now, after=None, limit=PAGE + 1)
    assert entries, "there is nothing to measure"
    return len(entries)
