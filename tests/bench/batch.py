"""A batch of a thousand scans, against the rows that it writes by executemany, committed once."""

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from statistics import median

from tests.bench import driver, scans, wire
from tests.bench.bases import Base, raw
from tests.bench.driver import Statement
from tests.bench.scans import BATCH, Json
from tests.bench.serving import serving, signed_in
from tests.bench.table import Row


def measured(base: Base, folder: Path, *, quick: bool) -> Iterator[Row]:
    """The batch over HTTP; turn by turn with the same rows on the bare driver."""
    rounds = 3 if quick else 9
    template = scans.collection(base)
    facts = list(scans.Teller(1).scans(rounds * BATCH))
    batches = [facts[first : first + BATCH] for first in range(0, len(facts), BATCH)]
    transactions = _rows(base.copied(template), batches)
    ours_s: list[float] = []
    rows_s: list[float] = []
    with ExitStack() as stack:
        address = stack.enter_context(serving(base.copied(template), folder))
        connection = stack.enter_context(raw(base.copied(template)))
        head = signed_in(address, scans.LOGIN)
        (to,) = stack.enter_context(wire.connected(address))
        for sent, rows in zip(batches, transactions, strict=True):
            ours_s += wire.in_turn(to, [wire.post("/v1/events", {"facts": sent}, head)]).each_s
            rows_s += driver.said_again(connection, [rows]).each_s
    # The first of each warms up.
    ours, least = median(ours_s[1:]), median(rows_s[1:])
    written = sum(len(one.parameters) for one in transactions[-1] if one.many)
    yield Row(
        f"batch of {BATCH} scans",
        base.name,
        f"{BATCH / ours:.0f} scans/s, {1000 * ours:.0f} ms",
        f"{1000 * least:.0f} ms (the same {written} rows, executemany)",
        f"{least / ours:.2f}",
        ">= 0.25",
    )


def _rows(url: str, batches: list[list[Json]]) -> list[list[Statement]]:
    with scans.prepared(url) as (service, header), driver.taken_down(service.service.database.engine) as script:
        for sent in batches:
            scans.tell(service, header, sent, BATCH)
    return [driver.rows_only(statements) for statements in script.transactions]
