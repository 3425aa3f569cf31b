"""A line to a PostgreSQL that a test can cut, keep silent or mend: the database is away, hangs, or is back."""

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

from sqlalchemy.engine import URL, make_url

#: Looks at what the client sends; True cuts the line once that is on its way to the server.
Watch = Callable[[bytes], bool]


@dataclass
class Wire:
    """A port on this machine that leads to a server. Each connection is two threads that copy bytes."""

    url: str
    _target: URL
    _listening: socket.socket | None = None
    _port: int = 0
    _open: list[socket.socket] = field(default_factory=list)
    _silent: bool = False
    _watch: Watch | None = None

    def mend(self) -> None:
        """Let connections through (again)."""
        self._silent, self._watch = False, None
        if self._listening is None:
            self._listening = socket.create_server(("127.0.0.1", self._port))
            self._port = self._listening.getsockname()[1]
            threading.Thread(target=self._accept, args=(self._listening,), daemon=True).start()

    def cut(self) -> None:
        """Break every connection and refuse new ones."""
        if self._listening is not None:
            # close() alone leaves the thread that waits in accept() with the port still open.
            with suppress(OSError):
                self._listening.shutdown(socket.SHUT_RDWR)
            self._listening.close()
            self._listening = None
        self._break()

    def silence(self) -> None:
        """Break every connection; new ones are taken and never answered."""
        self._silent = True
        self._break()

    def cut_at(self, watch: Watch) -> None:
        """Cut once the client has sent what ``watch`` waits for: the server gets it, its answer gets lost."""
        self._watch = watch

    def _break(self) -> None:
        while self._open:
            with suppress(OSError):
                self._open[-1].shutdown(socket.SHUT_RDWR)
            self._open.pop().close()

    def _accept(self, listening: socket.socket) -> None:
        with suppress(OSError):
            while True:
                client, _ = listening.accept()
                self._open.append(client)
                if not self._silent:
                    self._join(client)

    def _join(self, client: socket.socket) -> None:
        server = _connected(self._target)
        self._open.append(server)
        for source, sink, watched in ((client, server, True), (server, client, False)):
            threading.Thread(target=self._copy, args=(source, sink, watched), daemon=True).start()

    def _copy(self, source: socket.socket, sink: socket.socket, watched: bool) -> None:
        with suppress(OSError):
            while data := source.recv(65_536):
                if watched and self._watch is not None and self._watch(data):
                    self._watch = None
                    source.close()  # first, so that no answer to what follows gets through
                    sink.sendall(data)
                    # The server works on what it got: a line that ends too early could end that as well.
                    sink.recv(65_536)
                    break
                sink.sendall(data)
        for end in (source, sink):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


def _connected(target: URL) -> socket.socket:
    """A connection to the server that a URL names, which may be a folder with a Unix socket in it."""
    host = str(target.query.get("host") or target.host or "127.0.0.1")
    port = target.port or 5432
    if not host.startswith("/"):
        return socket.create_connection((host, port))
    found = socket.socket(socket.AF_UNIX)
    found.connect(f"{host}/.s.PGSQL.{port}")
    return found


@contextmanager
def strung(url: str) -> Iterator[Wire]:
    """A wire to the database at ``url``, let through; ``wire.url`` leads over it."""
    wire = Wire("", make_url(url))
    wire.mend()
    over = make_url(url).set(host="127.0.0.1", port=wire._port).difference_update_query(["host", "port"])
    wire.url = over.render_as_string(hide_password=False)
    try:
        yield wire
    finally:
        wire.cut()
