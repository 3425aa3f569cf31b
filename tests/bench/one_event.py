"""One event, POST to committed: against its own SQL on the bare driver, and against a bare application."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

from tests.bench import driver, scans, wire
from tests.bench.bases import Base, raw
from tests.bench.driver import Script
from tests.bench.serving import BARE, serving, signed_in
from tests.bench.table import Row, Times, together

#: The machine is not quiet: contenders take turns this often, so that each meets the same weather.
TURNS = 10
CONNECTIONS = 8


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """Both rows of the design, one request at a time and eight at once."""
    count = 300 if quick else 2000
    template = scans.collection(base)
    facts = list(scans.Teller(1).scans(2 * count))
    script = _script(base.copied(template), facts[:count])
    with ExitStack() as stack:
        ours = stack.enter_context(serving(base.copied(template), folder))
        bare = stack.enter_context(serving(base.copied(template), folder, BARE))
        connection = stack.enter_context(raw(base.copied(template)))
        head = signed_in(ours, scans.LOGIN)
        requests = [wire.post("/v1/events", {"fact": fact}, head) for fact in facts]
        turn = [_in_turn(ours, requests[:count]), _said_again(connection, script), _in_turn(bare, requests[:count])]
        single, statements, least = _taking_turns(turn)
        crowd, least_crowd = _taking_turns([_at_once(a, requests[count:]) for a in (ours, bare)])
    about = sum(map(len, script.transactions)) / count
    against = f"same SQL, bare driver, {about:.0f} statements"
    yield _row("one event", base, single, statements, against, 0.5)
    yield _row(f"one event, {CONNECTIONS} connections", base, crowd, statements, f"{against}, 1 connection", 0.5)
    for name, times in (("one event", single), (f"one event, {CONNECTIONS} connections", crowd)):
        yield _spread(name, base, times)
    yield _row("one event", base, single, least, "bare Starlette, one INSERT", 0.2)
    yield _row(f"one event, {CONNECTIONS} connections", base, crowd, least_crowd, "bare Starlette, one INSERT", 0.2)


def _script(url: str, facts: Sequence[scans.Json]) -> Script:
    with scans.prepared(url) as (service, header), driver.taken_down(service.service.database.engine) as script:
        for fact in facts:
            service.post("/v1/events", {"fact": fact}, header)
    assert len(script.transactions) == len(facts)
    return script


def _pieces(count: int) -> list[tuple[int, int]]:
    return list(pairwise(round(count * turn / TURNS) for turn in range(TURNS + 1)))


def _in_turn(address: str, requests: Sequence[bytes]) -> Iterator[Times]:
    for start, end in _pieces(len(requests)):
        # Anew for each turn: the server closes a connection on which nothing was said for five seconds.
        with wire.connected(address) as (connection,):
            yield wire.in_turn(connection, requests[start:end])


def _at_once(address: str, requests: Sequence[bytes]) -> Iterator[Times]:
    for start, end in _pieces(len(requests)):
        with wire.connected(address, CONNECTIONS) as connections:
            yield wire.at_once(connections, requests[start:end])


def _said_again(connection: object, script: Script) -> Iterator[Times]:
    for start, end in _pieces(len(script.transactions)):
        yield driver.said_again(connection, script.transactions[start:end])


def _taking_turns(contenders: Sequence[Iterator[Times]]) -> list[Times]:
    """What each took in all. The first turn warms up and does not count."""
    turns = list(zip(*contenders, strict=True))
    return [together(runs) for runs in zip(*turns[1:], strict=True)]


def _row(work: str, base: Base, ours: Times, baseline: Times, against: str, aim: float) -> Row:
    ratio = f"{ours.rate / baseline.rate:.2f}"
    return Row(work, base.name, str(ours), f"{baseline.rate:.0f}/s ({against})", ratio, f">= {aim}")


def _spread(work: str, base: Base, ours: Times) -> Row:
    middle, late = ours.part_ms(0.5), ours.part_ms(0.99)
    return Row(f"{work}, p99", base.name, f"{late:.2f} ms", f"p50 {middle:.2f} ms", f"{late / middle:.1f}", "<= 5")
