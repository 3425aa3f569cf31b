"""A mass and a version of what it is judged by, told at once on PostgreSQL: the version in force when it was weighed
judges it in the end, whichever of the two commits first (D30).

Each round weighs a chip that nobody has weighed since the version is to hold: of one that was, the row of the item is
locked by both, and they could not cross. 2 mg of 1204.3 are gone: beyond the usual 0.1 % of a chip, within 0.5 %.
"""

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from typing import Any

import pytest
from sqlalchemy import event

from shipsvc.app import fsck
from shipsvc.web.deps import transaction
from tests.databases import throwaway
from tests.postgres import Postgres
from tests.web.collection import Collection, collection

ROUNDS = 6
BEFORE, SINCE, WEIGHED, TOLD = (
    f"2026-03-{day}Z" for day in ("10T13:00:00", "11T00:00:00", "11T09:00:00", "20T00:00:00")
)
#: What a chip may lose, and what its 2 mg are then.
RULES = [(5000, "loss_within_allowance"), (1000, "unexplained_loss")]


@pytest.fixture(scope="module")
def pg(postgres_server: Postgres, postgres_template: str) -> Iterator[Collection]:
    """Chips that were weighed on the 10th, and a version of what the collection allows."""
    with throwaway(postgres_server, postgres_template) as (_, url), collection(url) as world:
        world.at(TOLD)
        said = {"code": "BRAITHMOSS", "handling": {}, "valid_from": BEFORE, "because": "Always so"}
        world.post("cur", "allowances", said)
        yield world


@pytest.fixture
def chip(pg: Collection) -> Callable[[], str]:
    """A new chip."""

    def made() -> str:
        of_chips = {"kind": "sample", "form": "material", "what": "interior chip", "prefix": "BRM"}
        number = str(pg.issue(**of_chips)["items"][0]["number"])
        pg.tell("cur", "TRP", "weighed", number[:-2], "2026-03-10T12:10:00Z", mass="1204.3 mg", balance="B1")
        return number

    return made


def weigh(pg: Collection, number: str) -> str:
    """Tell that the chip was weighed again; the id of the fact."""
    return str(pg.tell("cur", "TRP", "weighed", number[:-2], WEIGHED, TOLD, mass="1202.3 mg", balance="B1")["id"])


def allow(pg: Collection, share_ppm: int) -> None:
    """Tell what a chip may lose since the 11th."""
    body = {"handling": {"chip": {"least_mg": "0.05", "share_ppm": share_ppm}}, "valid_from": SINCE, "because": "Seen"}
    head = {**pg.head("cur"), "If-Match": "*"}
    answer = pg.running.client.put("/v1/allowances/BRAITHMOSS", json=body, headers=head)
    assert answer.status_code == 200, answer.text


def verdict(pg: Collection, number: str) -> str:
    """What the weighing of a chip came to."""
    rows = pg.get("cur", "reports/mass-discrepancies", verdict="all", limit="500")["items"]
    (row,) = (row for row in rows if row["item"] == number)
    return str(row["verdict"])


@contextmanager
def held_up(pg: Collection, statement: str) -> Iterator[tuple[threading.Event, threading.Event]]:
    """The first transaction that comes to such a statement stops there: (it is there, let it go on)."""
    there, go_on, engine = threading.Event(), threading.Event(), pg.running.service.database.engine

    def stop(_c: Any, _cursor: Any, text: str, *_: Any) -> None:
        if text.startswith(statement) and not there.is_set():
            there.set()
            assert go_on.wait(30)

    event.listen(engine, "before_cursor_execute", stop)
    try:
        yield there, go_on
    finally:
        go_on.set()
        event.remove(engine, "before_cursor_execute", stop)


def waits(told: "Future[Any]") -> bool:
    """Whether it has not come to an end within half a second."""
    try:
        told.result(0.5)
    except TimeoutError:
        return True
    return False


@pytest.mark.parametrize("first", ["mass", "version"])
@pytest.mark.parametrize(("share_ppm", "expected"), RULES)
def test_the_one_waits_for_the_other(
    pg: Collection, chip: Callable[[], str], first: str, share_ppm: int, expected: str
) -> None:
    """The first has found what it needs and not yet written it: the second waits, and sees what the first did."""
    allow(pg, sum(rule for rule, _ in RULES) - share_ppm)
    number = chip()
    told: list[tuple[str, Callable[[], Any]]] = [
        ("INSERT INTO event ", lambda: weigh(pg, number)),
        ("INSERT INTO allowance ", lambda: allow(pg, share_ppm)),
    ]
    (statement, one), (_, other) = told if first == "mass" else reversed(told)
    with ThreadPoolExecutor(2) as pool, held_up(pg, statement) as (there, go_on):
        earlier = pool.submit(one)
        assert there.wait(30)
        later = pool.submit(other)
        waited = waits(later)
        go_on.set()
        earlier.result(), later.result()

    assert (verdict(pg, number), waited) == (expected, True)


def test_whichever_comes_first(pg: Collection, chip: Callable[[], str]) -> None:
    """Both start in one instant, as often as that, each version unlike the one before it; ``fsck`` finds nothing."""
    allow(pg, RULES[-1][0])
    for attempt in range(ROUNDS):
        share_ppm, expected = RULES[attempt % 2]
        number, together = chip(), threading.Barrier(2)

        def at_once(do: Callable[[], Any], together: threading.Barrier = together) -> None:
            together.wait()
            do()

        with ThreadPoolExecutor(2) as pool:
            weighing = pool.submit(at_once, partial(weigh, pg, number))
            allowing = pool.submit(at_once, partial(allow, pg, share_ppm))
            weighing.result(), allowing.result()
        assert verdict(pg, number) == expected, attempt
    with transaction(pg.running.service, writes=False) as connection:
        assert list(fsck.check(connection)) == []
