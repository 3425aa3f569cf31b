"""Readings sent over HTTP: kept as they came, read once, counted together."""

import hashlib
import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import cbor2
import httpx2
import pytest
import sqlalchemy as sa

from shipsvc.store import readings
from shipsvc.store.tables import FOREVER
from tests.web.service import Running, running

LAYOUT = {"what": "plain", "content": {"columns": [{"column": 2, "quantity": "temperature", "unit": "Cel"}]}}
SOURCE = {"kind": "logger", "what": "logger", "interval_s": 600, "quantities": ["temperature"], "readers": ["TSI"]}
TABLE = "time,c\n2025-03-24T11:10:00Z,-58.2\n2025-03-24T11:20:00Z,-58.1\n2025-03-24T11:30:00Z,oops\n"
PATH = "/v1/sources/LG-101/readings"


@pytest.fixture
def service(database_url: str, tmp_path: Path) -> Iterator[Running]:
    """The service with a logger of TRP that TSI may read out, once on each database."""
    with running(database_url, files_dir=str(tmp_path / "evidence")) as found:
        furnish_logger(found)
        yield found


@pytest.fixture
def embedded(sqlite_database_url: str, tmp_path: Path) -> Iterator[Running]:
    """The same on SQLite, for what does not depend on the database."""
    with running(sqlite_database_url, files_dir=str(tmp_path / "evidence")) as found:
        furnish_logger(found)
        yield found


def furnish_logger(service: Running) -> None:
    """A logger of TRP, LG-101, that TSI may read out, and the layout of its tables."""
    service.institution("TSI")
    service.institution("MRL")
    head = service.add("cur", ("TRP", "curator"))
    service.post("/v1/layouts", {"code": "PLAIN", "institution": "TRP", "because": "First", **LAYOUT}, head)
    source = {"code": "LG-101", "institution": "TRP", "because": "First", "layout": "PLAIN", **SOURCE}
    service.post("/v1/sources", source, head)


def send(
    service: Running, body: str | bytes, head: dict[str, str], kind: str = "text/csv", **asked: Any
) -> httpx2.Response:
    """Send readings of LG-101."""
    headers = {**head, "Content-Type": kind}
    return service.client.post(PATH, content=body, headers=headers, params=asked)


def chunks(service: Running, known_on: datetime = FOREVER) -> list[readings.ChunkFacts]:
    """What counts of LG-101."""
    window = (datetime.fromisoformat("2025-01-01T00:00:00Z"), datetime.fromisoformat("2027-01-01T00:00:00Z"))
    with service.service.database.engine.connect() as connection:
        return readings.chunks(connection, ["LG-101"], ["temperature"], *window, known_on)


def test_good_rows_are_stored_and_bad_ones_listed(service: Running) -> None:
    """Every line is accounted for, the bytes are evidence under their hash (FIPS 180-4), and the readings count."""
    head = service.token("cur")
    answer = send(service, TABLE, head, run="T-02", name="LG-101.csv")
    assert answer.status_code == 201, answer.text
    made = answer.json()
    assert (made["rows_read"], made["rows_stored"], made["rows_bad"], made["state"]) == (3, 2, 1, "read")
    assert made["bad"][0]["line"] == 4
    assert (made["begin_at"], made["end_at"]) == ("2025-03-24T11:10:00Z", "2025-03-24T11:20:00Z")
    assert made["sha256"] == hashlib.sha256(TABLE.encode()).hexdigest()
    assert service.client.get(f"/v1/files/{made['sha256']}", headers=head).content == TABLE.encode()
    assert service.get(answer.headers["Location"], head) == made
    (chunk,) = chunks(service)
    assert (chunk.lowest, chunk.highest, chunk.readings) == (-58.2, -58.1, 2)
    with service.service.database.engine.connect() as connection:
        times_s, values = readings.load(connection, chunk.key)
    assert times_s.tolist() == [1742814600.0, 1742815200.0]
    assert values.tolist() == [-58.2, -58.1]


def test_the_same_file_twice_is_one_upload(service: Running) -> None:
    """200 with the first answer, and nothing counts twice; under another layout it is refused until withdrawn."""
    head = service.token("cur")
    first = send(service, TABLE, head).json()
    service.clock.forward(minutes=1)
    again = send(service, TABLE, head)
    assert (again.status_code, again.json()) == (200, first)
    assert len(chunks(service)) == 1
    content = {"columns": [{"column": 2, "quantity": "temperature", "unit": "[degF]"}]}
    other = {"code": "WARM", "institution": "TRP", "what": "x", "because": "x", "content": content}
    service.post("/v1/layouts", other, head)
    refused = send(service, TABLE, head, layout="WARM")
    assert (refused.status_code, refused.json()["code"]) == (409, "rule_forbids")
    then = service.clock.at
    service.clock.forward(minutes=1)
    gone = service.post(f"/v1/sources/LG-101/uploads/{first['id']}/withdraw", {"because": "Wrong unit"}, head, 200)
    assert gone["state"] == "withdrawn"
    assert chunks(service) == []
    assert len(chunks(service, then)) == 1
    service.clock.forward(minutes=1)
    assert send(service, TABLE, head, layout="WARM").status_code == 201
    assert chunks(service)[0].highest == pytest.approx((-58.1 - 32) * 5 / 9)
    assert {one["state"] for one in service.get("/v1/sources/LG-101/uploads", head)["items"]} == {"withdrawn", "read"}


def test_who_may_send(embedded: Running) -> None:
    """People and devices of its institution and of its readers; others do not see it, auditors only see."""
    reader, stranger = embedded.add("r", ("TSI", "receiver")), embedded.add("s", ("MRL", "receiver"))
    device, auditor = embedded.add("d", ("TRP", "device")), embedded.add("a", ("TRP", "auditor"))
    assert send(embedded, TABLE, stranger).status_code == 404
    assert send(embedded, TABLE, auditor).status_code == 403
    assert send(embedded, TABLE, {}).status_code == 401
    assert send(embedded, TABLE, device).status_code == 201
    assert send(embedded, TABLE.replace("58", "57"), reader).status_code == 201
    made = send(embedded, TABLE, reader).json()
    path = f"/v1/sources/LG-101/uploads/{made['id']}/withdraw"
    refused = embedded.client.post(path, json={"because": "x"}, headers=reader)
    assert refused.status_code == 403
    embedded.get("/v1/sources/LG-101/uploads", stranger, 404)


def test_what_cannot_be_taken(embedded: Running) -> None:
    """No known kind, no layout, a layout of what the source does not measure: each says what to do."""
    head = embedded.token("cur")
    assert send(embedded, TABLE, head, "image/png").status_code == 415
    assert send(embedded, TABLE, head, layout="NONE").status_code == 404
    content = {"columns": [{"column": 2, "quantity": "light", "unit": "lx"}]}
    embedded.post(
        "/v1/layouts", {"code": "LUX", "institution": "TRP", "what": "x", "because": "x", "content": content}, head
    )
    assert "light" in send(embedded, TABLE, head, layout="LUX").json()["detail"]
    bare = {**SOURCE, "code": "LG-102", "institution": "TRP", "because": "x"}
    embedded.post("/v1/sources", bare, head)
    path = "/v1/sources/LG-102/readings"
    answer = embedded.client.post(path, content=TABLE, headers={**head, "Content-Type": "text/csv"})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/layout")


def test_a_file_that_nothing_can_be_read_of(embedded: Running) -> None:
    """It is kept and accounted for; another layout may then be tried without more ado."""
    head = embedded.token("cur")
    table = "time;c\n2025-03-24T11:10:00Z;-58,2\n"
    made = send(embedded, table, head).json()
    assert (made["rows_read"], made["rows_stored"], made["rows_bad"]) == (1, 0, 1)
    content = LAYOUT["content"] | {"delimiter": ";", "decimal": ","}  # type: ignore[operator]  # a dict
    semi = {"code": "SEMI", "institution": "TRP", "what": "x", "because": "x", "content": content}
    embedded.post("/v1/layouts", semi, head)
    assert send(embedded, table, head, layout="SEMI").json()["rows_stored"] == 1


def test_an_upload_that_broke_off_is_gone_on_with(embedded: Running) -> None:
    """Chunks without an end count for nothing; the same file again ends the same upload, without doubling a chunk."""
    head = embedded.token("cur")
    made = send(embedded, TABLE, head).json()
    engine = embedded.service.database.engine
    with engine.begin() as connection:  # as a process that died leaves it: the end is not there
        connection.execute(sa.text("DROP TRIGGER guard_upload_end_delete"))
        connection.execute(sa.text("DELETE FROM upload_end"))
        connection.execute(sa.text("DELETE FROM reading_span"))
    assert chunks(embedded) == []
    assert embedded.get(f"/v1/sources/LG-101/uploads/{made['id']}", head)["state"] == "reading"
    assert send(embedded, TABLE, head).json()["code"] == "away"
    embedded.clock.forward(minutes=3)
    again = send(embedded, TABLE, head)
    assert (again.status_code, again.json()["id"], again.json()["rows_stored"]) == (201, made["id"], 2)
    assert len(chunks(embedded)) == 1


def test_marks_of_an_upload(embedded: Running) -> None:
    """A calibration that was over, a clock that is ahead: said beside the readings, which stay as they are."""
    head = embedded.token("cur")
    change = {**SOURCE, "layout": "PLAIN", "good_until": "2025-01-01", "because": "Its sheet"}
    del change["kind"]
    put = embedded.client.put("/v1/sources/LG-101", json=change, headers={**head, "If-Match": '"v1"'})
    assert put.status_code == 200, put.text
    made = send(embedded, "time,c\n2030-01-01T00:00:00Z,1\n", head).json()
    assert made["marks"] == ["calibration_lapsed", "ahead_of_time"]
    assert made["rows_stored"] == 1


def test_a_long_file(embedded: Running) -> None:
    """Seventy thousand rows: two chunks, in order, with nothing lost between them, and progress to its end."""
    head = embedded.token("cur")
    rows = [f"{1_742_814_600 + 60 * n},{20 + n % 7 / 10:.1f}" for n in range(70_000)]
    content = LAYOUT["content"] | {"time_format": "epoch_s", "heading_rows": 0}  # type: ignore[operator]  # a dict
    epoch = {"code": "EPOCH", "institution": "TRP", "what": "x", "because": "x", "content": content}
    embedded.post("/v1/layouts", epoch, head)
    made = send(embedded, "\n".join(rows), head, layout="EPOCH").json()
    assert (made["rows_stored"], made["bytes_read"]) == (70_000, made["size_bytes"])
    found = chunks(embedded)
    assert [one.readings for one in found] == [65_536, 70_000 - 65_536]
    assert (found[1].begin_at - found[0].end_at).total_seconds() == 60


PACK = [
    {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1742814600, "bu": "Cel", "n": "temperature", "v": -58.2},
    {"n": "temperature", "t": 600, "v": -58.1},
    {"n": "label", "vs": "Machine Room"},
    {"n": "temperature", "t": 1200, "u": "K", "v": 215.15},
]


def values(service: Running) -> list[tuple[float, float]]:
    """Every reading of LG-101 that counts, in the order of time."""
    found = []
    with service.service.database.engine.connect() as connection:
        for chunk in chunks(service):
            times_s, figures = readings.load(connection, chunk.key)
            found += list(zip(times_s.tolist(), figures.tolist(), strict=True))
    return sorted(found)


@pytest.mark.parametrize("form", ["senml+json", "senml+cbor", "sensml+json"])
def test_senml(form: str, embedded: Running) -> None:
    """RFC 8428 as a pack in JSON and in CBOR, and as a stream of lines: the same readings, units converted, what is no
    figure listed by its number; the bytes are kept as they came."""
    head = embedded.token("cur")
    whole = {"senml+json": json.dumps(PACK).encode(), "senml+cbor": cbor2.dumps(PACK)}
    body = whole.get(form) or "\n".join(map(json.dumps, PACK)).encode()
    answer = send(embedded, body, head, f"application/{form}")
    assert answer.status_code == 201, answer.text
    made = answer.json()
    assert (made["rows_read"], made["rows_stored"], [one["line"] for one in made["bad"]]) == (4, 3, [3])
    assert values(embedded) == [(1742814600.0, -58.2), (1742815200.0, -58.1), (1742815800.0, -58.0)]
    assert embedded.client.get(f"/v1/files/{made['sha256']}", headers=head).content == body
    assert send(embedded, body, head, f"application/{form}").status_code == 200


def test_senml_that_is_none(embedded: Running) -> None:
    """A pack that cannot be taken apart is refused as a whole, and nothing of it is told; a line is one bad line."""
    head = embedded.token("cur")
    for form, body in (("senml+json", b"{}"), ("senml+json", b"[NaN]"), ("senml+cbor", b"\xff"), ("senml+json", b"[")):
        assert send(embedded, body, head, f"application/{form}").status_code == 422, body
    assert embedded.get("/v1/sources/LG-101/uploads", head)["items"] == []
    lines = b'{"n":"temperature","u":"Cel","v":20}\n{torn\n'
    made = send(embedded, lines, head, "application/x-ndjson").json()
    assert (made["rows_stored"], made["bad"][0]["line"]) == (1, 2)
    assert values(embedded)[0][0] == embedded.clock.at.timestamp()
