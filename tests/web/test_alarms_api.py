"""Alarms, previews of tables, and cold endurance over HTTP."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from tests.web.service import Running, running
from tests.web.test_readings_api import PATH, furnish_logger

SENSOR = {"code": "PS-1", "institution": "TRP", "kind": "sensor", "place": "TRP-F1", "what": "freezer", "because": "x"}
PROFILE: dict[str, Any] = {
    "code": "C",
    "institution": "TRP",
    "what": "cold",
    "limits": [{"quantity": "temperature", "unit": "Cel", "upper": -15}],
    "decisive": "temperature",
    "valid_from": "2025-01-01T00:00:00Z",
    "because": "First",
}


@pytest.fixture
def service(database_url: str, tmp_path: Path) -> Iterator[Running]:
    """The service with a freezer and its sensor, once on each database; it is noon."""
    with running(database_url, files_dir=str(tmp_path / "evidence")) as found:
        furnish_logger(found)
        found.clock.at = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
        head = found.token("cur")
        found.post("/v1/profiles", PROFILE, head)
        since = {"valid_from": "2025-01-01T00:00:00Z"}
        place = {"code": "TRP-F1", "institution": "TRP", "what": "freezer", "profile": "C", "because": "First", **since}
        found.post("/v1/places", place, head)
        sensor = {**SENSOR, "interval_s": 600, "quantities": ["temperature"], "layout": "PLAIN", **since}
        found.post("/v1/sources", sensor, head)
        yield found


def read(service: Running, temperatures: dict[str, float]) -> None:
    """The sensor read these on the day."""
    rows = "".join(f"2026-03-10T{at}:00Z,{value}\n" for at, value in temperatures.items())
    headers = {**service.token("cur"), "Content-Type": "text/csv"}
    answer = service.client.post("/v1/sources/PS-1/readings", content="t,c\n" + rows, headers=headers)
    assert answer.json()["rows_bad"] == 0, answer.text


def alarms(service: Running, known_on: str = "2030-01-01T00:00:00Z") -> list[tuple[Any, ...]]:
    """Alarms, as (kind, about, since, until, peak)."""
    found = service.get("/v1/reports/alarms", service.token("cur"), known_on=known_on)["items"]
    return [(one["kind"], one["about"], one["since"][11:16], (one["until"] or "")[11:16], one["peak"]) for one in found]


def test_a_freezer_that_warms(service: Running) -> None:
    """Beyond its limit since a quarter to twelve and still: a breach that goes on; by evening it is over, and the
    sensor silent. As known before the file came there was only silence."""
    then = service.clock.at.isoformat()
    service.clock.forward(minutes=1)
    read(service, {"11:30": -20, "11:40": -20, "11:50": -10, "12:00": -8})
    assert alarms(service) == [("breach", "PS-1", "11:45", "", -8)]
    assert [one[0] for one in alarms(service, known_on=then)] == ["silence"]
    service.clock.forward(minutes=20)
    read(service, {"12:10": -20, "12:20": -20})
    assert alarms(service) == [("breach", "PS-1", "11:45", "12:05", -8)]
    service.clock.forward(hours=8)
    assert alarms(service) == [("breach", "PS-1", "11:45", "12:05", -8), ("silence", "PS-1", "12:20", "", None)]


def test_nobody_elses_alarms(service: Running) -> None:
    """To strangers there is no sensor."""
    assert service.get("/v1/reports/alarms", service.add("s", ("MRL", "receiver")))["items"] == []


def test_a_shipment_without_word(service: Running) -> None:
    """Expected two days ago, and nobody said anything."""
    head = service.add("clerk", ("TRP", "clerk"))
    service.institution("CRK", kind="courier")
    service.post("/v1/prefixes", {"prefix": "P", "institution": "TRP", "because": "x"}, service.token("cur"))
    wanted = {"kind": "parcel", "form": "overpack", "what": "box", "acting_for": "TRP", "prefix": "P", "count": 1}
    number = service.post("/v1/items", wanted, head)["items"][0]["number"]
    trip = {"code": "T-1", "consignor": "TRP", "addressee": "TSI", "carrier": "CRK", "contents": [number]}
    service.post("/v1/shipments", {**trip, "expected_by": "2026-03-11T12:00:00Z"}, head)
    service.clock.at = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
    found = service.get("/v1/reports/alarms", service.token("clerk"))["items"]
    assert [(one["about"], one["kind"]) for one in found if one["kind"] == "no_word"] == [("T-1", "no_word")]


def test_a_preview_stores_nothing(service: Running) -> None:
    """A layout guessed from the file, what it leaves open, and rows by it; bad lines are shown before they are bad."""
    head = {**service.token("cur"), "Content-Type": "text/csv"}
    table = "when;Temp °C\n24.03.2025 11:10;-58,2\n24.03.2025 11:20;-58,1\n24.03.2025 11:30;OL\n"
    found = service.client.post(f"{PATH}/preview", content=table, headers=head).json()
    assert (found["layout"]["delimiter"], found["layout"]["decimal"]) == (";", ",")
    assert found["rows"][0] == {"at": "2025-03-24T11:10:00Z", "values": {"temperature": -58.2}}
    assert [one["line"] for one in found["bad"]] == [4]
    assert found["unsure"] == ["times have no offset: they are read in the zone of the source"]
    layout = {"code": "GUESSED", "institution": "TRP", "what": "x", "because": "x", "content": found["layout"]}
    service.post("/v1/layouts", layout, service.token("cur"))
    assert service.get("/v1/sources/LG-101/uploads", service.token("cur"))["items"] == []
    sent = service.client.post(PATH, content=table, headers=head, params={"layout": "GUESSED"}).json()
    assert (sent["rows_stored"], sent["rows_bad"]) == (2, 1)
    given = service.client.post(f"{PATH}/preview", content=table, headers=head, params={"layout": "PLAIN"}).json()
    assert (given["rows"], len(given["bad"])) == ([], 3)
    nothing = service.client.post(f"{PATH}/preview", content="hello", headers=head).json()
    assert nothing["layout"] is None
    assert (
        service.client.post(f"{PATH}/preview", content=table, headers=service.add("s", ("MRL", "clerk"))).status_code
        == 404
    )


def test_will_it_stay_cold(service: Running) -> None:
    """20 kg that lose 2.5 kg a day last 8 days, of which four fifths are counted on; and the caution goes with it."""
    head = service.add("clerk", ("TRP", "clerk"))
    service.institution("CRK", kind="courier")
    trip = {"code": "T-1", "consignor": "TRP", "addressee": "TSI", "carrier": "CRK", "contents": []}
    made = service.client.post("/v1/shipments", json={**trip, "expected_by": "2026-03-15T12:00:00Z"}, headers=head)
    assert made.status_code == 201, made.text
    path = "/v1/shipments/T-1/cold-endurance"
    found = service.get(path, head, load_g="20000", loss_g_per_day="2500")
    assert (found["planned_s"], found["lasts_s"], found["is_enough"]) == (5 * 86_400, 8 * 86_400, True)
    assert (found["margin_s"], found["load_needed_g"]) == (120_960, 15_625)
    assert "airtight" in found["caution"]
    assert service.get(path, head, load_g="15000", loss_g_per_day="2500")["is_enough"] is False
