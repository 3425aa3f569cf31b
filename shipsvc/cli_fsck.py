"""``shipsvc fsck``: is everything that was derived what the facts say? Registered by ``shipsvc.cli``."""

from collections.abc import Callable

import typer

#: Differences shown before the rest is only counted.
SHOWN_MAX = 200


def fsck() -> None:
    """Make everything derived once more from the facts and compare. Exit code 1 if anything differs.

    Only reads, and may run while the service does: it sees the database as it was when it began.
    """
    from shipsvc.cli import plainly, settings

    with plainly():
        differences = run(settings().database_url)
    if differences:
        raise typer.Exit(1)


def run(database_url: str) -> int:
    """Check the database, print each difference on a line of its own, and how many there are; the number."""
    from shipsvc.app import fsck as checks
    from shipsvc.store import fsck_reads
    from shipsvc.store.engine import open_database

    database = open_database(database_url)
    differences = 0
    try:
        with database.engine.connect() as connection:
            if not database.is_sqlite:
                connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                fsck_reads.be_patient(connection)
                facts = fsck_reads.count(connection)
                for found in checks.check(connection, _progress()):
                    differences += 1
                    if differences <= SHOWN_MAX:
                        typer.echo(str(found))
    finally:
        database.engine.dispose()
    typer.echo(f"{facts} facts read, {differences} differences.")
    return differences


def _progress() -> Callable[[int, int], None]:
    """Says on standard error how far it is, at every twentieth of the way."""
    said = 0

    def step(done: int, whole: int) -> None:
        nonlocal said
        if whole and 20 * done // whole > said:
            said = 20 * done // whole
            typer.echo(f"{5 * said} %", err=True)

    return step
