"""Log lines, request ids and what is counted, seen from outside a small application."""

import asyncio
import io
import json
import logging
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI
from prometheus_client.parser import text_string_to_metric_families
from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket

from shipsvc.web.logs import JsonLines, RequestContext, configure_logging, request_id
from shipsvc.web.metrics import CONTENT_TYPE, Metrics, make_metrics

LOGGERS = ["", "httpx", "httpx2", "httpcore", "uvicorn.access", "shipsvc.request"]


@pytest.fixture
def stream() -> Iterator[io.StringIO]:
    """Where the log goes; all loggers are put back afterwards."""
    before = [(logging.getLogger(n), logging.getLogger(n).level, logging.getLogger(n).propagate) for n in LOGGERS]
    handlers = list(logging.getLogger().handlers)
    written = io.StringIO()
    configure_logging("INFO", written)
    yield written
    logging.getLogger().handlers[:] = handlers
    for logger, level, propagate in before:
        logger.setLevel(level)
        logger.propagate = propagate


def lines(stream: io.StringIO) -> list[dict[str, Any]]:
    """All lines written, each a JSON object."""
    return [json.loads(line) for line in stream.getvalue().splitlines()]


def item(request: Request) -> Response:
    """A plain ``def`` endpoint: it runs in another thread and must still know the request."""
    logging.getLogger("here").info("looked at %s", request.path_params["number"])
    return JSONResponse({"id": request_id.get()})


def broken(request: Request) -> Response:
    """An endpoint that fails with a secret in its message."""
    raise LookupError("secret-in-message")


def later(request: Request) -> Response:
    """An answer with work after it, which belongs to the same request."""
    return PlainTextResponse("ok", background=BackgroundTask(logging.getLogger("here").info, "afterwards"))


async def greet(socket: WebSocket) -> None:
    """Not HTTP: passed through."""
    await socket.accept()
    await socket.send_text(str(request_id.get()))
    await socket.close()


ROUTES = [
    Route("/v1/items/{number}", item, methods=["GET", "POST"]),
    Route("/broken", broken),
    Route("/later", later),
    Mount("/below", routes=[Route("/{name}", later)]),
    WebSocketRoute("/socket", greet),
]

SCOPE: Scope = {"type": "http", "method": "GET", "path": "/later", "headers": []}


def ticking() -> Iterator[float]:
    """A clock that moves on by an eighth of a second at every look."""
    now_s = 100.0
    while True:
        yield now_s
        now_s += 0.125


def client(app: ASGIApp | None = None, metrics: Metrics | None = None) -> TestClient:
    """The small application behind the middleware."""
    ticks = ticking()
    wrapped = RequestContext(
        app or Starlette(routes=ROUTES),
        metrics=metrics or make_metrics(kinds=()),
        timer_s=lambda: next(ticks),
        new_id=lambda: "made-here",
    )
    return TestClient(wrapped, raise_server_exceptions=False)


def samples(metrics: Metrics) -> dict[tuple[str, frozenset[tuple[str, str]]], float]:
    """What a scraper reads, by name and labels, without the times of creation."""
    families = text_string_to_metric_families(metrics.exposition().decode())
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in families
        for sample in family.samples
        if not sample.name.endswith("_created")
    }


def labelled(name: str, **labels: str) -> tuple[str, frozenset[tuple[str, str]]]:
    """The key of one sample."""
    return name, frozenset(labels.items())


def test_one_line_a_request(stream: io.StringIO) -> None:
    """Method, template, status and duration, and the id that the endpoint's own lines carry as well."""
    client().get("/v1/items/BRM-0001-L")

    said, done = lines(stream)
    assert (said["message"], said["request_id"]) == ("looked at BRM-0001-L", "made-here")
    assert {name: done[name] for name in done if name != "time"} == {
        "level": "INFO",
        "logger": "shipsvc.request",
        "message": "request",
        "request_id": "made-here",
        "method": "GET",
        "route": "/v1/items/{number}",
        "status": 200,
        "duration_ms": 125.0,
    }


def test_time_of_a_line_is_utc(stream: io.StringIO) -> None:
    """OWASP ASVS 5.0, 16.2.2: times in logs are UTC; here with the offset written out."""
    record = logging.makeLogRecord({"name": "here", "levelno": logging.INFO, "created": 1_741_596_000.25})
    logging.getLogger("here").handle(record)

    # date -u -d @1741596000
    assert lines(stream)[0]["time"] == "2025-03-10T08:40:00.250+00:00"


def test_no_secret_is_logged(stream: io.StringIO) -> None:
    """Query strings, headers, bodies and messages of errors are not in the log, nor in lines of other libraries."""
    sent = client()
    sent.post("/v1/items/7?token=secret-in-query", content="secret-in-body", headers={"Authorization": "secret-bearer"})
    sent.get("/broken?token=secret-in-query")
    sent.get("/secret-in-path")
    logging.getLogger("uvicorn.access").info("GET /?token=secret-in-query")
    logging.getLogger("httpx").info("HTTP Request: GET https://partner.example/?code=secret-in-query")

    assert "request" in stream.getvalue()
    assert "secret" not in stream.getvalue()


@pytest.mark.parametrize("given", ["a", "8e03978e-40d5-43e8-bc93-6894a57f9324", "A.b_c-9", "x" * 64])
def test_a_good_request_id_is_kept(stream: io.StringIO, given: str) -> None:
    """The caller's id comes back, reaches the endpoint in its thread and stands in the log."""
    answer = client().get("/v1/items/7", headers={"X-Request-Id": given})

    assert answer.headers["X-Request-Id"] == given
    assert answer.json() == {"id": given}
    assert {line["request_id"] for line in lines(stream)} == {given}


@pytest.mark.parametrize("given", ["", "x" * 65, "a b", 'a"b', "a\tb", "${jndi}", "a,b", "é".encode("latin-1")])
def test_a_bad_request_id_is_replaced(stream: io.StringIO, given: str | bytes) -> None:
    """Anything that is not a short plain word is dropped, and one of our own is made."""
    answer = client().get(
        "/v1/items/7", headers=[(b"X-Request-Id", given if isinstance(given, bytes) else given.encode())]
    )

    assert answer.headers["X-Request-Id"] == "made-here"


def test_of_two_request_ids_neither_counts() -> None:
    """A repeated header says two things."""
    answer = client().get("/later", headers=[("X-Request-Id", "one"), ("X-Request-Id", "two")])

    assert answer.headers.get_list("X-Request-Id") == ["made-here"]


def test_made_ids_differ() -> None:
    """Each request has an id of its own by default."""
    app = RequestContext(Starlette(routes=ROUTES), metrics=make_metrics(kinds=()))
    seen = {TestClient(app).get("/later").headers["X-Request-Id"] for _ in range(5)}

    assert len(seen) == 5


def test_no_id_is_left_over() -> None:
    """What runs in the same task after the request is not counted to it."""

    async def talk() -> str | None:
        await RequestContext(Starlette(routes=ROUTES), metrics=make_metrics(kinds=()))(SCOPE, receive, send)
        return request_id.get()

    async def receive() -> Message:
        return {"type": "http.request", "body": b""}

    async def send(message: Message) -> None:
        assert request_id.get() is not None

    assert asyncio.run(talk()) is None


def test_work_after_the_answer_knows_its_request(stream: io.StringIO) -> None:
    """A background task logs under the id; Starlette's BaseHTTPMiddleware is why this is a plain ASGI class."""
    client().get("/later")

    assert [(line["message"], line["request_id"]) for line in lines(stream)] == [
        ("afterwards", "made-here"),
        ("request", "made-here"),
    ]


def test_a_failure_is_logged_by_its_kind_and_passed_on(stream: io.StringIO) -> None:
    """An exception is the server's to answer; the line names its class and says 500, at ERROR."""
    with pytest.raises(LookupError):
        TestClient(client().app).get("/broken")

    done = lines(stream)[-1]
    assert (done["level"], done["status"], done["failure"], done["route"]) == ("ERROR", 500, "LookupError", "/broken")


def test_an_answer_of_500_carries_the_id() -> None:
    """Standing outside of Starlette's own error handling, the id is on its 500 as well."""
    answer = client().get("/broken")

    assert (answer.status_code, answer.headers["X-Request-Id"]) == (500, "made-here")


def test_an_application_that_says_nothing_is_a_500(stream: io.StringIO) -> None:
    """The server turns silence into 500, so the log says so."""

    async def silent(scope: Scope, receive: Receive, send: Send) -> None:
        return None

    client(silent).get("/")

    assert [(line["status"], line["route"]) for line in lines(stream)] == [(500, "unmatched")]


def test_websockets_pass_through(stream: io.StringIO) -> None:
    """Only HTTP requests have an id and a line."""
    with client() as sent, sent.websocket_connect("/socket") as socket:  # entering sends the lifespan as well
        assert socket.receive_text() == "None"

    assert lines(stream) == []


def test_a_line_cannot_be_broken() -> None:
    """Line ends and other controls in a message are escaped: a client cannot write a line of its own (CWE-117)."""
    message = "one\ntwo\r\u2028three\x1b[31m\ud800"

    line = JsonLines().format(logging.makeLogRecord({"name": "here", "msg": message}))

    assert line.isascii()
    assert line.isprintable()
    assert json.loads(line)["message"] == message


def test_exceptions_and_extras_stand_in_the_line(stream: io.StringIO) -> None:
    """A traceback is one member of the line, an extra of any type another."""
    try:
        dict[str, int]()["nothing there"]
    except KeyError:
        logging.getLogger("here").exception("failed", extra={"item": {"number"}})

    line = lines(stream)[0]
    assert "KeyError: 'nothing there'" in line["exception"]
    assert line["item"] == "{'number'}"


def test_configuring_again_replaces(stream: io.StringIO) -> None:
    """One line goes to one place, at the level last asked for."""
    second = io.StringIO()
    configure_logging("WARNING", second)
    logging.getLogger("here").info("quiet")
    logging.getLogger("here").warning("loud")

    assert [line["message"] for line in lines(second)] == ["loud"]
    assert lines(stream) == []


@pytest.mark.parametrize(
    ("method", "path", "route", "status"),
    [
        ("GET", "/v1/items/7", "/v1/items/{number}", 200),
        ("DELETE", "/v1/items/7", "/v1/items/{number}", 405),
        ("GET", "/v1/parcels/PCL-1/seals", "/v1/parcels/{number}/seals", 200),
        ("GET", "/plain/7", "/plain/{number}", 200),
        ("GET", "/below/7", "/below/{name}", 200),
        ("GET", "/v1/none", "unmatched", 404),
        ("BREW", "/none", "unmatched", 404),
    ],
)
def test_the_template_is_the_whole_one(stream: io.StringIO, method: str, path: str, route: str, status: int) -> None:
    """FastAPI's routers, one within another, under the prefixes they were included with; and mounted applications."""
    plain, inner, outer = APIRouter(), APIRouter(prefix="/parcels"), APIRouter(prefix="/v1")
    plain.add_api_route("/plain/{number}", lambda number: number)
    inner.add_api_route("/{number}/seals", lambda number: number)
    outer.include_router(inner)
    outer.add_api_route("/items/{number}", lambda number: number)
    app = FastAPI()
    app.include_router(outer)
    app.include_router(plain)
    app.mount("/below", Starlette(routes=[Route("/{name}", later)]))
    metrics = make_metrics(kinds=())

    client(app, metrics).request(method, path)

    shown = "other" if method == "BREW" else method
    done = lines(stream)[-1]
    assert (done["method"], done["route"], done["status"]) == (shown, route, status)
    key = labelled("shipsvc_requests_total", method=shown, route=route, status=str(status))
    assert samples(metrics)[key] == 1


def test_requests_are_counted_and_timed() -> None:
    """Three requests of an eighth of a second: a count by status, a histogram by template, no concrete path."""
    metrics = make_metrics(kinds=())
    sent = client(metrics=metrics)
    for path in ("/v1/items/7", "/v1/items/8", "/broken"):
        sent.get(path)

    read = samples(metrics)
    taken = {"method": "GET", "route": "/v1/items/{number}"}
    assert read[labelled("shipsvc_requests_total", **taken, status="200")] == 2
    assert read[labelled("shipsvc_requests_total", method="GET", route="/broken", status="500")] == 1
    assert read[labelled("shipsvc_request_duration_seconds_sum", **taken)] == 0.25
    assert read[labelled("shipsvc_request_duration_seconds_bucket", **taken, le="0.1")] == 0
    assert read[labelled("shipsvc_request_duration_seconds_bucket", **taken, le="0.25")] == 2
    assert b"items/7" not in metrics.exposition()


def test_facts_are_counted_by_known_kinds() -> None:
    """A kind that a stranger made up does not become a series of its own."""
    metrics = make_metrics(kinds=["weighed", "released"])
    for kind in ("weighed", "weighed", "released", "made-up", "also-made-up"):
        metrics.fact_told(kind, "recorded")
    metrics.fact_told("weighed", "replayed")

    read = {key: value for key, value in samples(metrics).items() if key[0] == "shipsvc_facts_told_total"}
    assert read == {
        labelled("shipsvc_facts_told_total", kind="weighed", outcome="recorded"): 2,
        labelled("shipsvc_facts_told_total", kind="weighed", outcome="replayed"): 1,
        labelled("shipsvc_facts_told_total", kind="released", outcome="recorded"): 1,
        labelled("shipsvc_facts_told_total", kind="other", outcome="recorded"): 2,
    }


def test_the_pool_is_asked_at_each_scrape() -> None:
    """The gauge shows what the callback says at that moment, and is absent without one."""
    taken = [3.0]
    metrics = make_metrics(kinds=(), pool_in_use=lambda: taken[0])
    key = labelled("shipsvc_database_connections_in_use")

    assert samples(metrics)[key] == 3
    taken[0] = 5.0
    assert samples(metrics)[key] == 5
    assert key not in samples(make_metrics(kinds=()))


def test_two_applications_count_on_their_own() -> None:
    """Nothing is registered at import or for the whole process."""
    one, two = make_metrics(kinds=["weighed"]), make_metrics(kinds=["weighed"])
    one.fact_told("weighed", "recorded")

    assert samples(two) == {}
    assert CONTENT_TYPE.startswith("text/plain; version=")  # Prometheus text exposition format
