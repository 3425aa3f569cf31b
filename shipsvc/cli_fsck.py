"""``shipsvc fsck``: is everything that was derived what the facts say? Registered by ``shipsvc.cli``."""

from collections.abc import Callable
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from shipsvc.config import Settings

#: Differences shown before the rest is only counted.
SHOWN_MAX = 200


def fsck() -> None:
    """Make everything derived once more from the facts and compare, and read every evidence file. Exit code 1 if
    anything differs.

    Only reads, and may run while the service does: it sees the database as it was when it began.
    """
    from shipsvc.cli import plainly, settings

    with plainly():
        differences = run(settings())
    if differences:
        raise typer.Exit(1)


def run(chosen: "Settings") -> int:
    """Check database and files, print each difference on a line of its own, and how many there are; the number."""
    from itertools import chain

    from shipsvc.app import fsck as checks
    from shipsvc.app import fsck_files
    from shipsvc.store import fsck_reads
    from shipsvc.store.engine import open_database
    from shipsvc.store.file_bytes import Shelf

    shelf = Shelf(chosen.files_path, chosen.file_bytes_max)
    database = open_database(chosen.database_url)
    differences = 0
    try:
        with database.engine.connect() as connection:
            if not database.is_sqlite:
                connection.execution_options(isolation_level="REPEATABLE READ")
            with connection.begin():
                fsck_reads.be_patient(connection)
                facts = fsck_reads.count(connection)
                for found in chain(checks.check(connection, _progress()), fsck_files.check(connection, shelf)):
                    differences += 1
                    if differences <= SHOWN_MAX:
                        typer.echo(str(found))
                unknown = fsck_files.leftovers(connection, shelf)
    finally:
        database.engine.dispose()
    for name in unknown[:SHOWN_MAX]:
        typer.echo(f"file {name}: an upload that is under way or broke off; no fault")
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
