"""``shipsvc listen``: takes in what live sensors say to an MQTT broker. Registered by ``shipsvc.cli``."""

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from shipsvc.app.reading_inbox import Inbox
    from shipsvc.broker import Subscription
    from shipsvc.web.deps import Service


def listen(
    broker: Annotated[str, typer.Option(help="mqtt:// or mqtts://, user:password@host:port.", envvar="SHIPSVC_BROKER")],
    login: Annotated[str, typer.Option("--as", help="Who sends it in: the name they sign in with.")],
    topic: Annotated[str, typer.Option(help="Topics, with {source} where the code is.")] = "shipsvc/{source}/senml",
    every: Annotated[float, typer.Option(help="Seconds that readings are gathered for.", min=0.1)] = 60.0,
    name: Annotated[str, typer.Option(help="By which the broker knows this listener.")] = "shipsvc-listen",
    messages: Annotated[int, typer.Option(help="End after so many messages; 0: never.", min=0)] = 0,
) -> None:
    """Subscribe to SenML (JSON or CBOR) of live sensors and store it, until interrupted.

    A message is acknowledged once it is stored, so that what a crash loses is delivered again.
    """
    from shipsvc.app.reading_inbox import Inbox
    from shipsvc.broker import Pattern, Subscription
    from shipsvc.cli import plainly, settings, upgrade
    from shipsvc.main import create_app

    with plainly():
        chosen = settings()
        upgrade(chosen)
        service: Service = create_app(chosen).state.service
        try:
            with Subscription(broker, Pattern(topic), name, typer.echo) as subscription:
                Listening(service, login, subscription, Inbox(), every).run(messages)
        except KeyboardInterrupt:
            typer.echo("Stopped.")
        finally:
            service.database.engine.dispose()


@dataclass
class Listening:
    """From messages to uploads."""

    service: "Service"
    login: str
    subscription: "Subscription"
    inbox: "Inbox"
    every_s: float
    _due: dict[str, float] = field(default_factory=dict)

    def run(self, messages: int) -> None:
        """Take in messages until ``messages`` came (0: for ever); what is gathered is stored in any case."""
        came = 0
        try:
            while not messages or came < messages:
                nearest = min(self._due.values(), default=time.monotonic() + self.every_s)
                found = self.subscription.next(nearest - time.monotonic())
                if found is not None:
                    came += 1
                    self._due.setdefault(found.source, time.monotonic() + self.every_s)
                    if self.inbox.take(found.source, found.payload, time.time(), found.mark):
                        self._due[found.source] = 0.0
                for source in [code for code, at in self._due.items() if at <= time.monotonic()]:
                    self.store(source)
        finally:
            for source in list(self._due):
                self.store(source)

    def store(self, source: str) -> None:
        """One upload of what came of a source; only then are its messages acknowledged.

        What is not to be sent by whoever this is (no such source, not theirs) is said and let go: it would never end.
        """
        from shipsvc.domain import errors

        self._due.pop(source, None)
        content, marks = self.inbox.drain(source)
        try:
            row = self._upload(source, content)
            typer.echo(f"{source}: {row['rows_stored']} readings stored, {row['rows_bad']} lines bad.")
        except (errors.NotFound, errors.NotAllowed, errors.RuleForbids) as error:
            typer.echo(f"{source}: {len(marks)} messages let go. {error}", err=True)
        for mark in marks:
            self.subscription.acknowledge(mark)

    def _upload(self, source: str, content: bytes) -> Any:
        from shipsvc.app import access, identity, uploads
        from shipsvc.domain import errors
        from shipsvc.web.api_readings import stored
        from shipsvc.web.deps import Work, transaction

        incoming = self.service.readings_shelf.begin()
        try:
            incoming.write(content)
            incoming.seal()
            sent = uploads.Sent(incoming.sha256, incoming.size_bytes, uploads.LINES, name="mqtt")

            def work(connection: Any) -> Work:
                account = identity.account(connection, self.login)
                if account is None:
                    raise errors.NotFound(what="account", name=self.login)
                now = self.service.now(connection)
                who = access.actor(connection, account["person"], now)
                return Work(connection, who, lambda: self.service.now(connection))

            begun = stored(self.service, lambda: transaction(self.service, writes=True), work, source, incoming, sent)
            with transaction(self.service, writes=False) as connection:
                return uploads.show(connection, work(connection).actor, source, begun.row["id"])
        finally:
            incoming.discard()
