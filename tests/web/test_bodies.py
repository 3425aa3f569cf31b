"""The limit on bodies, through Starlette and FastAPI and on the bare ASGI interface."""

import asyncio
import json
from collections.abc import Iterator

import pytest
from fastapi import Body, FastAPI
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocket

from shipsvc.domain.errors import TooMuch
from shipsvc.web.bodies import BodyLimit

LIMIT_BYTES = 100


async def count(request: Request) -> Response:
    """Reads all of the body."""
    return PlainTextResponse(str(len(await request.body())))


async def swallow(request: Request) -> Response:
    """Reads the body and takes every failure for an empty one."""
    try:
        await request.body()
    except Exception:
        return PlainTextResponse("empty")
    return PlainTextResponse("full")


async def greet(socket: WebSocket) -> None:
    """Not HTTP: passed through."""
    await socket.accept()
    await socket.send_text(await socket.receive_text())
    await socket.close()


async def fail(request: Request) -> Response:
    """A failure that has nothing to do with the body."""
    raise LookupError


APP = Starlette(
    routes=[
        *(Route(f"/{f.__name__}", f, methods=["POST", "GET"]) for f in (count, swallow, fail)),
        WebSocketRoute("/greet", greet),
    ]
)


def client(app: ASGIApp = APP) -> TestClient:
    """The application behind the limit."""
    return TestClient(BodyLimit(app, limit_bytes=LIMIT_BYTES))


def pieces(size_bytes: int) -> Iterator[bytes]:
    """A body without Content-Length, in pieces of ten."""
    for start in range(0, size_bytes, 10):
        yield b"x" * min(10, size_bytes - start)


def assert_refused(answer_status: int, content_type: str, body: bytes) -> None:
    """RFC 9457: the five members, the status as it really is (RFC 9110 15.5.14)."""
    problem = json.loads(body)
    assert (answer_status, content_type) == (413, "application/problem+json")
    assert {"type", "title", "status", "detail", "code"} == problem.keys()
    assert (problem["status"], problem["title"], problem["code"]) == (413, "Content Too Large", "too_much")
    assert "100 bytes" in problem["detail"]


@pytest.mark.parametrize("size_bytes", [0, 1, 99, 100])
def test_bodies_within_the_limit_arrive_whole(size_bytes: int) -> None:
    """Up to the limit itself, with a declared length or without."""
    assert client().post("/count", content=b"x" * size_bytes).text == str(size_bytes)
    assert client().post("/count", content=pieces(size_bytes)).text == str(size_bytes)


@pytest.mark.parametrize("path", ["/count", "/swallow"])
def test_bodies_beyond_the_limit_are_refused(path: str) -> None:
    """One byte more is refused, also where the application hides the failure."""
    for content in (b"x" * 101, pieces(101)):
        answer = client().post(path, content=content)
        assert_refused(answer.status_code, answer.headers["content-type"], answer.content)
        assert answer.headers["connection"] == "close"


def test_fastapi_does_not_make_a_400_of_it() -> None:
    """Whatever is raised while FastAPI reads a JSON body becomes a 400 there; here it is a 413."""
    app = FastAPI()
    app.add_api_route("/", lambda told: told, methods=["POST"])

    @app.post("/told")
    def tell(told: list[int] = Body()) -> list[int]:  # noqa: B008 - how FastAPI marks a body
        return told

    for content in (json.dumps([1] * 100).encode(), iter([json.dumps([1] * 100).encode()])):
        answer = client(app).post("/told", content=content, headers={"content-type": "application/json"})
        assert_refused(answer.status_code, answer.headers["content-type"], answer.content)
    assert client(app).post("/told", json=[1, 2]).json() == [1, 2]


def run(
    app: ASGIApp, headers: list[tuple[bytes, bytes]], chunks: int, sent: list[Message] | None = None
) -> tuple[list[Message], int]:
    """What the bare application sends for a body of so many pieces of 60 bytes, and how many it read."""
    sent = [] if sent is None else sent
    read = 0

    async def receive() -> Message:
        nonlocal read
        read += 1
        return {"type": "http.request", "body": b"x" * 60, "more_body": read < chunks}

    async def send(message: Message) -> None:
        sent.append(message)

    scope: Scope = {"type": "http", "method": "POST", "path": "/", "headers": headers}
    asyncio.run(BodyLimit(app, limit_bytes=LIMIT_BYTES)(scope, receive, send))
    return sent, read


async def greedy(scope: Scope, receive: Receive, send: Send) -> None:
    """Reads on through every failure."""
    for _ in range(10):
        try:
            await receive()
        except TooMuch:
            continue
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b""})


@pytest.mark.parametrize("length", [b"101", b"0000000000000000000000101", b"9" * 25, b"9" * 5000])
def test_a_declared_excess_is_refused_unread(length: bytes) -> None:
    """Nothing of the body is read and the application is not even called."""
    sent, read = run(greedy, [(b"content-length", length)], 10)

    assert read == 0
    assert sent[0]["status"] == 413


@pytest.mark.parametrize("headers", [[], [(b"content-length", b"60")], [(b"content-length", b"x")]])
def test_a_streamed_excess_stops_the_reading(headers: list[tuple[bytes, bytes]]) -> None:
    """The second piece of 60 goes over 100: it is the last that is read, and one answer goes out."""
    sent, read = run(greedy, headers, 10)

    assert read == 2
    assert [message["type"] for message in sent] == ["http.response.start", "http.response.body"]
    assert_refused(sent[0]["status"], dict(sent[0]["headers"])[b"content-type"].decode(), sent[1]["body"])


def test_an_answer_under_way_is_broken_off() -> None:
    """Where the application has begun to answer it is too late for a 413: the failure goes to the server."""
    sent: list[Message] = []

    async def eager(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        for _ in range(10):
            await send({"type": "http.response.body", "body": (await receive())["body"], "more_body": True})

    with pytest.raises(TooMuch):
        run(eager, [], 10, sent)
    assert [(m["type"], m.get("body")) for m in sent] == [
        ("http.response.start", None),
        ("http.response.body", b"x" * 60),
    ]


def test_other_failures_pass() -> None:
    """The limit hides no failure that it did not cause."""
    with pytest.raises(LookupError):
        client().post("/fail", content=b"x")


def test_websockets_pass_through() -> None:
    """Only HTTP bodies are limited."""
    with client() as sent, sent.websocket_connect("/greet") as socket:  # entering sends the lifespan as well
        socket.send_text("x" * 200)
        assert socket.receive_text() == "x" * 200
