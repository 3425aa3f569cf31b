"""``shipsvc export``: all that somebody may see, as files in a directory. Registered by ``shipsvc.cli``."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from shipsvc.store.engine import Database
    from shipsvc.web.deps import Work
    from shipsvc.web.exports import Export
    from shipsvc.web.schemas import Moments


def export(
    directory: Annotated[Path, typer.Argument(help="The directory to make; it must not be there.")],
    login: Annotated[str, typer.Option("--as", help="Whose eyes it is seen with: the name they sign in with.")],
    as_of: Annotated[str, typer.Option(help="The moment asked about, such as 2026-03-10T12:00:00Z; else now.")] = "",
    known_on: Annotated[str, typer.Option(help="Go by what had been recorded by then; else by all.")] = "",
) -> None:
    """Write all that somebody may see into a new directory: each export, as CSV and as JSON Lines.

    The directory is there when all of it is, and not before.
    """
    from shipsvc.cli import plainly, settings
    from shipsvc.domain import errors
    from shipsvc.domain.times import parse_instant
    from shipsvc.store.engine import open_database
    from shipsvc.web.schemas import Moments

    with plainly():
        if directory.exists():
            raise errors.AlreadyThere(what="file or directory", name=directory)
        started = datetime.now(UTC)
        # One moment for all files, which are read one after the other.
        asked = [parse_instant(said) if said else started for said in (as_of, known_on)]
        database = open_database(settings().database_url)
        try:
            written = _Writing(database, login, started).all_into(directory, Moments(*asked))
        finally:
            database.engine.dispose()
    typer.echo(f"{directory}: {written} files, each ends its rows with the moments that it is about.")


@dataclass(frozen=True)
class _Writing:
    """All exports of one person at one moment."""

    database: "Database"
    login: str
    started: datetime

    @contextmanager
    def reading(self) -> "Iterator[Work]":
        """A reading transaction for the person, in which it is the moment of the start."""
        from shipsvc.app import access, identity
        from shipsvc.domain import errors
        from shipsvc.web.deps import Work

        with self.database.engine.connect() as connection, connection.begin():
            account = identity.account(connection, self.login)
            if account is None:
                raise errors.NotFound(what="account", name=self.login)
            actor = access.actor(connection, account["person"], self.started)
            yield Work(connection, actor, lambda: self.started)

    def all_into(self, directory: Path, moments: "Moments") -> int:
        """Write beside the directory and rename when all is on the disk; how many files there are."""
        from shipsvc.web.exports import EXPORTS

        target = directory.absolute()
        beside = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
        try:
            for one in EXPORTS.values():
                self._write(one, moments, beside)
            count = len(list(beside.iterdir()))
            beside.chmod(0o755 & ~_umask())
            beside.rename(target)
        except BaseException:
            shutil.rmtree(beside)
            raise
        return count

    def _write(self, one: "Export", moments: "Moments", folder: Path) -> None:
        from shipsvc.web import exports

        for suffix in ("csv", "jsonl"):
            begun = exports.begun(one, self.reading, moments)
            with (folder / f"{one.name}.{suffix}").open("w", encoding="utf-8", newline="") as file:
                file.writelines(begun.lines(as_csv=suffix == "csv"))
                file.flush()
                os.fsync(file.fileno())


def _umask() -> int:
    """What the user takes away from new files; it can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
