"""``Idempotency-Key`` as draft-ietf-httpapi-idempotency-key-header-07 describes it, on both databases."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import httpx2
import pytest
import sqlalchemy as sa

from tests.web.service import PASSWORD, Running, running

PLACE = {"code": "TRP-GB1", "institution": "TRP", "what": "glovebox", "profile": "N", "because": "First"}


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service, once on each database."""
    with running(database_url) as found:
        yield found


def post(service: Running, headers: dict[str, str], key: str, **changed: str) -> httpx2.Response:
    """POST a place under a key."""
    body = {**PLACE, **changed}
    return service.client.post("/v1/places", json=body, headers={**headers, "Idempotency-Key": key})


def places(service: Running) -> list[str]:
    """The codes of all version rows of places."""
    with service.service.database.engine.connect() as connection:
        return list(connection.execute(sa.text("SELECT code FROM place ORDER BY code")).scalars())


def test_a_retry_gets_the_first_answer_word_for_word(service: Running) -> None:
    """Draft section 2.6: the result of the first request, whenever asked; here with its headers, and marked."""
    headers = service.token("first")
    first = post(service, headers, '"8e03978e-40d5-43dd-bc93-6894a57f9324"')
    service.clock.forward(days=30)
    again = post(service, service.token("first"), '"8e03978e-40d5-43dd-bc93-6894a57f9324"')

    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert {name: again.headers[name] for name in ("Location", "ETag", "Content-Type")} == {
        name: first.headers[name] for name in ("Location", "ETag", "Content-Type")
    }
    assert "Idempotency-Replayed" not in first.headers
    assert again.headers["Idempotency-Replayed"] == "true"
    assert places(service) == ["TRP-GB1"]


def test_a_key_with_another_request_is_refused(service: Running) -> None:
    """Draft section 2.7: 422 when a key is reused with a different payload; another path is another request too."""
    headers = service.token("first")
    post(service, headers, "k-1")

    other = post(service, headers, "k-1", what="another glovebox")
    path = service.client.post(
        f"/v1/people/{service.people['first']}/roles",
        json={"institution": "TRP", "role": "witness", "change": "grant"},
        headers={**headers, "Idempotency-Key": "k-1"},
    )

    assert [(a.status_code, a.json()["code"]) for a in (other, path)] == [(422, "key_used_for_other_request")] * 2
    assert places(service) == ["TRP-GB1"]


def test_how_the_request_is_written_does_not_count(service: Running) -> None:
    """Members in another order, with a default spelt out, are the same request; so are a quoted and a bare key."""
    headers = {**service.token("first"), "Idempotency-Key": "k-1"}
    first = service.client.post("/v1/places", json=PLACE, headers=headers)
    turned = dict(reversed([*PLACE.items(), ("valid_from", None)]))

    again = service.client.post("/v1/places", json=turned, headers={**headers, "Idempotency-Key": '"k-1"'})

    assert (again.status_code, again.content) == (201, first.content)


def test_keys_belong_to_a_person(service: Running) -> None:
    """Two people may hit on the same key: neither sees the other's answer."""
    one, two = service.add("one", ("TRP", "curator")), service.add("two", ("TRP", "curator"))

    assert post(service, one, "k-1").status_code == 201
    assert post(service, two, "k-1", code="TRP-GB2").status_code == 201
    assert places(service) == ["TRP-GB1", "TRP-GB2"]


def test_a_refusal_is_not_kept(service: Running) -> None:
    """What changed nothing may be tried again under its key, and is done once it is allowed."""
    analyst = service.add("ana", ("TRP", "analyst"))
    assert post(service, analyst, "k-1").status_code == 403
    role = {"institution": "TRP", "role": "curator", "change": "grant"}
    service.post(f"/v1/people/{service.people['ana']}/roles", role, service.token("first"))

    assert post(service, analyst, "k-1").status_code == 201


def test_two_at_once_are_done_once(service: Running) -> None:
    """Eight retries sent together make one document, and all get its answer."""
    headers = service.token("first")
    together = Barrier(8)

    def send(_: int) -> httpx2.Response:
        together.wait()
        return post(service, headers, "k-1")

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(send, range(8)))

    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.content for answer in answers}) == 1
    assert sum("Idempotency-Replayed" in answer.headers for answer in answers) == 7
    assert places(service) == ["TRP-GB1"]


@pytest.mark.parametrize("key", ["", "a b", '"half', 'a"b', "é", "x" * 256])
def test_unfit_keys_are_refused(sqlite_database_url: str, key: str) -> None:
    """A key is a Structured Fields string (RFC 9651 section 3.3.3), or the same without quotation marks."""
    with running(sqlite_database_url) as service:
        signed_in = [(name.encode(), value.encode()) for name, value in service.token("first").items()]
        sent = [*signed_in, (b"Idempotency-Key", key.encode())]
        answer = service.client.post("/v1/places", json=PLACE, headers=sent)
        assert answer.status_code == 422
        assert places(service) == []


def test_without_a_key_every_request_counts(service: Running) -> None:
    """The header may be left out: then the second request meets what the first one made."""
    headers = service.token("first")

    service.post("/v1/places", PLACE, headers)
    service.post("/v1/places", PLACE, headers, status=409)


def test_an_answer_is_kept_only_with_its_deed(service: Running) -> None:
    """A login that is taken: neither the second person nor an answer under the key is there afterwards."""
    headers = {**service.token("first"), "Idempotency-Key": "k-1"}
    service.post("/v1/people", {"name": "N", "login": "first", "password": PASSWORD}, headers, status=409)

    with service.service.database.engine.connect() as connection:
        counts = [
            connection.execute(sa.text("SELECT count(*) FROM replay")).scalar_one(),
            connection.execute(sa.text("SELECT count(*) FROM person")).scalar_one(),
        ]
    assert counts == [0, 1]
