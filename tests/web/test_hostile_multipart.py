"""Forms that were made to hurt: nothing of them is kept, each is told what is wrong, none costs more than its size."""

import io
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx2
import pytest
import uvicorn
from hypothesis import given
from hypothesis import strategies as st

from shipsvc.domain import errors
from shipsvc.web import multipart
from shipsvc.web.multipart import FormReader
from tests.databases import copied
from tests.web.door import Door, opened

BOUNDARY = "----a7b9"
TYPE = f"multipart/form-data; boundary={BOUNDARY}"
FOR = b'Content-Disposition: form-data; name="acting_for"\r\n\r\nTSI'
FILE = b'Content-Disposition: form-data; name="file"; filename="a.txt"\r\n\r\nabc'


def form(*parts: bytes, end: bytes = b"--\r\n") -> bytes:
    """A form of such parts."""
    return b"".join(b"--" + BOUNDARY.encode() + b"\r\n" + part + b"\r\n" for part in parts) + (
        b"--" + BOUNDARY.encode() + end
    )


def disposed(said: str, content: bytes = b"abc") -> bytes:
    """A part that says this of itself."""
    return f"Content-Disposition: form-data; {said}\r\n\r\n".encode() + content


@pytest.fixture(scope="module")
def hostile(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A service of its own: what is refused has nothing to do with the database."""
    url = copied(sqlite_template, tmp_path_factory.mktemp("hostile") / "shipsvc.sqlite3")
    with opened(url, file_bytes_max=3_000_000) as door:
        yield door


def post(door: Door, content: bytes, content_type: str = TYPE) -> Any:
    """Send; the answer. Whatever it is, nothing passing is left."""
    signed = {name.encode(): value.encode() for name, value in door.people["analyst"].items()}
    headers = {**signed, b"Content-Type": content_type.encode("latin-1")}
    answer = door.service.client.post("/v1/files", content=content, headers=headers)
    assert door.service.service.shelf.unfinished() == []
    return answer


MALFORMED: dict[str, bytes] = {
    "nothing": b"",
    "no parts": form(),
    "no file": form(FOR),
    "no institution": form(FILE),
    "an institution that is none": form(FILE, disposed('name="acting_for"', b"../TSI")),
    "an institution with a NUL": form(FILE, disposed('name="acting_for"', b"TSI\0")),
    "an institution in no known writing": form(FILE, disposed('name="acting_for"', b"\xff\xfe")),
    "an institution of a megabyte": form(FILE, disposed('name="acting_for"', b"T" * 1_000_000)),
    "two institutions": form(FOR, FOR, FILE),
    "two files": form(FOR, FILE, FILE),
    "a thousand files": form(FOR, *[FILE] * 1000),
    "fifty thousand parts": form(*[disposed('name="x"', b"")] * 50_000),
    "a part of another name": form(FOR, FILE, disposed('name="note"')),
    "a name with a NUL": form(FOR, FILE, disposed('name="acting\0_for"')),
    "a part without a name": form(FOR, FILE, disposed('filename="a.txt"')),
    "a part that is no form's": form(FOR, b"Content-Disposition: attachment; name=file\r\n\r\nabc"),
    "a part without headers": form(FOR, b"\r\nabc"),
    "a header of a megabyte": form(FOR, b"X-Padding: " + b"x" * 1_000_000 + b"\r\n" + FILE),
    "a name of a megabyte": form(FOR, disposed('name="file"; filename="' + "x" * 1_000_000 + '"')),
    "a header's name of a megabyte": form(FOR, b"x" * 1_000_000 + b": 1\r\n" + FILE),
    "thousands of headers": form(FOR, b"X-A: 1\r\n" * 5000 + FILE),
    "a header without a colon": form(FOR, b"nonsense\r\n" + FILE),
    "a header with a NUL": form(FOR, b"X\0: 1\r\n" + FILE),
    "two dispositions": form(FOR, b'Content-Disposition: form-data; name="acting_for"\r\n' + FILE),
    "content in base64": form(FOR, b"Content-Transfer-Encoding: base64\r\n" + FILE),
    "lines without returns": form(FOR, FILE).replace(b"\r\n", b"\n"),
    "another boundary": form(FOR, FILE).replace(BOUNDARY.encode(), b"----other"),
    "words before the first part": b"This is a form.\r\n" + form(FOR, FILE),
    "a form in a form": form(FOR, b"Content-Type: multipart/mixed; boundary=x\r\n" + FILE[:-3] + b"--x--", FILE),
    "no last boundary": form(FOR, FILE, end=b"\r\n"),
    "half a boundary": form(FOR, FILE, end=b"-"),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_what_is_no_such_form_is_refused(hostile: Door, name: str) -> None:
    """422 as a problem with words, at once, and nothing is kept."""
    before = [*hostile.service.service.shelf.digests()]
    started_s = time.perf_counter()
    answer = post(hostile, MALFORMED[name])

    assert (answer.status_code, answer.json()["code"]) == (422, "malformed"), answer.text
    assert len(answer.json()["detail"]) < 600
    assert time.perf_counter() - started_s < 5
    assert [*hostile.service.service.shelf.digests()] == before


@pytest.mark.parametrize(
    ("content_type", "status"),
    [
        ("multipart/form-data", 422),
        ("multipart/form-data; boundary=", 422),
        ('multipart/form-data; boundary=""', 422),
        ("multipart/form-data; boundary=" + "x" * 71, 422),
        ("multipart/form-data; boundary=" + "x" * 100_000, 422),
        ("multipart/form-data; boundary=a\xe4", 422),
        ('multipart/form-data; boundary="a;b\\"', 422),
        ("multipart/mixed; boundary=" + BOUNDARY, 415),
        ("multipart/form-data-not; boundary=" + BOUNDARY, 415),
        ("application/x-www-form-urlencoded", 415),
        ("application/json", 415),
        (";", 415),
        ("", 415),
    ],
)
def test_a_form_says_what_it_is(hostile: Door, content_type: str, status: int) -> None:
    """RFC 2046 section 5.1.1: a boundary of 1 to 70 of its characters; and nothing that is no form is read as one."""
    answer = post(hostile, form(FOR, FILE), content_type)
    assert answer.status_code == status, answer.text
    assert answer.json()["detail"]


def test_a_form_that_breaks_off_anywhere_is_refused(hostile: Door) -> None:
    """Cut after each of its bytes: 422 up to the last that matters, the second hyphen of the end."""
    whole = form(FOR, FILE)
    for length in range(len(whole) - 2):
        assert post(hostile, whole[:length]).status_code == 422, length
    assert post(hostile, whole[:-2]).status_code == 201


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ('name="file"', "file"),
        ('name="file"; filename=""', "file"),
        ('name="file"; filename="../../../etc/cron.d/x"', "x"),
        ('name="file"; filename="..\\\\..\\\\autoexec.bat"', "autoexec.bat"),
        ('name="file"; filename="/dev/null"', "null"),
        ('name="file"; filename="a\0b.txt"', "ab.txt"),
        ('name="file"; filename=".."', "file"),
        ('name="file"; filename="a.txt"; filename*=UTF-8\'\'..%2Fb.txt', "a.txt"),
        ('name="file"; filename="%2e%2e%2fa.txt"', "%2e%2e%2fa.txt"),
        ('name="file"; filename="' + "n" * 1500 + '.txt"', "n" * 116 + ".txt"),
        ('NAME="file"; FileName="A.TXT"', "A.TXT"),
        ("name=file; filename=plain.txt", "plain.txt"),
    ],
)
def test_a_name_leads_nowhere(hostile: Door, said: str, name: str) -> None:
    """Folders, NULs and nothing at all: the file is kept under its hash, in its place, and the name is only a name."""
    answer = post(hostile, form(FOR, disposed(said, f"named {said}".encode().replace(b"\0", b""))))
    assert answer.status_code == 201, answer.text
    assert answer.json()["name"] == name
    shelf = hostile.service.service.shelf
    assert shelf.path(answer.json()["sha256"]).parent.parent.parent == shelf.root


def test_what_follows_the_end_is_nobodys(hostile: Door) -> None:
    """RFC 2046 section 5.1.1: an epilogue is discarded, be it another form."""
    answer = post(hostile, form(FOR, FILE) + form(FOR, FILE) + b"x" * 100_000)
    assert (answer.status_code, answer.json()["size_bytes"]) in {(200, 3), (201, 3)}


# ----------------------------------------------------------------------------------------- the reader by itself
def read(content: bytes, cuts: list[int], content_type: str = TYPE) -> tuple[bytes, dict[str, str]]:
    """A form that comes in pieces; its file and its fields."""
    reader, found, start = FormReader(content_type, frozenset({"acting_for"})), b"", 0
    for cut in [*sorted(cuts), len(content)]:
        found += b"".join(reader.feed(content[start:cut]))
        start = max(start, cut)
    reader.finish()
    return found, reader.fields


#: What the end of a part is made of, in any order.
NEARLY_BOUNDARIES = st.lists(st.sampled_from([b"\r", b"\n", b"\r\n--", b"-", BOUNDARY.encode(), b"x"])).map(b"".join)


@given(
    file=st.one_of(st.binary(max_size=300), NEARLY_BOUNDARIES),
    seeds=st.lists(st.floats(0, 1), max_size=6),
)
def test_any_bytes_come_through_in_any_pieces(file: bytes, seeds: list[float]) -> None:
    """httpx makes the form, of bytes that look like its own boundary among others; no cut changes what is read."""
    made = httpx2.Request("POST", "http://x/", data={"acting_for": "TSI"}, files={"file": ("a", io.BytesIO(file))})
    content = made.read()
    cuts = [int(seed * len(content)) for seed in seeds]

    assert read(content, cuts, made.headers["content-type"]) == (file, {"acting_for": "TSI"})


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=4))
def test_noise_ends_in_a_refusal(noise: bytes, cuts: list[int]) -> None:
    """Whatever comes behind the first boundary: a form, or Malformed; nothing else is ever raised."""
    with suppress(errors.Malformed):
        read(b"--" + BOUNDARY.encode() + b"\r\n" + noise, cuts)


def test_the_reader_holds_nothing_of_the_file() -> None:
    """What was handed on is not kept: after each piece the reader is as small as before."""
    reader = FormReader(TYPE, frozenset({"acting_for"}))
    reader.feed(form(FOR, FILE)[: -len(BOUNDARY) - 8])
    for _ in range(50):
        assert sum(map(len, reader.feed(b"\r\n" * 1000))) >= 1900
        held = [value for value in vars(reader).values() if isinstance(value, bytes | list | str)]
        assert sum(len(value) for value in held) < multipart.FIELD_BYTES_MAX


# -------------------------------------------------------------------------------------------------- a real socket
@contextmanager
def listening(door: Door) -> Iterator[int]:
    """The service behind uvicorn, as it is served; its port."""
    config = uvicorn.Config(door.service.client.app, port=0, log_config=None, lifespan="on", http="httptools")
    server = uvicorn.Server(config)
    with socket.create_server(("127.0.0.1", 0)) as bound:
        thread = threading.Thread(target=server.run, args=([bound],))
        thread.start()
        try:
            yield bound.getsockname()[1]
        finally:
            server.should_exit = True
            thread.join(30)


def test_a_sender_that_goes_away_leaves_nothing(sqlite_template: Path, tmp_path: Path) -> None:
    """Half a form over a real connection, which then breaks: what was written of it is removed, and others are served
    meanwhile, though more senders hang than there are threads."""
    with opened(copied(sqlite_template, tmp_path / "shipsvc.sqlite3"), threads=2) as door, listening(door) as port:
        token = door.people["analyst"]["Authorization"]
        head = f"POST /v1/files HTTP/1.1\r\nHost: x\r\nAuthorization: {token}\r\nContent-Type: {TYPE}\r\n"
        half = form(FOR, FILE)[: -len(BOUNDARY) - 8] + b"x" * 700_000
        shelf = door.service.service.shelf
        with ExitStack() as connections:
            for _ in range(6):
                sender = connections.enter_context(socket.create_connection(("127.0.0.1", port)))
                sender.sendall(f"{head}Content-Length: 1000000\r\n\r\n".encode() + half)
            until(lambda: len(shelf.unfinished()) == 6)
            until(lambda: all(path.stat().st_size > 500_000 for path in shelf.root.glob("incoming/*")))
            with httpx2.Client() as client:
                assert client.get(f"http://127.0.0.1:{port}/readyz", timeout=10).status_code == 200
        until(lambda: shelf.unfinished() == [])
        assert [*shelf.digests()] == []


def until(holds: Any) -> None:
    """Wait for something that other threads do."""
    end = time.monotonic() + 20
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.02)
