"""``shipsvc demo``: the scenario on a fresh embedded database, played in over HTTP, reported, then served."""

import contextlib
import logging
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import typer
import uvicorn

from demo_seed import answers, report, story
from demo_seed.parties import INSTITUTIONS, PEOPLE
from demo_seed.play import DEMO_NOW, PASSWORD, Player, ScenarioClock
from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.store import schema
from shipsvc.store.engine import Database, open_database
from shipsvc.web.deps import Service, transaction

ADMIN = "admin"
Say = Callable[[str], None]


def run(file: Path, port: int, *, once: bool, check: bool) -> int:
    """Play the scenario into ``file`` (made anew) and print the report; the number of known answers that differ."""
    for old in (file, *(file.with_name(file.name + end) for end in ("-wal", "-shm"))):
        old.unlink(missing_ok=True)
    clock = ScenarioClock()
    settings = Settings(database_url=f"sqlite:///{file}", base_url=f"http://127.0.0.1:{port}", log_level="WARNING")
    _prepare(settings, clock)
    wrong = 0
    with serving(settings, clock, port) as address, httpx.Client(base_url=address, timeout=30) as client:
        player = Player(client, clock)
        play(player, typer.echo)
        clock.let_go(DEMO_NOW)
        report.report(player, typer.echo)
        if check:
            typer.echo("")
            wrong = report.check(list(answers.ask_all(player)), typer.echo)
        if not once:
            _welcome(address, typer.echo)
            _until_interrupted()
    return wrong


def _prepare(settings: Settings, clock: ScenarioClock) -> None:
    from shipsvc.app import identity

    database = open_database(settings.database_url)
    schema.upgrade(database)
    first = dict(INSTITUTIONS[0])
    code = first.pop("code")
    with transaction(_bare(settings, database), writes=True) as connection:
        identity.bootstrap(
            connection,
            clock(),
            login=ADMIN,
            password=PASSWORD,
            name="administrator",
            institution=code,
            institution_content=first,
        )
    database.engine.dispose()


def _bare(settings: Settings, database: Database) -> Service:
    """Enough of a service for one transaction before there is an application."""
    from shipsvc.web.keys import Keys
    from shipsvc.web.metrics import make_metrics

    service = Service(settings, database, make_metrics(kinds=()), keys=lambda: Keys(service).ring())
    return service


def play(player: Player, say: Say) -> None:
    """Set the scenario up and play it in, with progress."""
    started = time.monotonic()
    say("Braithmoss: an invented collection, five loans, and everything that can go wrong with them.")
    story.set_up(player, ADMIN)
    steps = story.steps()
    say(f"Set up: {len(INSTITUTIONS)} institutions, {len(PEOPLE)} people. Playing {len(steps)} steps over HTTP ...")

    def progress(done: int, of: int) -> None:
        if done % 50 == 0 or done == of:
            say(f"  {done} of {of} steps, the story is at {player.clock().date()}")

    player.play(steps, progress)
    say(f"Played in {time.monotonic() - started:.1f} s. Asking the service:")


@contextlib.contextmanager
def serving(settings: Settings, clock: ScenarioClock, port: int) -> Iterator[str]:
    """The service on 127.0.0.1 in a thread of this process; its address."""
    logging.getLogger("uvicorn").setLevel(logging.WARNING)
    loop = "uvloop" if sys.platform != "win32" else "asyncio"
    config = uvicorn.Config(create_app(settings, clock), loop=loop, http="httptools", log_config=None, access_log=False)
    server = uvicorn.Server(config)
    listening = socket.socket()
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind(("127.0.0.1", port))
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(timeout=10)
        listening.close()


def _welcome(address: str, say: Say) -> None:
    say("")
    say(f"The service runs at {address} (API description: {address}/docs). It is {DEMO_NOW:%Y-%m-%d %H:%M} UTC there.")
    say(f"Sign-ins, all with the password {PASSWORD}:")
    for login, what, where, _ in PEOPLE:
        say(f"  {login:10} {what}, {where}")
    say(f"  {ADMIN:10} administrator of the service")
    say("Stop it with Ctrl-C.")


def _until_interrupted() -> None:
    with contextlib.suppress(KeyboardInterrupt):
        threading.Event().wait()
