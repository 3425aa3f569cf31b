"""The limit on failed sign-ins, over two processes on one database (NIST SP 800-63B section 3.2.2; OWASP API2:2023)."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import httpx2
import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from shipsvc.app import passwords
from shipsvc.domain.attempts import Limit, Tally, after_failure
from shipsvc.main import create_app
from tests.web.service import PASSWORD, START, Running, running

WRONG = "another phrase"
HOME, AWAY = "192.0.2.7", "198.51.100.9"  # RFC 5737


@dataclass
class Two:
    """Two processes of the service, asked in turn."""

    first: Running
    other: FastAPI
    asked: int = 0

    def try_as(self, login: str, password: str = WRONG, address: str = AWAY) -> httpx2.Response:
        """One try from an address, at the process whose turn it is."""
        self.asked += 1
        app = (self.first.client.app, self.other)[self.asked % 2]
        client = TestClient(app, raise_server_exceptions=False, client=(address, 40_000))
        return client.post("/v1/token", data={"grant_type": "password", "username": login, "password": password})

    def statuses(self, login: str, count: int, address: str = AWAY) -> list[int]:
        """What so many wrong tries are answered."""
        return [self.try_as(login, address=address).status_code for _ in range(count)]


@pytest.fixture
def two(database_url: str) -> Iterator[Two]:
    """Two applications on one database, with one clock; once on each database."""
    with running(database_url, login_failures_max=3, address_failures_max=8) as first:
        other = create_app(first.service.settings, first.clock)
        yield Two(first, other)
        other.state.service.database.engine.dispose()


@pytest.mark.parametrize("login", ["first", "nobody", "FIRST "])
def test_too_many_failures_cost_a_wait(two: Two, login: str) -> None:
    """RFC 6585 section 4: 429 with Retry-After, from either process, for a name that nobody has as for any other."""
    assert two.statuses(login, 4) == [400, 400, 400, 429]

    refused = two.try_as(login, PASSWORD)

    assert (refused.status_code, refused.json()["code"]) == (429, "too_many_tries")
    assert refused.headers["Content-Type"] == "application/problem+json"
    assert refused.headers["Retry-After"] == "30"
    assert "first" not in refused.text.lower()


def test_no_hash_is_computed_while_locked(two: Two) -> None:
    """With every slot for hashes taken, a locked name is still answered 429 at once, and another one has to wait."""
    two.statuses("first", 3)
    for _ in range(passwords.CONCURRENT_MAX):
        passwords.SLOTS.acquire()
    try:
        assert two.try_as("first").status_code == 429
    finally:
        for _ in range(passwords.CONCURRENT_MAX):
            passwords.SLOTS.release()


def test_the_right_password_after_the_wait_clears_it(two: Two) -> None:
    """Each failure after the wait costs twice the one before; the right password starts the count anew."""
    two.statuses("first", 3)
    two.first.clock.forward(seconds=29.5)
    assert two.try_as("first", PASSWORD).headers["Retry-After"] == "1"
    two.first.clock.forward(seconds=0.5)
    assert two.statuses("first", 2) == [400, 429]
    assert two.try_as("first").headers["Retry-After"] == "60"
    two.first.clock.forward(seconds=60)

    assert two.try_as("first", PASSWORD).status_code == 200

    assert two.statuses("first", 4) == [400, 400, 400, 429]


def test_an_address_that_tries_many_names_waits(two: Two) -> None:
    """One guess at each of many names (OWASP: password spraying, credential stuffing) is counted by address."""
    names = [f"name{n}" for n in range(9)]

    assert [two.try_as(name).status_code for name in names] == [400] * 8 + [429]
    assert two.try_as("first", PASSWORD).status_code == 429
    assert two.try_as("first", PASSWORD, HOME).status_code == 200


def test_addresses_of_one_subscriber_count_as_one(two: Two) -> None:
    """RFC 6177: a subscriber has a /64 of IPv6 at least, and as many addresses in it as there are tries."""
    for n in range(8):
        two.try_as(f"name{n}", address=f"2001:db8:1:2::{n + 1}")

    assert two.try_as("other", address="2001:db8:1:2:ffff::1").status_code == 429
    assert two.try_as("other", address="2001:db8:1:3::1").status_code == 400


def test_strangers_do_not_lock_somebody_out_at_home(two: Two) -> None:
    """From an address that its owner signed in from, only failures from there count (NIST: an allow list)."""
    assert two.try_as("first", PASSWORD, HOME).status_code == 200
    two.statuses("first", 4)

    assert two.try_as("first", PASSWORD, AWAY).status_code == 429
    assert two.try_as("first", PASSWORD, HOME).status_code == 200
    assert two.statuses("first", 4, HOME) == [400, 400, 400, 429]


def test_what_was_typed_is_not_kept(two: Two) -> None:
    """People type passwords into the field for the name: the database keeps digests alone."""
    from sqlalchemy import text

    two.try_as("my secret phrase")

    with two.first.service.database.engine.connect() as connection:
        kept = str(connection.execute(text("SELECT * FROM sign_in_failures")).all())
    assert "secret" not in kept
    assert AWAY not in kept


def tally(count: int, limit: Limit, apart: timedelta, start: datetime = START) -> Tally:
    """The tally after so many failures."""
    found = after_failure(None, start, limit)
    for n in range(1, count):
        found = after_failure(found, start + n * apart, limit)
    return found


def test_waits_grow_to_their_limit_and_peace_forgets() -> None:
    """NIST SP 800-63B section 3.2.2: 30 seconds up to an hour; never for ever, or anybody could shut out anybody."""
    limit = Limit(3, timedelta(minutes=15))

    waits = [tally(n, limit, timedelta(0)) for n in (2, 3, 4, 10, 100)]

    assert [(found.locked_until - found.last_at).total_seconds() for found in waits] == [0, 30, 60, 3600, 3600]
    assert tally(50, limit, timedelta(minutes=15)).failures == 1
