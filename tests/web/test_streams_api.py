"""Streams of SenML lines: committed piece by piece, gone on with where they broke off, never doubled."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx2
import pytest

from shipsvc.app.reading_streams import PIECE_LINES, Cutter
from shipsvc.domain.errors import TooMuch
from tests.web.service import Running, running
from tests.web.test_readings_api import furnish_logger, values

STREAM = "/v1/sources/LG-101/readings/stream"
BASE = {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1742814600, "bu": "Cel"}


@pytest.fixture
def service(database_url: str, tmp_path: Path) -> Iterator[Running]:
    """The service with a logger, once on each database."""
    with running(database_url, files_dir=str(tmp_path / "evidence")) as found:
        furnish_logger(found)
        yield found


def lines(first: int, last: int) -> bytes:
    """Lines of a stream, a base record among them in front."""
    told: list[dict[str, Any]] = [BASE] if first == 0 else []
    told += [{"n": "temperature", "t": 60 * n, "v": n / 10} for n in range(max(0, first - 1), last - 1)]
    return b"".join(json.dumps(one).encode() + b"\n" for one in told)


def stream(service: Running, body: bytes, **asked: Any) -> httpx2.Response:
    """Send a part of the stream "S"."""
    headers = {**service.token("cur"), "Content-Type": "application/sensml+json"}
    return service.client.post(STREAM, content=body, headers=headers, params={"stream": "S", **asked})


def test_in_pieces(service: Running) -> None:
    """Two and a half pieces of one request, each an upload of its own; base fields hold from one to the next."""
    told = stream(service, lines(0, 2500)).json()
    assert (told["next_line"], told["rows_stored"], told["rows_bad"]) == (2500, 2499, 0)
    uploads = service.get("/v1/sources/LG-101/uploads", service.token("cur"))["items"]
    assert sorted(one["rows_stored"] for one in uploads) == [500, 999, 1000]
    assert values(service) == [(1742814600.0 + 60 * n, n / 10) for n in range(2499)]


def test_gone_on_with(service: Running) -> None:
    """Cut off within a line; whoever asks is told where to go on, and what comes again changes nothing."""
    head = service.token("cur")
    cut = lines(0, 10)[:-20]
    assert stream(service, cut).json()["next_line"] == 9
    assert service.get("/v1/sources/LG-101/streams/S", head) == {"stream": "S", "next_line": 9}
    told = stream(service, lines(0, 20)).json()
    assert (told["next_line"], told["rows_stored"]) == (20, 11)
    assert values(service) == [(1742814600.0 + 60 * n, n / 10) for n in range(19)]
    again = stream(service, lines(0, 20)).json()
    assert (again["next_line"], again["rows_stored"]) == (20, 0)
    missing = stream(service, lines(0, 3), from_line=25)
    assert (missing.status_code, "20 to 24" in missing.json()["detail"]) == (409, True)
    assert service.get("/v1/sources/LG-101/streams/other", head)["next_line"] == 0


def test_bad_lines_are_told_by_their_number(service: Running) -> None:
    """They are committed with the others, in the order of the stream."""
    body = lines(0, 3) + b"{torn\n" + b'{"n":"light","u":"lx","v":1}\n'
    told = stream(service, body).json()
    assert (told["rows_stored"], [one["line"] for one in told["bad"]], told["next_line"]) == (2, [3, 4], 5)


def test_who_may_stream(service: Running) -> None:
    """Devices may, that is what they are for; strangers see nothing."""
    device, stranger = service.add("d", ("TRP", "device")), service.add("s", ("MRL", "receiver"))
    asked: dict[str, Any] = {"params": {"stream": "S"}, "content": lines(0, 3)}
    assert service.client.post(STREAM, headers=device, **asked).status_code == 200
    assert service.client.post(STREAM, headers=stranger, **asked).status_code == 404
    service.get("/v1/sources/LG-101/streams/S", stranger, 404)


def test_cutting() -> None:
    """Whatever the pieces that the network makes, the cuts are the same; a line without end waits."""
    body = lines(0, 2100)
    for size in (7, 1000, 1_000_000):
        cutter = Cutter(0, 0)
        pieces = [p for at in range(0, len(body), size) for p in cutter.feed(body[at : at + size])]
        pieces += cutter.finish()
        assert [(piece.first_line, piece.lines) for piece in pieces] == [(0, 1000), (1000, 1000), (2000, 100)]
        assert [dict(piece.base) for piece in pieces] == [{}, BASE, BASE]
        assert b"".join(piece.content for piece in pieces) == body
    with pytest.raises(TooMuch):
        Cutter(0, 0).feed(b"x" * 70_000)
    assert PIECE_LINES == 1000
