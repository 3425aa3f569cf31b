"""The same question to a small and to a large collection, turn by turn: in this process, and over HTTP."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.web.deps import Service, Work, reading
from shipsvc.web.tokens import Claims
from tests import crowd
from tests.bench import crowds, wire
from tests.bench.bases import Base
from tests.bench.serving import serving, signed_in
from tests.bench.table import Row, Times

Ask = Callable[[Work], object]


@dataclass(frozen=True)
class Question:
    """What is asked: of the application, and as the path of a GET. Several are asked in turn, each as often."""

    name: str
    ask: list[Ask]
    paths: list[str]


@dataclass(frozen=True)
class Asked:
    """One collection, open in this process and served by another."""

    service: Service
    claims: Claims
    address: str
    head: Mapping[str, str]

    def in_process(self, ask: Ask) -> float:
        """Seconds that the function of the application took, its transaction not counted."""
        with reading(self.service, self.claims) as work:
            began = perf_counter()
            ask(work)
            return perf_counter() - began

    def over_http(self, path: str) -> float:
        """Seconds from the request to the end of the answer."""
        with wire.connected(self.address) as (connection,):
            return wire.in_turn(connection, [wire.get(path, self.head)]).each_s[0]


@contextmanager
def asked(base: Base, thousands: int, folder: Path) -> Iterator[Asked]:
    """A collection of so many thousand items, ready to be asked by its clerk."""
    url = crowds.filled(base, thousands)
    with serving(url, folder) as address:
        head = signed_in(address, crowds.READER)
        service: Service = create_app(Settings(database_url=url, base_url="http://127.0.0.1:8000")).state.service
        try:
            claims = service.keys().verify(head["Authorization"].partition(" ")[2], service.now())
            yield Asked(service, claims, address, head)
        finally:
            service.database.engine.dispose()


def grown(
    base: Base, folder: Path, questions: list[Question], *, thousands: tuple[int, int], times: int, aim: str
) -> Iterator[Row]:
    """A row for each question: what 95 of 100 answers stayed within, and by what it grew with the collection."""
    with ExitStack() as stack:
        small, large = (stack.enter_context(asked(base, size, folder)) for size in thousands)
        for question in questions:
            found = [_times(question, small, large, over_http=over_http, times=times) for over_http in (False, True)]
            least, ours = (" · ".join(f"{one[side].part_ms(0.95):.1f}" for one in found) for side in (0, 1))
            growth = " · ".join(f"{large.part_ms(0.95) / small.part_ms(0.95):.2f}" for small, large in found)
            sizes = [f"{size * crowd.BLOCK:,} items" for size in thousands]
            yield Row(question.name, base.name, f"{ours} ms ({sizes[1]})", f"{least} ms ({sizes[0]})", growth, aim)


def _times(question: Question, small: Asked, large: Asked, *, over_http: bool, times: int) -> tuple[Times, Times]:
    each_s: tuple[list[float], list[float]] = ([], [])
    ways: list[Any] = list(question.paths if over_http else question.ask)
    for turn in range(times + 1):
        for of, taken_s in zip((small, large), each_s, strict=True):
            one = ways[turn % len(ways)]
            taken_s.append(of.over_http(one) if over_http else of.in_process(one))
    # The first of each warms up.
    return tuple(Times(taken_s[1:], sum(taken_s[1:])) for taken_s in each_s)  # type: ignore[return-value]  # of two
