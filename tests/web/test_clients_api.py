"""Programs and devices that sign in by themselves: RFC 6749 sections 2.3, 4.4 and 5.2, RFC 9068 section 2.2."""

import base64
import hashlib
import threading
from collections.abc import Iterator
from functools import partial
from typing import Any
from urllib.parse import quote_plus

import httpx2
import pytest
import sqlalchemy as sa

from tests.web.door import Door, opened
from tests.web.service import PASSWORD, Running

Json = dict[str, Any]
NOBODY = "00000000-0000-4000-8000-000000000000"


@pytest.fixture
def door(database_url: str) -> Iterator[Door]:
    """The service with a laboratory and people, once on each database."""
    with opened(database_url, login_failures_max=3) as found:
        yield found


@pytest.fixture
def service(door: Door) -> Running:
    """The same, to speak HTTP to."""
    return door.service


def added(service: Running, kind: str = "service", *roles: str, institution: str = "TSI") -> str:
    """A client without a secret; its id."""
    body = {"institution": institution, "kind": kind, "name": "Weighing room", "roles": list(roles)}
    client: str = service.post("/v1/clients", body, service.token("first"))["client"]
    return client


def secret_of(service: Running, client: str, **said: Any) -> Json:
    """A new secret of a client, as it is told once."""
    return service.post(f"/v1/clients/{client}/secrets", {"label": "one", **said}, service.token("first"))


def ask(service: Running, client: str, secret: str, **form: str) -> httpx2.Response:
    """Ask for a token, id and secret by HTTP Basic as RFC 6749 section 2.3.1 has it."""
    pair = f"{quote_plus(client)}:{quote_plus(secret)}".encode()
    head = {"Authorization": f"Basic {base64.b64encode(pair).decode()}"}
    return service.client.post("/v1/token", data={"grant_type": "client_credentials", **form}, headers=head)


def ask_by_form(service: Running, client: str, secret: str) -> httpx2.Response:
    """The same with both in the form."""
    form = {"grant_type": "client_credentials", "client_id": client, "client_secret": secret}
    return service.client.post("/v1/token", data=form)


def head(answer: httpx2.Response) -> dict[str, str]:
    """The header that says who asks, from the answer with the token."""
    assert answer.status_code == 200, answer.text
    return {"Authorization": f"Bearer {answer.json()['access_token']}"}


def works(service: Running, who: dict[str, str]) -> bool:
    """Whether the access token is taken."""
    status = service.client.get("/v1/me", headers=who).status_code
    assert status in {200, 401}
    return status == 200


def test_a_program_signs_in_and_tells_as_itself(door: Door) -> None:
    """By Basic and by form alike, without a refresh token (RFC 6749 section 4.4.3); what it told names it for ever."""
    service = door.service
    client = added(service, "service", "analyst")
    secret = secret_of(service, client)["client_secret"]

    by_basic, by_form = ask(service, client, secret), ask_by_form(service, client, secret)

    assert by_basic.headers["Cache-Control"] == "no-store"
    assert set(by_basic.json()) == set(by_form.json()) == {"access_token", "token_type", "expires_in"}
    me = service.get("/v1/me", head(by_basic))
    assert (me["person"], me["name"], me["kind"]) == (client, "Weighing room", "service")
    assert me["roles"] == [{"institution": "TSI", "role": "analyst"}]
    door.people["program"] = head(by_form)
    told = door.tell(door.fact("seen", acting_for="TSI"), "program")
    assert door.read(told["id"], "auditor")["by"] == client
    assert service.get(f"/v1/people/{client}", door.people["analyst"])["kind"] == "service"
    refused = door.tell(door.fact("seen", acting_for="TRP"), "program", 403)
    assert refused["code"] == "not_your_institution"


def test_a_device_has_one_role(door: Door) -> None:
    """Without saying it is a device, tells what devices tell (OWASP API5:2023) and can be made nothing else."""
    service, admin = door.service, door.service.token("first")
    device = added(service, "device")
    door.people["logger"] = head(ask(service, device, secret_of(service, device)["client_secret"]))

    door.tell(door.fact("seen", acting_for="TSI"), "logger")
    assert door.tell(door.fact("accepted", acting_for="TSI"), "logger", 403)["code"] == "not_your_role"
    for institution, role in (("TSI", "analyst"), ("TRP", "device")):
        change = {"institution": institution, "role": role, "change": "grant"}
        refused = service.post(f"/v1/people/{device}/roles", change, admin, status=409)
        assert refused["code"] == "rule_forbids"


@pytest.mark.parametrize("role", ["administrator", "deputy", "responsible", "witness", "device"])
def test_a_program_is_never_given_what_people_answer_for(service: Running, role: str) -> None:
    """Neither when it is made nor afterwards: a program must not be the second person of an act, nor add others."""
    admin, client = service.token("first"), added(service, "service", "analyst")
    body = {"institution": "TSI", "kind": "service", "name": "N", "roles": [role]}
    change = {"institution": "TSI", "role": role, "change": "grant"}

    assert service.post("/v1/clients", body, admin, status=409)["code"] == "rule_forbids"
    assert service.post(f"/v1/people/{client}/roles", change, admin, status=409)["code"] == "rule_forbids"


def test_a_wrong_secret_is_invalid_client(service: Running) -> None:
    """RFC 6749 section 5.2: 401 with WWW-Authenticate, the same for no client, another's secret, a stored digest."""
    client, other = added(service, "service", "analyst"), added(service, "device")
    secret, others = (secret_of(service, one)["client_secret"] for one in (client, other))
    digest = hashlib.sha256(secret.encode()).hexdigest()

    answers = [ask(service, client, others), ask(service, NOBODY, secret), ask_by_form(service, other, digest)]

    for answer in answers:
        assert answer.status_code == 401
        assert answer.headers["WWW-Authenticate"] == 'Basic realm="shipsvc"'
        assert answer.headers["Content-Type"] == "application/problem+json"
        assert (answer.json()["error"], answer.json()["code"]) == ("invalid_client", "wrong_client")
        assert answer.json()["detail"].endswith("Ask an administrator for a new secret.")
    assert len({answer.text for answer in answers}) == 1


def test_a_client_shows_itself_in_one_way(service: Running) -> None:
    """RFC 6749 section 2.3: MUST NOT use more than one method; its own id beside Basic is no method."""
    client = added(service, "service", "analyst")
    secret = secret_of(service, client)["client_secret"]

    assert ask(service, client, secret, client_id=client).status_code == 200
    for form in ({"client_secret": secret}, {"client_id": NOBODY}, {"client_id": client, "client_secret": secret}):
        answer = ask(service, client, secret, **form)
        assert (answer.status_code, answer.json()["error"]) == (400, "invalid_request")
    for broken in ("Basic", "Basic !", "Basic " + base64.b64encode(b"no colon").decode(), "Basic /w=="):
        form, headers = {"grant_type": "client_credentials"}, {"Authorization": broken}
        answer = service.client.post("/v1/token", data=form, headers=headers)
        assert (answer.status_code, answer.json()["error"]) == (400, "invalid_request"), broken
    answer = service.client.post("/v1/token", data={"grant_type": "client_credentials", "client_id": client})
    assert (answer.status_code, answer.json()["error"]) == (400, "invalid_request")


def test_a_client_has_no_password(service: Running) -> None:
    """Its secret is none, no link lets anybody choose one, and its own secret cannot be changed for one."""
    client = added(service, "service", "analyst")
    secret = secret_of(service, client)["client_secret"]
    for login in (client, f"client {client}"):
        form = {"grant_type": "password", "username": login, "password": secret}
        assert service.client.post("/v1/token", data=form).json()["error"] == "invalid_grant"

    service.post(f"/v1/people/{client}/reset", {}, service.token("first"), status=404)
    change = {"old_password": secret, "new_password": "another phrase"}
    who = head(ask(service, client, secret))
    assert service.post("/v1/me/password", change, who, status=401)["code"] == "wrong_password"


def test_of_a_secret_only_the_digest_is_kept(service: Running) -> None:
    """It is told once: no list, no later answer and no table holds it, and it is too long to be found from its hash."""
    client = added(service, "service", "analyst")
    made = secret_of(service, client)
    words, admin = made["client_secret"], service.token("first")

    shown = service.get(f"/v1/clients/{client}", admin)
    assert words not in str(shown) + str(service.get("/v1/clients", admin))
    assert shown["secrets"] == [{name: value for name, value in made.items() if name != "client_secret"}]
    assert len(base64.urlsafe_b64decode(words.removeprefix("shc_") + "=")) == 32
    with service.service.database.engine.connect() as connection:
        kept = connection.execute(sa.text("SELECT * FROM client_secret")).mappings().one()
    assert kept["digest"] == hashlib.sha256(words.encode()).hexdigest()
    assert words not in str(dict(kept))


def test_secrets_take_the_place_of_each_other(service: Running) -> None:
    """Two are good at once; the revoked one stops with its tokens at once, the other one and its tokens go on."""
    client, admin = added(service, "service", "analyst"), service.token("first")
    old = secret_of(service, client, label="old")
    service.clock.forward(seconds=1)
    new = secret_of(service, client, label="new")
    with_old, with_new = (head(ask(service, client, one["client_secret"])) for one in (old, new))
    path = f"/v1/clients/{client}/secrets/{old['secret_id']}/revoke"

    revoked = service.post(path, {}, admin, status=200)

    assert [bool(one["revoked_at"]) for one in revoked["secrets"]] == [True, False]
    assert [one["revoked_by"] for one in revoked["secrets"]] == [service.people["first"], None]
    assert [bool(one["last_used_at"]) for one in revoked["secrets"]] == [True, True]
    assert not works(service, with_old)
    assert works(service, with_new)
    assert ask(service, client, old["client_secret"]).json()["error"] == "invalid_client"
    assert ask(service, client, new["client_secret"]).status_code == 200
    service.clock.forward(seconds=1)
    assert service.post(path, {}, admin, status=200)["secrets"][0] == revoked["secrets"][0]


def test_an_ended_client_stops_at_once(service: Running) -> None:
    """No secret and no token is good any more; what it is stays to be read, and it is given no further secret."""
    client, admin = added(service, "device"), service.token("first")
    secret = secret_of(service, client)["client_secret"]
    who = head(ask(service, client, secret))

    ended = service.post(f"/v1/clients/{client}/end", {}, admin, status=200)

    assert ended["ended_at"] == "2026-03-10T12:00:00Z"
    assert not works(service, who)
    assert ask(service, client, secret).json()["error"] == "invalid_client"
    assert service.post(f"/v1/clients/{client}/secrets", {"label": "x"}, admin, status=409)["code"] == "rule_forbids"
    assert service.post(f"/v1/clients/{client}/end", {}, admin, status=200) == ended


def test_a_secret_ends(service: Running) -> None:
    """After 365 days unless said otherwise, 400 at most; a token ends with its secret."""
    client, admin = added(service, "service", "analyst"), service.token("first")
    assert secret_of(service, client)["expires_at"] == "2027-03-10T12:00:00Z"
    assert secret_of(service, client, expires_at="2027-04-14T12:00:00Z")["expires_at"] == "2027-04-14T12:00:00Z"
    for refused in ("2027-04-14T12:00:01Z", "2026-03-10T12:00:00Z", "2020-01-01T00:00:00Z"):
        body = {"label": "x", "expires_at": refused}
        assert service.post(f"/v1/clients/{client}/secrets", body, admin, status=409)["code"] == "rule_forbids"
    short = secret_of(service, client, expires_at="2026-03-10T12:01:40Z")["client_secret"]

    answer = ask(service, client, short)

    assert answer.json()["expires_in"] == 100
    service.clock.forward(seconds=99)
    assert works(service, head(answer))
    service.clock.forward(seconds=1)
    assert not works(service, head(answer))
    assert ask(service, client, short).json()["error"] == "invalid_client"


def test_too_many_wrong_secrets_cost_a_wait(service: Running) -> None:
    """429 after three (RFC 6585 section 4), for a client as for an id that is none; the right one must wait, too."""
    client = added(service, "service", "analyst")
    secret = secret_of(service, client)["client_secret"]

    for one in (client, NOBODY):
        assert [ask(service, one, "shc_wrong").status_code for _ in range(4)] == [401, 401, 401, 429]
    refused = ask(service, client, secret)
    assert (refused.status_code, refused.headers["Retry-After"]) == (429, "30")
    service.clock.forward(seconds=30)
    assert ask(service, client, secret).status_code == 200


def test_clients_are_for_administrators(door: Door) -> None:
    """To a curator they are as unknown as what does not exist, and none is made or listed (OWASP API5:2023)."""
    service, curator = door.service, door.people["curator"]
    client = added(service, "service", "analyst", institution="TRP")
    secret = secret_of(service, client)["secret_id"]

    body = {"institution": "TRP", "kind": "device", "name": "N", "roles": []}
    assert service.post("/v1/clients", body, curator, status=403)["code"] == "not_your_role"
    assert service.get("/v1/clients", curator, status=403)["code"] == "not_your_role"
    for path in ("", "/secrets", f"/secrets/{secret}/revoke", "/end"):
        method = "POST" if path else "GET"
        words = set()
        for one in (client, NOBODY):
            said = {"label": "x"} if path == "/secrets" else None
            answer = service.client.request(method, f"/v1/clients/{one}{path}", headers=curator, json=said)
            assert answer.status_code == 404
            words.add(answer.text.replace(one, "X"))
        assert len(words) == 1
    service.post(f"/v1/people/{client}/leave", {}, curator, status=403)


def test_clients_are_listed(service: Running) -> None:
    """Page by page in the order of ids, of one institution or of all."""
    admin = service.token("first")
    made = sorted([added(service, "device"), added(service, "device"), added(service, "device", institution="TRP")])

    first = service.get("/v1/clients", admin, limit="2")
    rest = service.get("/v1/clients", admin, limit="2", cursor=first["next"])

    assert [one["client"] for one in (*first["items"], *rest["items"])] == made
    assert [one["institution"] for one in service.get("/v1/clients", admin, institution="TRP")["items"]] == ["TRP"]


def test_a_name_can_be_erased(service: Running) -> None:
    """A client is a person to digests and readers: its name goes, its id and roles stay."""
    client, admin = added(service, "device"), service.token("first")
    service.post(f"/v1/people/{client}/erase-name", {}, admin, status=200)

    shown = service.get(f"/v1/clients/{client}", admin)
    assert (shown["name"], shown["roles"]) == ("", ["device"])


def test_making_one_can_be_repeated(service: Running) -> None:
    """With an Idempotency-Key the first client is answered again; what is kept for that holds no name."""
    headers = {**service.token("first"), "Idempotency-Key": "k-1"}
    body = {"institution": "TSI", "kind": "device", "name": "Zaphira's logger", "roles": []}

    assert service.post("/v1/clients", body, headers) == service.post("/v1/clients", body, headers)
    with service.service.database.engine.connect() as connection:
        assert "Zaphira" not in str(connection.execute(sa.text("SELECT * FROM replay")).all())


def test_no_session_outlives_a_secret_that_is_revoked_meanwhile(service: Running) -> None:
    """Signing in and revoking at once, over and over: afterwards no token works, whichever came first."""
    client, admin = added(service, "service", "analyst"), service.token("first")
    for _ in range(5):
        made = secret_of(service, client)
        answers: list[httpx2.Response] = []
        path = f"/v1/clients/{client}/secrets/{made['secret_id']}/revoke"
        signing_in = partial(ask, service, client, made["client_secret"])
        revoking = partial(service.post, path, {}, admin, status=200)
        threads = [
            threading.Thread(target=lambda ask=signing_in, to=answers: to.append(ask())),
            threading.Thread(target=revoking),
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert [works(service, head(one)) for one in answers if one.status_code == 200] in ([], [False])


def test_a_person_cannot_sign_in_as_a_client(service: Running) -> None:
    """A login name and its password are no client and no secret."""
    for name in ("first", service.people["first"]):
        assert ask(service, name, PASSWORD).json()["error"] == "invalid_client"
