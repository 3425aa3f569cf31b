"""``shipsvc work``: what is to be done without anybody asking. Registered by ``shipsvc.cli``."""

import time
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from shipsvc.web.deps import Service

#: Samples looked at in one transaction.
PAGE = 200


def work(
    once: Annotated[bool, typer.Option(help="Go through everything once, then end.")] = False,
    every: Annotated[int, typer.Option(help="Seconds from the end of one round to the next.", min=1)] = 300,
) -> None:
    """Look for budgets of storage profiles that were passed, and open a case for each.

    Beside the service, on the same database; several of them at once open nothing twice.
    """
    from shipsvc.cli import plainly, settings
    from shipsvc.main import create_app

    with plainly():
        service: Service = create_app(settings()).state.service
        try:
            while True:
                typer.echo(watched(service))
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
