"""``shipsvc import``: brings in what already exists. Registered by ``shipsvc.cli``."""

import csv
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

if TYPE_CHECKING:
    import sqlalchemy as sa

    from shipsvc.app.access import Actor
    from shipsvc.app.imports import Counts
    from shipsvc.app.imports_cells import Ground
    from shipsvc.app.imports_check import Checking, Parsed
    from shipsvc.app.imports_columns import Fault
    from shipsvc.app.imports_file import Table
    from shipsvc.app.told import Told
    from shipsvc.config import Settings
    from shipsvc.web.deps import Service

#: Faults shown before the rest is only counted.
SHOWN_MAX = 200
#: Seconds between two words on how far it is: on a terminal, where they overwrite each other, and elsewhere.
EVERY_S = {True: 0.2, False: 15.0}
DECIMALS = {"comma": ",", "point": "."}
Done = TypeVar("Done")


def import_(
    file: Annotated[Path, typer.Argument(help="A table of separated values; its first line names the columns.")],
    login: Annotated[str, typer.Option("--as", help="Who brings it in: the name they sign in with.")],
    institution: Annotated[str, typer.Option("--for", help="For which institution, such as TRP.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only look for faults; store nothing.")] = False,
    skip_bad: Annotated[
        bool, typer.Option("--skip-bad", help="Leave faulty rows out, into a file of their own.")
    ] = False,
    decimal: Annotated[str, typer.Option(help="The decimal mark where a figure leaves doubt: comma or point.")] = "",
    date: Annotated[str, typer.Option(help="When it happened, for rows without a date.")] = "",
    ignore: Annotated[list[str] | None, typer.Option(help="A column to leave out; may be repeated.")] = None,
) -> None:
    """Bring in samples, containers and open loans from a table. The same file twice changes nothing.

    The whole file is checked first; with any fault nothing is stored, unless --skip-bad is given.
    """
    from shipsvc.cli import plainly, settings, upgrade

    if decimal and decimal not in DECIMALS:
        raise typer.BadParameter("say comma or point", param_hint="--decimal")
    started = time.monotonic()
    with plainly(), ExitStack() as stack:
        chosen = settings()
        upgrade(chosen)
        service = stack.enter_context(_service(chosen))
        run = _Run(service, file, login, institution, tuple(ignore or ()), DECIMALS.get(decimal), date or None)
        good = run.check(stack, skip_bad=skip_bad)
        if good and not dry_run:
            run.tell()
        typer.echo(f"{time.monotonic() - started:.1f} s, peak memory {_peak_mb():.0f} MB.")
    if not good:
        raise typer.Exit(1)


@contextmanager
def _service(chosen: "Settings") -> Iterator["Service"]:
    from shipsvc.main import create_app

    service: Service = create_app(chosen).state.service
    try:
        yield service
    finally:
        service.database.engine.dispose()


@dataclass
class _Run:
    """One file on its way in."""

    service: "Service"
    file: Path
    login: str
    institution: str
    ignored: tuple[str, ...]
    decimal: str | None
    date: str | None
    rows: int = 0
    bad: int = 0
    faults: int = 0
    said_at: float = field(default_factory=time.monotonic)

    # -------------------------------------------------------------------------------------------------------- check
    def check(self, stack: ExitStack, *, skip_bad: bool) -> bool:
        """Read the file once, and say all that is wrong with it; whether it, or what is left of it, may be told."""
        from shipsvc.app import imports, imports_file
        from shipsvc.app.imports_check import Checking
        from shipsvc.store.scratch import Scratch

        self.scratch = stack.enter_context(Scratch())
        self.as_checked = self._stamp()
        self.ground = self._once(self._ground)
        with imports_file.opened(self.file, self.ignored) as table, ExitStack() as reports:
            self._say(table.faults)
            if table.faults:
                return self._checked(skip_bad=False)
            report = reports.enter_context(_bad_rows(self.file, table)) if skip_bad else None
            checking = Checking(self.ground, table.heading, self.scratch, read)
            for chunk in imports.in_chunks(imports.parsed(table, self.ground)):
                self._once(partial(_check, checking, chunk))
                self._note(chunk, report)
        return self._checked(skip_bad=skip_bad)

    def _ground(self, connection: "sa.Connection", actor: "Actor") -> "Ground":
        from shipsvc.app import imports

        now = self.service.now(connection)
        return imports.ground(connection, actor, self.institution, now, self.decimal, self.date)

    def _note(self, chunk: "list[Parsed]", report: Callable[["Parsed"], None] | None) -> None:
        self.rows += len(chunk)
        for row in chunk:
            if row.faults:
                self.bad += 1
                self._say(row.faults)
                if report:
                    report(row)
        self._progress(f"checked {self.rows} rows")

    def _say(self, faults: "list[Fault]") -> None:
        for fault in faults:
            self.faults += 1
            if self.faults <= SHOWN_MAX:
                typer.echo(f"{self.file.name}, {fault}", err=True)

    def _checked(self, *, skip_bad: bool) -> bool:
        if self.faults > SHOWN_MAX:
            typer.echo(f"and {self.faults - SHOWN_MAX} more faults", err=True)
        self._progress("", last=True)
        if not self.faults:
            typer.echo(f"{self.rows} rows, no fault.")
        elif skip_bad:
            typer.echo(f"{self.rows} rows, {self.bad} left out: see {bad_name(self.file)}.")
        else:
            typer.echo(f"{self.rows} rows, {self.faults} faults. Nothing was stored.")
        return skip_bad or not self.faults

    def _stamp(self) -> tuple[int, int]:
        seen = self.file.stat()
        return seen.st_mtime_ns, seen.st_size

    # --------------------------------------------------------------------------------------------------------- tell
    def tell(self) -> None:
        """Read the file again and tell what it says."""
        from shipsvc.app import imports, imports_file
        from shipsvc.domain import errors

        if self._stamp() != self.as_checked:
            raise errors.RuleForbids(why=f"{self.file.name} was changed while it was read. Run the command again.")
        whole, done, counts = self.rows, 0, imports.Counts()
        with imports_file.opened(self.file, self.ignored) as table:
            for chunk in imports.in_chunks(imports.parsed(table, self.ground)):
                counts.add(self._told(chunk))
                done += len(chunk)
                self._progress(f"told {done} of {whole} rows, {100 * done // max(whole, 1)} %")
        for loan in self.scratch.loans():
            counts.add(self._once(self._telling(imports.lend, loan), writes=True))
        self._progress("", last=True)
        typer.echo(
            f"{counts.rows - counts.rows_replayed} things brought in, {counts.rows_replayed} were there (replayed);"
            f" {counts.facts} facts stored, {counts.facts_replayed} replayed;"
            f" {counts.aliases} other names, {counts.loans} loans."
        )

    def _told(self, chunk: "list[Parsed]") -> "Counts":
        """Tell some rows, in halves where all at once takes longer than a writing transaction may."""
        from shipsvc.app import imports
        from shipsvc.domain import errors

        try:
            return self._once(self._telling(imports.tell, chunk), writes=True)
        except errors.Away:
            if len(chunk) == 1:
                raise
        half = len(chunk) // 2
        counts = self._told(chunk[:half])
        counts.add(self._told(chunk[half:]))
        return counts

    def _telling(self, act: Any, what: Any) -> Callable[["sa.Connection", "Actor"], "Counts"]:
        def tell(connection: "sa.Connection", actor: "Actor") -> "Counts":
            now = partial(self.service.now, connection)
            counts: Counts = act(connection, actor, now, self.ground, self.scratch, read, what)
            return counts

        return tell

    def _once(self, act: Callable[["sa.Connection", "Actor"], Done], *, writes: bool = False) -> Done:
        """One transaction for the person, tried again where others crossed its way."""
        from sqlalchemy import exc

        from shipsvc.app import record
        from shipsvc.app.record import ATTEMPTS
        from shipsvc.store.engine import crossed
        from shipsvc.web.deps import transaction

        for left in reversed(range(ATTEMPTS)):
            try:
                with transaction(self.service, writes=writes) as connection:
                    return act(connection, self._actor(connection))
            except record.AffectedGrew:
                if not left:
                    raise
            except exc.DBAPIError as error:
                if not left or not crossed(error):
                    raise
        raise AssertionError("the last attempt returns or raises")

    def _actor(self, connection: "sa.Connection") -> "Actor":
        from shipsvc.app import access, identity
        from shipsvc.domain import errors

        account = identity.account(connection, self.login)
        if account is None:
            raise errors.NotFound(what="account", name=self.login)
        return access.actor(connection, account["person"], self.service.now(connection))

    def _progress(self, said: str, *, last: bool = False) -> None:
        terminal = sys.stderr.isatty()
        if last:
            typer.echo("\r\x1b[K" if terminal else "", nl=False, err=True)
        elif time.monotonic() - self.said_at >= EVERY_S[terminal]:
            self.said_at = time.monotonic()
            typer.echo(f"\r\x1b[K{said}" if terminal else said, nl=not terminal, err=True)


def _check(checking: "Checking", chunk: "list[Parsed]", connection: "sa.Connection", _actor: "Actor") -> None:
    checking.chunk(connection, chunk)


def read(raw: Mapping[str, Any]) -> "Told":
    """A fact, checked for its shape as one that comes over HTTP. Malformed, with the member at fault."""
    from shipsvc.domain import errors
    from shipsvc.web.errors import Problem
    from shipsvc.web.fact_schemas import read_fact

    found = read_fact(raw)
    if isinstance(found, Problem):
        fault = found.errors[0]
        raise errors.Malformed(why=fault.detail, pointer=fault.pointer)
    return found


@contextmanager
def _bad_rows(file: Path, table: "Table") -> Iterator[Callable[["Parsed"], None]]:
    """Writes rows that are left out, as they stand, with their line and what is wrong with them."""
    with bad_name(file).open("w", encoding="utf-8-sig", newline="") as out:
        writer = csv.writer(out, delimiter=table.delimiter)
        width = len(table.heading_cells)
        writer.writerow([*table.heading_cells, "line", "reason"])

        def write(row: "Parsed") -> None:
            cells = [*row.line.cells, *[""] * (width - len(row.line.cells))]
            reasons = "; ".join(f"{f.column}: {f.why}" if f.column else f.why for f in row.faults)
            writer.writerow([*cells[:width], row.line.number, reasons])

        yield write


def bad_name(file: Path) -> Path:
    """Where rows that are left out go: ``items.bad.csv`` beside ``items.csv``."""
    return file.with_name(f"{file.stem}.bad{file.suffix}")


def _peak_mb() -> float:
    """The most memory that this process ever held, in MB."""
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # In KiB on Linux, in bytes on macOS.
    return peak / (1_000_000 if sys.platform == "darwin" else 1000)
