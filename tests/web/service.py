"""The whole service in one process, with people in it, for tests that speak HTTP to it."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from starlette.testclient import TestClient

from shipsvc.app import identity
from shipsvc.config import Settings
from shipsvc.main import create_app
from shipsvc.web.deps import Service, transaction

START = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
PASSWORD = "a phrase nobody guesses"
LENDER = {"name": "Tarnhythe Repository", "kind": "lender", "zone": "Europe/London", "altitude_m": 40}
LABORATORY = {"kind": "borrower", "zone": "Asia/Tokyo", "because": "First entry"}


@dataclass
class Clock:
    """A clock that stands still until it is moved."""

    at: datetime = START

    def __call__(self) -> datetime:
        return self.at

    def forward(self, **by: float) -> datetime:
        """Move by a timedelta given in its own words; the time then."""
        self.at += timedelta(**by)
        return self.at


@dataclass
class Running:
    """A running service: one administrator ("first", at TRP) and whoever is added."""

    client: TestClient
    service: Service
    clock: Clock
    people: dict[str, str] = field(default_factory=dict)

    def token(self, login: str) -> dict[str, str]:
        """Sign in; the header that says so."""
        form = {"grant_type": "password", "username": login, "password": PASSWORD}
        answer = self.client.post("/v1/token", data=form)
        assert answer.status_code == 200, answer.text
        return {"Authorization": f"Bearer {answer.json()['access_token']}"}

    def add(self, login: str, *roles: tuple[str, str]) -> dict[str, str]:
        """Add a person with (institution, role) pairs; the header that signs them in."""
        given = [{"institution": institution, "role": role} for institution, role in roles]
        body = {"name": login.upper(), "login": login, "password": PASSWORD, "roles": given}
        self.people[login] = self.post("/v1/people", body, self.token("first"))["person"]
        return self.token(login)

    def institution(self, code: str, **content: Any) -> None:
        """Add an institution."""
        body = {"code": code, "name": f"Institute {code}", **LABORATORY, **content}
        self.post("/v1/institutions", body, self.token("first"))

    def post(self, path: str, body: Mapping[str, Any], headers: Mapping[str, str], status: int = 201) -> dict[str, Any]:
        """POST; the answer, which must have the status."""
        answer = self.client.post(path, json=dict(body), headers=dict(headers))
        assert answer.status_code == status, answer.text
        found: dict[str, Any] = answer.json()
        return found

    def get(self, path: str, headers: Mapping[str, str], status: int = 200, **asked: str) -> dict[str, Any]:
        """GET; the answer, which must have the status."""
        answer = self.client.get(path, params=asked, headers=dict(headers))
        assert answer.status_code == status, answer.text
        found: dict[str, Any] = answer.json()
        return found


@contextmanager
def running(database_url: str, **chosen: Any) -> Iterator[Running]:
    """The service on a migrated, empty database, with settings as chosen."""
    clock = Clock()
    app = create_app(Settings(database_url=database_url, **chosen), clock)
    service: Service = app.state.service
    with transaction(service, writes=True) as connection:
        person = identity.bootstrap(
            connection,
            clock(),
            login="first",
            password=PASSWORD,
            name="F. Example",
            institution="TRP",
            institution_content=LENDER,
        )
    with TestClient(app, raise_server_exceptions=False) as client:
        yield Running(client, service, clock, {"first": person})
