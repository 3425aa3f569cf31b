"""The command line. A command imports what it needs when it runs, so that ``--help`` does not wait for all of it."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from shipsvc import cli_user
from shipsvc.cli_export import export
from shipsvc.cli_fsck import fsck
from shipsvc.cli_import import import_
from shipsvc.cli_listen import listen
from shipsvc.cli_work import work

if TYPE_CHECKING:
    from fastapi import FastAPI

    from shipsvc.config import Settings

#: Seconds that requests have to end when the server is told to stop; ``docker stop`` kills after ten.
GRACE_S = 8

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Custody, time out of storage, mass and loans of scarce physical samples.",
)


@contextmanager
def plainly() -> Iterator[None]:
    """Turn what can go wrong on purpose into one line and exit code 1."""
    from sqlalchemy.exc import OperationalError

    from shipsvc.domain.errors import ShipsvcError

    try:
        yield
    except ShipsvcError as failure:
        typer.echo(str(failure), err=True)
        raise typer.Exit(1) from failure
    except OperationalError as failure:
        typer.echo(f"The database cannot be used: {failure.orig}", err=True)
        raise typer.Exit(1) from failure
    except OSError as failure:
        typer.echo(f"{failure.filename}: {failure.strerror}", err=True)
        raise typer.Exit(1) from failure


def settings() -> "Settings":
    """What the environment says."""
    from shipsvc.config import Settings

    return Settings()


def upgrade(chosen: "Settings") -> str:
    """Bring the database to the newest schema; its revision."""
    from shipsvc.store import schema
    from shipsvc.store.engine import open_database

    database = open_database(chosen.database_url)
    try:
        schema.upgrade(database)
    finally:
        database.engine.dispose()
    return schema.head()


@app.command()
def migrate() -> None:
    """Bring the database to the newest schema. Harmless where it is there already."""
    with plainly():
        typer.echo(f"The database is at schema {upgrade(settings())}.")


@app.command()
def begin(
    institution: Annotated[str, typer.Option(prompt="Short code of your institution", help="Such as TRP.")],
    institution_name: Annotated[str, typer.Option(prompt="Its name", help="In full.")],
    zone: Annotated[str, typer.Option(prompt="Its time zone", help="Such as Europe/London.")],
    login: Annotated[str, typer.Option(prompt="Name to sign in with", help="In small letters.")],
    name: Annotated[str, typer.Option(prompt="Your own name", help="As others are to read it.")],
    password: Annotated[
        str,
        typer.Option(prompt=True, hide_input=True, confirmation_prompt=True, help="8 characters at least; asked for."),
    ],
) -> None:
    """Make the first administrator and their institution. From then on administrators add people."""
    from datetime import UTC, datetime

    from shipsvc.app import identity
    from shipsvc.store.engine import open_database

    content = {"name": institution_name, "kind": "lender", "zone": zone, "altitude_m": None}
    with plainly():
        chosen = settings()
        upgrade(chosen)
        database = open_database(chosen.database_url)
        try:
            with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
                identity.bootstrap(
                    connection,
                    datetime.now(UTC),
                    login=login,
                    password=password,
                    name=name,
                    institution=institution,
                    institution_content=content,
                )
        finally:
            database.engine.dispose()
    typer.echo(f"{login} administers the service for {institution}. Start it with: shipsvc serve")


@app.command()
def serve(
    host: Annotated[str, typer.Option(help="Address to listen on; 0.0.0.0 for all.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.", min=0, max=65535)] = 8000,
    workers: Annotated[int, typer.Option(help="Processes; more than one only on PostgreSQL.", min=1)] = 1,
) -> None:
    """Migrate the database, then serve requests until told to stop."""
    chosen = settings()
    if workers > 1 and chosen.sqlite_path is not None:
        raise typer.BadParameter(
            "SQLite lets one process write at a time. Use --workers 1, or PostgreSQL (SHIPSVC_DATABASE_URL)."
        )
    import uvicorn

    from shipsvc.web.logs import configure_logging

    with plainly():
        upgrade(chosen)
    configure_logging(chosen.log_level, sys.stderr)
    uvicorn.run(
        "shipsvc.cli:application",
        factory=True,
        host=host,
        port=port,
        workers=workers,
        # With more than one worker the loop of the standard library adds 44 ms to each request on a kept connection.
        loop="uvloop" if sys.platform != "win32" else "asyncio",
        http="httptools",
        timeout_graceful_shutdown=GRACE_S,
        log_config=None,
        access_log=False,
    )


def application() -> "FastAPI":
    """What each process of ``serve`` runs."""
    from shipsvc.main import create_app
    from shipsvc.web.logs import configure_logging

    chosen = settings()
    # A worker of several is a process of its own, and knows nothing of what its parent set.
    configure_logging(chosen.log_level, sys.stderr)
    return create_app(chosen)


@app.command()
def backup(file: Annotated[Path, typer.Argument(help="The file to make; it must not be there.")]) -> None:
    """Copy the embedded database to a file while the service runs, and check the copy."""
    from shipsvc.store.backup import back_up

    chosen = settings()
    source = chosen.sqlite_path
    if source is None:
        typer.echo(
            f"This database is PostgreSQL. Use its own tool: pg_dump --format=custom --file={file} ...", err=True
        )
        raise typer.Exit(1)
    with plainly():
        facts = back_up(source, file)
    typer.echo(f"{file}: {facts} facts, checked. Keep it safe: the keys that sign tokens are in it.")
    if chosen.files_path.exists():
        typer.echo(f"Evidence files are not in it: now copy the folder {chosen.files_path}, too.")


app.command()(fsck)
app.command()(work)
app.command()(listen)
app.command()(export)
app.command("import")(import_)
app.add_typer(cli_user.app, name="user")


@app.command()
def demo(
    file: Annotated[Path, typer.Option(help="The database file, made anew.")] = Path("braithmoss.sqlite3"),
    port: Annotated[int, typer.Option(help="Port to listen on; 0 for any.", min=0, max=65535)] = 8000,
    once: Annotated[bool, typer.Option("--once", help="End after the report.")] = False,
    check: Annotated[bool, typer.Option("--check", help="Compare with the known answers.")] = False,
) -> None:
    """Play an invented scenario into a fresh database over HTTP, print a report, then serve it."""
    from shipsvc import cli_demo

    with plainly():
        wrong = cli_demo.run(file, port, once=once, check=check)
    if wrong:
        raise typer.Exit(1)
