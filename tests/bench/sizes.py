"""The same question to a small and to a large collection, turn by turn: in this process, and over HTTP."""

from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from time import perf_counter

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
#: The URL of a database with so many thousand items.
Fill = Callable[[Base, int], str]


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
def asked(base: Base, thousands: int, folder: Path, fill: Fill = crowds.filled) -> Iterator[Asked]:
    """A collection of so many thousand items, ready to be asked by its clerk."""
    url = fill(base, thousands)
    with serving(url, folder) as address:
        head = signed_in(address, crowds.READER)
        service: Service = create_app(Settings(database_url=url, base_url="http://127.0.0.1:8000")).state.service
        try:
            claims = service.keys().verify(head["Authorization"].partition(" ")[2], service.now())
            yield Asked(service, claims, address, head)
        finally:
            service.database.engine.dispose()


def grown(
    base: Base,
    folder: Path,
    questions: list[Question],
    *,
    thousands: tuple[int, int],
    times: int,
    aim: str,
    fill: Fill = crowds.filled,
) -> Iterator[Row]:
    """A row for each question: what 95 of 100 answers stayed within, and by what it grew with the collection.

    Beside it by what the median grew, which the weather on the machine moves less.
    """
    with ExitStack() as stack:
        collections = [stack.enter_context(asked(base, size, folder, fill)) for size in thousands]
        small, large = (f"{size * crowd.BLOCK:,} items" for size in thousands)
        for question in questions:
            ways = [
                _turn_by_turn([partial(one.in_process, ask) for one in collections for ask in question.ask], times),
                _turn_by_turn([partial(one.over_http, path) for one in collections for path in question.paths], times),
            ]
            late, middle = ([[times.part_ms(share) for times in way] for way in ways] for share in (0.95, 0.5))
            ours, least = (" · ".join(f"{way[side]:.1f}" for way in late) for side in (1, 0))
            growth = f"{_growth(late)} (p50 {_growth(middle)})"
            yield Row(question.name, base.name, f"{ours} ms ({large})", f"{least} ms ({small})", growth, aim)


def _growth(ways: list[list[float]]) -> str:
    return " · ".join(f"{large / small:.2f}" for small, large in ways)


def _turn_by_turn(asks: list[Callable[[], float]], times: int) -> tuple[Times, Times]:
    """The first half of the questions is for the small collection, the second the same for the large one."""
    pairs = list(zip(asks[: len(asks) // 2], asks[len(asks) // 2 :], strict=True))
    # Each question is asked once to warm up.
    turns = [[ask() for ask in pairs[turn % len(pairs)]] for turn in range(len(pairs) + times)][len(pairs) :]
    small, large = (list(taken_s) for taken_s in zip(*turns, strict=True))
    return Times(small, sum(small)), Times(large, sum(large))
