"""``shipsvc work``: what is to be done without anybody asking. Registered by ``shipsvc.cli``."""

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from shipsvc.store.engine import Row
    from shipsvc.web.deps import Service

#: Samples looked at in one transaction.
PAGE = 200
#: Merged chunks made in one round, and found at a time: the budgets are waiting.
MERGED_MAX, MERGED_PAGE = 2000, 100


def work(
    once: Annotated[bool, typer.Option(help="Go through everything once, then end.")] = False,
    every: Annotated[int, typer.Option(help="Seconds from the end of one round to the next.", min=1)] = 300,
) -> None:
    """Look for budgets of storage profiles that were passed, and open a case for each; merge what live sensors sent.

    Beside the service, on the same database; several of them at once open and merge nothing twice.
    """
    from shipsvc.cli import plainly, settings
    from shipsvc.main import create_app

    with plainly():
        service: Service = create_app(settings()).state.service
        try:
            while True:
                typer.echo(watched(service))
                typer.echo(merged(service))
                if once:
                    break
                time.sleep(every)
        finally:
            service.database.engine.dispose()


def watched(service: "Service") -> str:
    """One round over all samples, each case in a transaction of its own; how many were looked at, and found."""
    from shipsvc.app import budget_watch
    from shipsvc.web.deps import transaction

    looked_at, passed, after = 0, 0, ""
    while True:
        with transaction(service, writes=False) as connection:
            found, numbers = budget_watch.page(connection, service.now(connection), None, after, PAGE)
        for one in found:
            with transaction(service, writes=True) as connection:
                budget_watch.open_case(connection, service.now(connection), one)
        looked_at, passed = looked_at + len(numbers), passed + len(found)
        if len(numbers) < PAGE:
            return f"{looked_at} samples looked at, {passed} budgets passed."
        after = numbers[-1]


def merged(service: "Service", most: int = MERGED_MAX) -> str:
    """One round over the readings: small chunks merged, each lot in a transaction of its own; how many there were.

    What breaks off leaves whole lots behind; a later round goes on.
    """
    from shipsvc.app import merging
    from shipsvc.web.deps import transaction

    with transaction(service, writes=False) as connection:
        waiting = merging.series(connection)
    parts, made = 0, 0
    while waiting and made < most:
        with transaction(service, writes=False) as connection:
            page = min(MERGED_PAGE, most - made)
            lots = merging.planned(connection, service.now(connection), *waiting[-1], page)
        done = [lot for lot in lots if _merged(service, lot)]
        parts, made = parts + sum(map(len, done)), made + len(done)
        if not done:
            waiting.pop()
    return f"{parts} small chunks of readings merged to {made}."


def _merged(service: "Service", lot: "Sequence[Row]") -> bool:
    from shipsvc.app import merging
    from shipsvc.domain.errors import Malformed
    from shipsvc.web.deps import transaction

    try:
        with transaction(service, writes=True) as connection:
            return merging.merge(connection, lot)
    except Malformed as error:
        typer.echo(f"{lot[0]['source']}: chunks from {lot[0]['begin_at']} are not merged; run fsck. {error}", err=True)
        return False
