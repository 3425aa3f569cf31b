"""Logs: one JSON object a line, one line a request, each with the id of the request it belongs to.

No query string, header, body or concrete path is ever written by this module: they hold tokens, names and
item numbers. The route template says enough.
"""

import json
import logging
import re
import time
import uuid
from collections.abc import Callable
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any, Final, TextIO

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from shipsvc.web.metrics import Metrics, known_method

REQUEST_ID_HEADER: Final = "X-Request-Id"
UNMATCHED: Final = "unmatched"
request_id: ContextVar[str | None] = ContextVar("request_id", default=None)
_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_log = logging.getLogger("shipsvc.request")
#: What every record carries; all else was given by ``extra=``.
_RECORD_MEMBERS: Final = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "color_message"}
#: These write whole addresses, query strings included, at INFO.
_TALKATIVE: Final = ("httpx", "httpx2", "httpcore")


class JsonLines(logging.Formatter):
    """A record as one line of JSON: time (UTC), level, logger, message, request_id, extras, exception."""

    def format(self, record: logging.LogRecord) -> str:
        """One line, in ASCII, so that no character in a message can end it early."""
        line: dict[str, Any] = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
        }
        line |= {name: value for name, value in vars(record).items() if name not in _RECORD_MEMBERS}
        if (current := request_id.get()) is not None:
            line["request_id"] = current
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return json.dumps(line, default=str)


def configure_logging(level: str, stream: TextIO) -> None:
    """Send all records of ``level`` ("INFO") and above to ``stream`` as JSON lines; again to change them.

    Start uvicorn with ``log_config=None``, or it brings its own handlers. Its access log is shut off, since it
    holds query strings and ours replaces it.
    """
    root = logging.getLogger()
    for handler in [handler for handler in root.handlers if isinstance(handler.formatter, JsonLines)]:
        root.removeHandler(handler)
    handler = logging.StreamHandler(stream)
    handler.setFormatter(JsonLines())
    root.addHandler(handler)
    root.setLevel(level)
    for name in _TALKATIVE:
        logging.getLogger(name).setLevel(logging.WARNING)
    access = logging.getLogger("uvicorn.access")
    access.handlers.clear()
    access.propagate = False


class RequestContext:
    """ASGI middleware: gives each request its id, and logs and counts it when it is done.

    It must stand outside all that may copy the scope, or the route is not seen. A plain ASGI class, since
    Starlette's BaseHTTPMiddleware runs the endpoint where context variables set by it do not come back.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        metrics: Metrics,
        timer_s: Callable[[], float] = time.perf_counter,
        new_id: Callable[[], str] = lambda: uuid.uuid4().hex,
    ) -> None:
        self.app = app
        self.metrics = metrics
        self.timer_s = timer_s
        self.new_id = new_id

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on under its id; whatever it raises goes on to whoever is outside."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        chosen = _given_id(Headers(scope=scope)) or self.new_id()
        answer = _Answer(send, chosen)
        reset = request_id.set(chosen)
        started_s = self.timer_s()
        try:
            await self.app(scope, receive, answer.send)
        except BaseException as failure:  # a cancelled request is logged as well
            answer.failure = type(failure).__name__
            raise
        finally:
            self._done(scope, answer, self.timer_s() - started_s)
            request_id.reset(reset)

    def _done(self, scope: Scope, answer: "_Answer", duration_s: float) -> None:
        # The server itself answers 500 for an application that ends without an answer.
        status = answer.status or 500
        route = route_template(scope)
        facts = {
            "method": known_method(scope["method"]),
            "route": route,
            "status": status,
            "duration_ms": round(duration_s * 1000, 3),
        }
        if answer.failure:
            facts["failure"] = answer.failure
        _log.log(logging.ERROR if answer.failure else logging.INFO, "request", extra=facts)
        self.metrics.request(scope["method"], route, status, duration_s)


def route_template(scope: Scope) -> str:
    """The template of the route that took the request ("/v1/items/{number}"), else "unmatched".

    FastAPI keeps a router's routes without the prefix it was included under (since 0.137) and leaves the whole path
    in a context beside them; a mounted application's route stands below ``root_path``.
    """
    effective = scope.get("fastapi", {}).get("effective_route_context")
    path = getattr(effective, "path", None) or getattr(scope.get("route"), "path", None)
    return f"{scope.get('root_path', '')}{path}" if path else UNMATCHED


def _given_id(headers: Headers) -> str | None:
    given = headers.getlist(REQUEST_ID_HEADER)
    return given[0] if len(given) == 1 and _REQUEST_ID.fullmatch(given[0]) else None


class _Answer:
    """The answer as it goes out: puts the id on it and notes its status."""

    def __init__(self, send: Send, chosen: str) -> None:
        self._send = send
        self._id = chosen
        self.status: int | None = None
        self.failure: str | None = None

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            message.setdefault("headers", [])
            MutableHeaders(scope=message)[REQUEST_ID_HEADER] = self._id
        await self._send(message)
