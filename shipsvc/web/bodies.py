"""A limit on the size of what a client may send, kept before anything reads it."""

import json
import re
from collections.abc import Mapping
from http import HTTPStatus
from typing import Final

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from shipsvc.domain import errors

STATUS: Final = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
#: RFC 9110 section 15.5.14; Python 3.11 still has the older phrase.
TITLE: Final = "Content Too Large"


class BodyLimit:
    """ASGI middleware: answers 413 to a body of more than ``limit_bytes``, declared or streamed.

    ``others`` has the limits of paths of which each takes more or less than the rest, ``alike`` those of patterns.

    The answer is its own even where the application has caught the error and made another one of it: FastAPI turns
    whatever is raised while it reads a body into a 400.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        limit_bytes: int,
        others: Mapping[str, int] | None = None,
        alike: Mapping[re.Pattern[str], int] | None = None,
    ) -> None:
        self.app = app
        self.limit_bytes = limit_bytes
        self.others = others or {}
        self.alike = alike or {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on while it keeps to the limit."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        limit_bytes = self._limit(scope["path"])
        error = errors.TooMuch(what="The body of the request", limit=errors.Text("{bytes} bytes", bytes=limit_bytes))
        if _declared_bytes(scope) > limit_bytes:
            await _refuse(send, error)
            return
        body = _Counted(limit_bytes, error, receive, send)
        try:
            await self.app(scope, body.receive, body.send)
        except Exception:
            if not body.refused:
                raise
        if body.refused:
            await _refuse(send, error)

    def _limit(self, path: str) -> int:
        alike = (limit for pattern, limit in self.alike.items() if pattern.fullmatch(path))
        return self.others.get(path) or next(alike, self.limit_bytes)


class _Counted:
    """Counts a body on its way in; once it is too large, nothing is read and no other answer begins."""

    def __init__(self, limit_bytes: int, error: errors.TooMuch, receive: Receive, send: Send) -> None:
        self._left_bytes = limit_bytes
        self._error = error
        self._receive = receive
        self._send = send
        self._answering = False

    @property
    def refused(self) -> bool:
        """Whether the body was too large before the application had begun to answer."""
        return self._left_bytes < 0 and not self._answering

    async def receive(self) -> Message:
        """The next piece, unless one before was too much: then TooMuch, and nothing is read."""
        if self._left_bytes >= 0:
            message = await self._receive()
            self._left_bytes -= len(message.get("body", b""))
            if self._left_bytes >= 0:
                return message
        raise self._error

    async def send(self, message: Message) -> None:
        """Pass the answer on, unless the refusal is to take its place."""
        if not self.refused:
            self._answering = True
            await self._send(message)


def _declared_bytes(scope: Scope) -> int:
    """The Content-Length, or 0 where there is none that can be read: then the bytes are counted."""
    text = Headers(scope=scope).get("content-length", "")
    # Twenty digits say "too large" of any longer number; int() refuses to read thousands of them.
    return int(text.lstrip("0")[:20] or "0") if text.isascii() and text.isdigit() else 0


async def _refuse(send: Send, error: errors.TooMuch) -> None:
    """RFC 9457 problem details. The connection is closed: the rest of the body may still be on its way."""
    problem = {"type": "about:blank", "title": TITLE, "status": STATUS.value, "detail": str(error), "code": error.code}
    body = json.dumps(problem).encode()
    headers = [
        (b"content-type", b"application/problem+json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    await send({"type": "http.response.start", "status": STATUS.value, "headers": headers})
    await send({"type": "http.response.body", "body": body})
