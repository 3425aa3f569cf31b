"""Sessions and refresh tokens over HTTP: RFC 6749 section 6, RFC 9700 section 4.14, RFC 7009."""

import hashlib
import threading
from collections.abc import Iterator
from typing import Any

import httpx2
import pytest
from sqlalchemy import text

from tests.web.service import PASSWORD, Running, running

Json = dict[str, Any]


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service, once on each database."""
    with running(database_url) as found:
        yield found


def sign_in(service: Running, login: str = "first", client_id: str = "scanner") -> Json:
    """A new session: its first pair of tokens."""
    form = {"grant_type": "password", "username": login, "password": PASSWORD, "client_id": client_id}
    answer = service.client.post("/v1/token", data=form)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


def renew(service: Running, token: str, **form: str) -> httpx2.Response:
    """Ask for the next pair."""
    return service.client.post("/v1/token", data={"grant_type": "refresh_token", "refresh_token": token, **form})


def head(pair: Json) -> dict[str, str]:
    """The header that says who asks."""
    return {"Authorization": f"Bearer {pair['access_token']}"}


def works(service: Running, pair: Json) -> bool:
    """Whether the access token is taken."""
    status = service.client.get("/v1/me", headers=head(pair)).status_code
    assert status in {200, 401}
    return status == 200


def test_a_refresh_token_gives_the_next_pair(service: Running) -> None:
    """RFC 6749 section 6: a new access token for the same person, after the first has expired; not to be cached."""
    first = sign_in(service)
    service.clock.forward(days=1)
    assert not works(service, first)

    answer = renew(service, first["refresh_token"])

    assert (answer.status_code, answer.headers["Cache-Control"]) == (200, "no-store")
    assert works(service, answer.json())
    assert answer.json()["refresh_token"] != first["refresh_token"]


def test_a_spent_refresh_token_ends_the_session(service: Running) -> None:
    """RFC 9700 section 4.14.2: on reuse the active refresh token is revoked too; its access tokens stop at once."""
    other, first = sign_in(service), sign_in(service)
    second = renew(service, first["refresh_token"]).json()

    again = renew(service, first["refresh_token"])

    assert (again.status_code, again.json()["error"]) == (400, "invalid_grant")
    assert renew(service, second["refresh_token"]).json()["error"] == "invalid_grant"
    assert not works(service, first)
    assert not works(service, second)
    assert works(service, other)


def test_a_refresh_token_is_not_kept(service: Running) -> None:
    """Only its SHA-256 is in the database, whoever reads it there cannot use it."""
    token = sign_in(service)["refresh_token"]

    with service.service.database.engine.connect() as connection:
        (kept,) = connection.execute(text("SELECT digest FROM refresh_token")).one()
    assert kept == hashlib.sha256(token.encode()).hexdigest()
    assert renew(service, kept).json()["error"] == "invalid_grant"


def test_of_two_uses_at_once_one_succeeds(service: Running) -> None:
    """Two threads show one token: at most one gets a pair, and the session ends."""
    pair = sign_in(service)
    answers: list[httpx2.Response] = []
    threads = [threading.Thread(target=lambda: answers.append(renew(service, pair["refresh_token"]))) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(answer.status_code for answer in answers) == [200, 400]
    assert not works(service, pair)


def test_a_refresh_token_is_for_its_client(service: Running) -> None:
    """RFC 6749 section 6: bound to the client it was issued to; one that does not name itself is taken."""
    token = sign_in(service)["refresh_token"]

    assert renew(service, token, client_id="another").json()["error"] == "invalid_grant"
    assert renew(service, token, client_id="scanner").status_code == 200


@pytest.mark.parametrize(("step_days", "good_days"), [(13, 78), (15, 0)])
def test_a_session_ends_by_itself(service: Running, step_days: int, good_days: int) -> None:
    """After 14 days without renewal, and after 90 days in all (RFC 9700 section 4.14.2 asks for the first)."""
    pair, lasted = sign_in(service), 0
    for _ in range(10):
        service.clock.forward(days=step_days)
        answer = renew(service, pair["refresh_token"])
        if answer.status_code != 200:
            break
        pair, lasted = answer.json(), lasted + step_days

    assert lasted == good_days


@pytest.mark.parametrize("which", ["refresh_token", "access_token"])
def test_signing_out_ends_the_session(service: Running, which: str) -> None:
    """RFC 7009 section 2.1: with the refresh token go the access tokens; either of them names the session."""
    pair, other = sign_in(service), sign_in(service)

    answer = service.client.post("/oauth/revoke", data={"token": pair[which], "token_type_hint": which})

    assert (answer.status_code, answer.content) == (200, b"")
    assert not works(service, pair)
    assert renew(service, pair["refresh_token"]).json()["error"] == "invalid_grant"
    assert works(service, other)


def test_signing_out_what_is_unknown_is_answered_the_same(service: Running) -> None:
    """RFC 7009 section 2.2: 200 for an invalid token; without the parameter, invalid_request."""
    for token in ("shr_nothing", "a.b.c", "x"):
        assert service.client.post("/oauth/revoke", data={"token": token}).status_code == 200
    answer = service.client.post("/oauth/revoke", data={})

    assert (answer.status_code, answer.json()["error"]) == (400, "invalid_request")


def test_ones_own_sessions_are_listed_and_ended(service: Running) -> None:
    """The newest first, this one marked; another person's is as unknown as one that does not exist."""
    phone = sign_in(service, client_id="phone")
    service.clock.forward(seconds=1)
    desk = sign_in(service, client_id="desk")
    ana = service.add("ana", ("TRP", "clerk"))

    listed = service.get("/v1/me/sessions", head(desk))["sessions"]

    shown = [(one["client_id"], one["is_this_one"]) for one in listed]
    assert [pair for pair in shown if pair[0] in {"desk", "phone"}] == [("desk", True), ("phone", False)]
    (lost,) = (one["session"] for one in listed if one["client_id"] == "phone")
    service.post(f"/v1/me/sessions/{lost}/end", {}, ana, status=404)
    assert works(service, phone)
    ended = service.post(f"/v1/me/sessions/{lost}/end", {}, head(desk), status=200)
    assert service.post(f"/v1/me/sessions/{lost}/end", {}, head(desk), status=200) == ended
    assert not works(service, phone)
    assert works(service, desk)


def test_a_closed_account_ends_its_sessions(service: Running) -> None:
    """Neither token of a closed account is good."""
    service.add("ana", ("TRP", "clerk"))
    pair = sign_in(service, "ana")

    service.post(f"/v1/people/{service.people['ana']}/close", {}, service.token("first"), status=200)

    assert not works(service, pair)
    assert renew(service, pair["refresh_token"]).json()["error"] == "invalid_grant"
