"""Readings read back over HTTP: thinned for plots, whole as a file, by true times as known."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.web.service import Running, running
from tests.web.test_readings_api import PATH, furnish_logger, send

TABLE = "time,c\n" + "\n".join(f"2025-03-24T{n // 60:02}:{n % 60:02}:00Z,{20 + (n == 700) * 9.5}" for n in range(1440))


@pytest.fixture
def service(database_url: str, tmp_path: Path) -> Iterator[Running]:
    """The service with a logger of a day of minutes, once on each database."""
    with running(database_url, files_dir=str(tmp_path / "evidence")) as found:
        furnish_logger(found)
        assert send(found, TABLE, found.token("cur")).status_code == 201
        yield found


def test_thinned_without_losing_the_peak(service: Running) -> None:
    """Twenty points of 1 440 readings, the one high reading among them, at its own minute."""
    found = service.get(PATH, service.token("cur"), points="20")
    assert (found["readings"], found["unit"], found["quantity"]) == (1440, "Cel", "temperature")
    assert len(found["points"]) <= 20
    assert {"at": "2025-03-24T11:40:00Z", "value": 29.5} in found["points"]
    assert (found["from_at"], found["to_at"]) == ("2025-03-24T00:00:00Z", "2025-03-24T23:59:00Z")


def test_a_window(service: Running) -> None:
    """From and to are true times, both included."""
    head = service.token("cur")
    window = {"from": "2025-03-24T10:00:00Z", "to": "2025-03-24T10:02:00Z"}
    found = service.client.get(PATH, headers=head, params=window).json()
    assert [one["at"][11:16] for one in found["points"]] == ["10:00", "10:01", "10:02"]
    assert service.client.get(PATH, headers=head, params={"from": "2026-01-01T00:00:00Z"}).json()["points"] == []


def test_all_of_it_as_a_file(service: Running) -> None:
    """RFC 4180: a heading, then every reading on a line of its own."""
    answer = service.client.get(PATH, headers={**service.token("cur"), "Accept": "text/csv"})
    lines = answer.text.split("\r\n")
    assert (lines[0], len(lines)) == ("source,quantity,unit,at,value", 1442)
    assert lines[701] == "LG-101,temperature,Cel,2025-03-24T11:40:00Z,29.5"
    assert "attachment" in answer.headers["Content-Disposition"]


def test_true_times_as_known(service: Running) -> None:
    """A clock check told later moves the series then, and not as known before."""
    head = service.token("cur")
    then = service.clock.at.isoformat()
    service.clock.forward(minutes=1)
    check = {"logger_at": "2025-03-24T01:00:00Z", "true_at": "2025-03-24T00:00:00Z"}
    service.post("/v1/sources/LG-101/clock-checks", check, head)
    assert service.get(PATH, head, points="20")["from_at"] == "2025-03-23T23:00:00Z"
    assert service.get(PATH, head, points="20", known_on=then)["from_at"] == "2025-03-24T00:00:00Z"


def test_who_reads_and_what_is_measured(service: Running) -> None:
    """To strangers it is not there; what it does not measure is said so."""
    service.get(PATH, service.add("s", ("MRL", "receiver")), 404)
    answer = service.client.get(PATH, headers=service.token("cur"), params={"quantity": "light"})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/quantity")
