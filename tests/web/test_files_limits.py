"""Evidence files that are large, many at once, or lost half-way: what is bounded, and what is left behind."""

import asyncio
import hashlib
import json
import tracemalloc
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import chain, repeat
from pathlib import Path
from typing import Any

import pytest
from starlette.types import ASGIApp, Message

from shipsvc.app import files
from shipsvc.store.tables import table
from shipsvc.store.tables_files import EvidenceFile
from tests.databases import copied
from tests.pictures import picture
from tests.web.door import Door, opened
from tests.web.evidence import ABC, got, kept, send, shelf


@pytest.fixture(scope="module")
def small(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A service that takes files of a million bytes, and other requests of two thousand."""
    url = copied(sqlite_template, tmp_path_factory.mktemp("small") / "shipsvc.sqlite3")
    with opened(url, file_bytes_max=1_000_000, body_bytes_max=2000) as door:
        yield door


def test_files_have_a_limit_of_their_own(small: Door) -> None:
    """A file may be larger than any other request, up to a limit of its own, to the byte; other routes keep theirs."""
    assert send(small, b"x" * 1_000_000).status_code == 201
    for size in (1_000_001, 1_060_000, 5_000_000):
        answer = send(small, b"x" * size)
        assert (answer.status_code, answer.json()["code"]) == (413, "too_much")
    for path in ("/v1/events", "/v1/files/", f"/v1/files/{ABC}"):
        answer = small.service.client.post(path, content=b"x" * 2001, headers=small.people["clerk"])
        assert (path, answer.status_code) == (path, 413)
    assert shelf(small).unfinished() == []


def body_of(size_bytes: int, piece: bytes) -> Iterator[bytes]:
    """A form with a file of that size, made as it is sent."""
    yield b'--b\r\nContent-Disposition: form-data; name="acting_for"\r\n\r\nTSI\r\n'
    yield b'--b\r\nContent-Disposition: form-data; name="file"; filename="a"\r\n\r\n'
    yield from (piece for _ in range(size_bytes // len(piece)))
    yield b"\r\n--b--\r\n"


def test_a_limit_holds_without_a_declared_length(small: Door) -> None:
    """Sent in pieces, with no Content-Length: the same limit."""
    headers = {**small.people["analyst"], "Content-Type": "multipart/form-data; boundary=b"}
    for size, status in ((900_000, 201), (1_020_000, 413), (2_000_000, 413)):
        content = body_of(size, b"0123456789" * 1000)
        assert small.service.client.post("/v1/files", content=content, headers=headers).status_code == status


async def streamed(app: ASGIApp, headers: dict[str, str], content: Iterator[bytes]) -> tuple[int, Any]:
    """POST without the test client, which gathers all that it sends: (status, answer)."""
    sent: list[Message] = []
    left = chain(({"body": piece, "more_body": True} for piece in content), repeat({"body": b"", "more_body": False}))

    async def receive() -> Message:
        return {"type": "http.request", **next(left)}

    async def send(message: Message) -> None:
        sent.append(message)

    raw = [(name.lower().encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": "http", "method": "POST", "path": "/v1/files", "query_string": b"", "headers": raw}
    await app({**scope, "raw_path": b"/v1/files", "http_version": "1.1", "root_path": ""}, receive, send)
    return sent[0]["status"], json.loads(b"".join(message.get("body", b"") for message in sent))


def test_memory_does_not_grow_with_the_file(sqlite_template: Path, tmp_path: Path) -> None:
    """24 MB of text go through in a few: less than a quarter of the file is ever held."""
    with opened(copied(sqlite_template, tmp_path / "shipsvc.sqlite3")) as door:
        headers = {**door.people["analyst"], "Content-Type": "multipart/form-data; boundary=b"}
        kept(door, b"everything is imported by now")
        tracemalloc.start()
        try:
            content = body_of(24_000_000, b"2026-03-10T12:00:00Z,-20.5\r\n" * 2000)
            status, answer = asyncio.run(streamed(door.service.client.app, headers, content))
            _, peak_bytes = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
    assert status == 201, answer
    assert (answer["media_type"], answer["size_bytes"] > 23_900_000) == ("text/csv", True)
    assert peak_bytes < 6_000_000, peak_bytes


def test_the_same_bytes_from_eight_at_once(door: Door) -> None:
    """One of them is the first; all are told the same; one row and one file, whole."""
    content = picture("JPEG", orientation=8)
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: send(door, content), range(8)))

    assert sorted(answer.status_code for answer in answers) == [200] * 7 + [201], [a.text for a in answers]
    assert len({answer.text for answer in answers}) == 1
    sha256 = answers[0].json()["sha256"]
    assert len(door.all(table(EvidenceFile), table(EvidenceFile).c.sha256 == sha256)) == 1
    assert got(door, sha256).content == content
    assert shelf(door).unfinished() == []


def test_a_crash_between_bytes_and_row(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bytes are in their place, no row tells of them: the file is not there, and can be sent again."""
    content = b"the power went"
    sha256 = hashlib.sha256(content).hexdigest()

    def fall(*_: Any) -> None:
        raise LookupError

    with monkeypatch.context() as broken:
        broken.setattr(files, "keep", fall)
        assert send(door, content).status_code == 500
    assert shelf(door).path(sha256).read_bytes() == content
    got(door, sha256, status=404)
    assert send(door, content).status_code == 201
    assert got(door, sha256).content == content


def test_a_folder_that_cannot_be_used(sqlite_template: Path, tmp_path: Path) -> None:
    """A disk that is full, or a folder that is none, is no fault of the sender's: 503, and nothing is stored."""
    (tmp_path / "evidence").write_bytes(b"a file where a folder should be")
    url = copied(sqlite_template, tmp_path / "shipsvc.sqlite3")
    with opened(url, files_dir=str(tmp_path / "evidence")) as door:
        answer = send(door, b"abc")
        assert (answer.status_code, answer.json()["code"]) == (503, "away"), answer.text
        assert int(answer.headers["Retry-After"]) > 0
        assert door.all(table(EvidenceFile)) == []


def test_bytes_that_are_gone(door: Door) -> None:
    """A file lost from the folder is answered as one that is not there; sent again it is there again."""
    sha256 = kept(door, b"a disk that forgets")
    shelf(door).path(sha256).unlink()
    got(door, sha256, status=404)
    assert send(door, b"a disk that forgets").status_code == 200
    assert got(door, sha256).content == b"a disk that forgets"
