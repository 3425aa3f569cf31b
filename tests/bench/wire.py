"""A client that costs next to nothing: requests are bytes made beforehand, connections are kept."""

import json
import selectors
import socket
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from time import perf_counter
from typing import Any
from urllib.parse import urlsplit

from tests.bench.table import Times

Head = Mapping[str, str]


class Refused(Exception):
    """A server did not do what it was asked."""


def post(path: str, body: Any, head: Head) -> bytes:
    """A POST of JSON."""
    content = json.dumps(body).encode()
    said = {**head, "Content-Type": "application/json", "Content-Length": str(len(content))}
    return request("POST", path, said) + content


def get(path: str, head: Head) -> bytes:
    """A GET."""
    return request("GET", path, head)


def request(method: str, path: str, head: Head) -> bytes:
    lines = [f"{method} {path} HTTP/1.1", "Host: localhost", *(f"{name}: {value}" for name, value in head.items())]
    return "\r\n".join([*lines, "", ""]).encode()


@contextmanager
def connected(address: str, connections: int = 1) -> Iterator[list[socket.socket]]:
    """Open connections to a server at ``http://host:port``."""
    parts = urlsplit(address)
    opened = [
        socket.create_connection((parts.hostname or "", parts.port or 80), timeout=60) for _ in range(connections)
    ]
    try:
        for one in opened:
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        yield opened
    finally:
        for one in opened:
            one.close()


def answer(connection: socket.socket, request: bytes) -> Any:
    """What a server answers to one request, as JSON."""
    connection.sendall(request)
    return json.loads(_received(connection).partition(b"\r\n\r\n")[2])


def in_turn(connection: socket.socket, requests: Sequence[bytes]) -> Times:
    """Ask one after the other."""
    each_s = []
    started = perf_counter()
    for request in requests:
        asked = perf_counter()
        connection.sendall(request)
        _received(connection)
        each_s.append(perf_counter() - asked)
    return Times(each_s, perf_counter() - started)


def at_once(connections: Sequence[socket.socket], requests: Sequence[bytes]) -> Times:
    """Ask on all connections at once, the next one wherever an answer has come."""
    waiting = iter(requests)
    asked: dict[socket.socket, float] = {}
    each_s: list[float] = []
    started = perf_counter()
    with selectors.DefaultSelector() as ready:
        for connection, request in zip(connections, waiting, strict=False):
            ready.register(connection, selectors.EVENT_READ)
            asked[connection] = perf_counter()
            connection.sendall(request)
        while asked:
            for key, _ in ready.select():
                assert isinstance(key.fileobj, socket.socket)
                connection = key.fileobj
                _received(connection)
                each_s.append(perf_counter() - asked.pop(connection))
                if request := next(waiting, b""):
                    asked[connection] = perf_counter()
                    connection.sendall(request)
    return Times(each_s, perf_counter() - started)


def _received(connection: socket.socket) -> bytes:
    """One whole answer, which must be a good one."""
    said = connection.recv(1 << 20)
    while b"\r\n\r\n" not in said:
        said += _more(connection, said)
    head, _, body = said.partition(b"\r\n\r\n")
    (length,) = (int(line[15:]) for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:"))
    while len(body) < length:
        body += _more(connection, body)
    if not head.startswith(b"HTTP/1.1 2"):
        raise Refused(f"{head.decode()}\n{body.decode()}")
    return head + b"\r\n\r\n" + body


def _more(connection: socket.socket, so_far: bytes) -> bytes:
    piece = connection.recv(1 << 20)
    if not piece:
        raise Refused(f"the server closed the connection after {so_far!r}")
    return piece
