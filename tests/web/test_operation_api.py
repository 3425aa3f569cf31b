"""What those who run the service ask: alive, ready, how busy."""

from pathlib import Path

from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.store import schema
from tests.databases import sqlite_url
from tests.web.service import running


def test_ready_where_the_schema_is_the_newest(database_url: str) -> None:
    """200 with the revision, and no sign-in needed."""
    with running(database_url) as service:
        assert service.get("/readyz", {}) == {"status": "ready", "schema_revision": schema.head()}


def test_not_ready_without_a_schema_but_alive(tmp_path: Path) -> None:
    """On an empty database 503 as a problem that says when to ask again (RFC 9110 section 10.2.3); and alive."""
    app = create_app(Settings(database_url=sqlite_url(tmp_path / "empty.sqlite3")))
    with TestClient(app, raise_server_exceptions=False) as client:
        refused = client.get("/readyz")
        assert (refused.status_code, refused.json()["code"]) == (503, "away")
        assert refused.headers["Content-Type"] == "application/problem+json"
        assert int(refused.headers["Retry-After"]) > 0
        assert client.get("/healthz").json() == {"status": "alive"}


def test_not_ready_where_the_database_is_away(tmp_path: Path) -> None:
    """A database that cannot be opened: 503, no trace of where it was looked for."""
    app = create_app(Settings(database_url=sqlite_url(tmp_path / "no-such-folder" / "x.sqlite3")))
    with TestClient(app, raise_server_exceptions=False) as client:
        refused = client.get("/readyz")
    assert refused.status_code == 503
    assert "no-such-folder" not in refused.text


def test_what_was_asked_is_counted(sqlite_database_url: str) -> None:
    """The client library of Prometheus reads the text, and finds the request that was just made."""
    with running(sqlite_database_url) as service:
        service.get("/v1/institutions/NOWHERE", service.token("first"), status=404)
        answer = service.client.get("/metrics")

    samples = {
        (sample.name, sample.labels.get("route"), sample.labels.get("status")): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }
    assert samples["shipsvc_requests_total", "/v1/institutions/{code}", "404"] == 1
    assert answer.headers["Content-Type"].startswith("text/plain; version=")
