"""Loggers, sensors, layouts and clock checks over HTTP."""

from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.service import Running, running

SOURCE: dict[str, Any] = {
    "code": "LG-201",
    "institution": "TRP",
    "kind": "logger",
    "what": "logger for jars",
    "serial": "77-0201",
    "interval_s": 900,
    "quantities": ["frost_point", "temperature"],
    "good_until": "2026-06-30",
    "readers": ["TSI"],
    "because": "First",
}
LAYOUT: dict[str, Any] = {
    "code": "SEMI",
    "institution": "TRP",
    "what": "semicolons",
    "content": {"columns": [{"column": 3, "quantity": "temperature", "unit": "[degF]"}], "time_columns": [1, 2]},
    "because": "First",
}
#: The read-out of LG-201 (demo.md T11): an hour ahead, and 41 s faster after nine days.
BEGIN = {"run": "T-05", "logger_at": "2025-04-21T10:00:00Z", "true_at": "2025-04-21T09:00:00Z"}
END = {"run": "T-05", "logger_at": "2025-04-30T16:20:41Z", "true_at": "2025-04-30T15:20:00Z"}
CHECKS = "/v1/sources/LG-201/clock-checks"


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service with a place, once on each database."""
    with running(database_url) as found:
        found.institution("TSI")
        found.institution("MRL")
        head = found.add("cur", ("TRP", "curator"))
        place = {"code": "TRP-GB1", "institution": "TRP", "what": "glovebox", "profile": "N", "because": "First"}
        found.post("/v1/places", place, head)
        yield found


def test_a_logger_is_a_document(service: Running) -> None:
    """Told by its curators, shown as it stood, changed by a version that follows another; its calibration lapses on
    the day after the last good one, and changes nothing else."""
    head = service.token("cur")
    made = service.post("/v1/sources", SOURCE, head)
    assert made["quantities"] == ["frost_point", "temperature"]
    assert (made["max_gap_s"], made["zone"], made["calibration_lapsed"]) == (None, "UTC", False)
    assert service.get("/v1/sources/LG-201", head, as_of="2026-07-01T00:00:00Z")["calibration_lapsed"] is True
    change = {name: SOURCE[name] for name in ("what", "interval_s", "quantities")} | {"because": "Other interval"}
    changed = service.client.put("/v1/sources/LG-201", json=change, headers={**head, "If-Match": '"v1"'})
    assert (changed.status_code, changed.json()["version"]) == (200, 2)
    assert service.get("/v1/sources", head)["items"][0]["readers"] == []


def test_a_sensor_hangs_in_a_place(service: Running) -> None:
    """In one of its own institution; a logger in none; a quantity or a layout that is not there is named."""
    head = service.token("cur")
    sensor = SOURCE | {"code": "PS-1", "kind": "sensor"}
    assert service.client.post("/v1/sources", json=sensor, headers=head).json()["code"] == "malformed"
    assert service.client.post("/v1/sources", json=SOURCE | {"place": "TRP-GB1"}, headers=head).status_code == 422
    assert service.client.post("/v1/sources", json=sensor | {"place": "TRP-X"}, headers=head).status_code == 404
    assert service.client.post("/v1/sources", json=SOURCE | {"layout": "NONE"}, headers=head).status_code == 404
    assert service.client.post("/v1/sources", json=SOURCE | {"quantities": ["noise"]}, headers=head).status_code == 422
    assert service.post("/v1/sources", sensor | {"place": "TRP-GB1"}, head)["place"] == "TRP-GB1"


def test_who_sees_and_who_tells(service: Running) -> None:
    """Its own people and its readers; to everybody else it is not there. A reader tells of its clock, not of itself."""
    service.post("/v1/sources", SOURCE, service.token("cur"))
    reader, stranger = service.add("r", ("TSI", "receiver")), service.add("s", ("MRL", "receiver"))
    assert service.get("/v1/sources/LG-201", reader)["serial"] == "77-0201"
    service.get("/v1/sources/LG-201", stranger, 404)
    assert service.get("/v1/sources", stranger)["items"] == []
    service.get(CHECKS, stranger, 404)
    assert service.client.post(CHECKS, json=END, headers=stranger).status_code == 404
    assert service.post(CHECKS, END, reader)["offset_s"] == 3641.0
    body = {"what": "x", "interval_s": 1, "quantities": ["light"], "because": "x"}
    refused = service.client.put("/v1/sources/LG-201", json=body, headers={**reader, "If-Match": '"v1"'})
    assert refused.status_code == 403
    auditor = service.add("a", ("TRP", "auditor"))
    assert service.client.post(CHECKS, json=END, headers=auditor).status_code == 403


def test_a_clock_of_two_checks(service: Running) -> None:
    """LG-201: +3600 s at the start, +41 s of drift over nine days; one check is an offset, two a drift as well."""
    head = service.token("cur")
    service.post("/v1/sources", SOURCE, head)
    service.post(CHECKS, BEGIN, head)
    assert service.get(CHECKS, head)["corrections"] == [
        {"run": "T-05", "checks": 1, "offset_s": 3600.0, "drift_s_per_day": None}
    ]
    service.clock.forward(seconds=10)
    service.post(CHECKS, END, head)
    (fix,) = service.get(CHECKS, head)["corrections"]
    assert (fix["checks"], fix["offset_s"]) == (2, 3641.0)
    assert fix["drift_s_per_day"] == pytest.approx(41 / (9 + 6 / 24 + 20 / 1440), rel=1e-9)


def test_a_check_is_amended_not_rewritten(service: Running) -> None:
    """The later word holds, the first stays readable as known before; who did not see it is told so."""
    head = service.token("cur")
    service.post("/v1/sources", SOURCE, head)
    first = service.post(CHECKS, END, head)
    then = service.clock.at.isoformat()
    service.clock.forward(minutes=5)
    path = f"{CHECKS}/{first['id']}/amend"
    told = service.post(path, {"logger_at": "2025-04-30T16:20:44Z", "because": "Misread"}, head)
    assert (told["amends"], told["offset_s"], told["run"]) == (first["id"], 3644.0, "T-05")
    assert service.get(CHECKS, head, known_on=then)["checks"][0]["offset_s"] == 3641.0
    missed = service.client.post(path, json={"withdrawn": True, "because": "x"}, headers=head)
    assert (missed.status_code, missed.json()["code"]) == (409, "amended_meanwhile")
    gone = {"withdrawn": True, "because": "Another logger", "expected": told["id"]}
    service.post(path, gone, head)
    assert service.get(CHECKS, head) == {"checks": [], "corrections": []}
    again = service.client.post(f"{CHECKS}/{told['id']}/amend", json=gone, headers=head)
    assert (again.status_code, again.json()["code"]) == (409, "amends_an_amendment")


def test_a_clock_that_would_run_back(service: Running) -> None:
    """Taken down all the same, and marked."""
    head = service.token("cur")
    service.post("/v1/sources", SOURCE, head)
    service.post(CHECKS, BEGIN, head)
    back = {"run": "T-05", "logger_at": "2025-04-22T10:00:00Z", "true_at": "2025-04-20T09:00:00Z"}
    assert service.post(CHECKS, back, head)["marks"] == ["clock_runs_back"]
    assert len(service.get(CHECKS, head)["checks"]) == 2


def test_a_layout_is_a_document(service: Running) -> None:
    """Told, shown, changed; one that cannot be is refused with the reason."""
    head = service.token("cur")
    made = service.post("/v1/layouts", LAYOUT, head)
    assert (made["content"]["delimiter"], made["content"]["time_format"]) == (",", "iso")
    assert service.get("/v1/layouts/SEMI", head)["content"] == made["content"]
    for wrong in ({"decimal": ","}, {"time_columns": [3]}, {"time_format": "DD.MM."}, {"zone": "Mars/Base"}):
        body = LAYOUT | {"code": "X", "content": LAYOUT["content"] | wrong}
        assert service.client.post("/v1/layouts", json=body, headers=head).status_code == 422, wrong
    change = {"what": "now with commas", "content": LAYOUT["content"], "because": "Other software"}
    changed = service.client.put("/v1/layouts/SEMI", json=change, headers={**head, "If-Match": '"v1"'})
    assert changed.status_code == 200
    assert [one["version"] for one in service.get("/v1/layouts", head)["items"]] == [2]
