"""Sign-in, people and roles over HTTP, on both databases where SQL decides."""

from collections.abc import Iterator

import pytest
import sqlalchemy as sa
from joserfc import jwt as other_jwt
from joserfc.jwk import KeySet as OtherKeySet

from tests.web.service import PASSWORD, Running, running


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The service, once on each database."""
    with running(database_url) as found:
        yield found


@pytest.fixture
def embedded(sqlite_database_url: str) -> Iterator[Running]:
    """The service on SQLite, for what does not depend on the database."""
    with running(sqlite_database_url) as found:
        yield found


FORM = {"grant_type": "password", "username": "first", "password": PASSWORD}


def test_a_token_is_answered_as_oauth_has_it(service: Running) -> None:
    """RFC 6749 section 5.1: members, Cache-Control and Pragma; a second library verifies it by the published keys."""
    answer = service.client.post("/v1/token", data={**FORM, "username": "FIRST", "client_id": "scanner"})

    assert (answer.status_code, answer.headers["Cache-Control"], answer.headers["Pragma"]) == (
        200,
        "no-store",
        "no-cache",
    )
    assert {"access_token", "token_type", "expires_in", "refresh_token"} == answer.json().keys()
    keys = OtherKeySet.import_key_set(service.client.get("/.well-known/jwks.json").json())
    token = other_jwt.decode(answer.json()["access_token"], keys, algorithms=["ES256"])
    # RFC 9068 section 2.2: the claims that an access token carries.
    assert token.claims["sub"] == service.people["first"]
    assert token.claims["client_id"] == "scanner"
    assert token.claims["exp"] - token.claims["iat"] == answer.json()["expires_in"] == 900
    assert token.header["typ"] == "at+jwt"


@pytest.mark.parametrize(
    ("form", "error"),
    [
        ({"password": None}, "invalid_request"),
        ({"grant_type": None}, "invalid_request"),
        ({"username": None}, "invalid_request"),
        ({"grant_type": ["password", "password"]}, "invalid_request"),
        ({"grant_type": "implicit"}, "unsupported_grant_type"),
        ({"scope": "everything"}, "invalid_scope"),
        ({"password": "another phrase"}, "invalid_grant"),
        ({"username": "nobody"}, "invalid_grant"),
        ({"username": "first\x00"}, "invalid_grant"),
        ({"username": "fïrst"}, "invalid_grant"),
    ],
)
def test_refusals_use_the_words_of_oauth(
    embedded: Running, form: dict[str, str | list[str] | None], error: str
) -> None:
    """RFC 6749 section 5.2: status 400 and one word of its list; section 3.2: a member may stand there once."""
    sent = {name: value for name, value in {**FORM, **form}.items() if value is not None}

    answer = embedded.client.post("/v1/token", data=sent)

    assert (answer.status_code, answer.json()["error"]) == (400, error)
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert answer.headers["Cache-Control"] == "no-store"


def test_a_body_that_is_no_form_is_an_invalid_request(embedded: Running) -> None:
    """RFC 6749 section 4.3.2 wants application/x-www-form-urlencoded."""
    answer = embedded.client.post("/v1/token", json=FORM)

    assert (answer.status_code, answer.json()["error"]) == (400, "invalid_request")


def test_nobody_learns_which_names_exist(service: Running) -> None:
    """A wrong name, a wrong password and a closed account give one answer, word for word (RFC 6749 section 10.10)."""
    service.add("gone", ("TRP", "clerk"))
    service.post(f"/v1/people/{service.people['gone']}/close", {}, service.token("first"), status=200)
    forms = [{"username": "nobody"}, {"password": "another phrase"}, {"username": "gone"}]

    answers = [service.client.post("/v1/token", data={**FORM, **form}) for form in forms]

    assert {answer.status_code for answer in answers} == {400}
    assert len({answer.text for answer in answers}) == 1


def test_a_weak_hash_is_renewed_at_sign_in(embedded: Running) -> None:
    """A hash made at a lower cost is replaced once the password is at hand, and the password still fits."""
    from shipsvc.app import passwords

    weak = passwords.hashed(PASSWORD, cost=passwords.Cost(memory_kib=8, passes=1))
    with embedded.service.database.engine.begin() as connection:
        connection.execute(sa.text("UPDATE account SET password_hash = :weak"), {"weak": weak})

    embedded.token("first")

    with embedded.service.database.engine.connect() as connection:
        (renewed,) = connection.execute(sa.text("SELECT password_hash FROM account")).one()
    assert renewed != weak
    assert not passwords.needs_rehash(renewed)
    embedded.token("first")


def test_without_a_token_nothing_is_shown(embedded: Running) -> None:
    """RFC 6750 section 3: 401 with the scheme; with a word of error only where a token was sent."""
    none = embedded.client.get("/v1/me")
    forged = embedded.client.get("/v1/me", headers={"Authorization": "Bearer a.b.c"})

    assert (none.status_code, none.headers["WWW-Authenticate"]) == (401, "Bearer")
    assert (forged.status_code, forged.headers["WWW-Authenticate"]) == (401, 'Bearer error="invalid_token"')


def test_a_token_ends(embedded: Running) -> None:
    """RFC 9068 section 4: no token is taken after its exp (which may be 30 s away on another clock)."""
    headers = embedded.token("first")
    embedded.clock.forward(minutes=14)
    embedded.get("/v1/me", headers)
    embedded.clock.forward(minutes=2)

    assert embedded.get("/v1/me", headers, status=401)["code"] == "bad_token"


def test_me_names_roles_and_institutions(service: Running) -> None:
    """Two roles at two institutions, each institution once, with the zone that days are counted in."""
    service.institution("TSI")
    headers = service.add("ana", ("TSI", "analyst"), ("TSI", "receiver"), ("TRP", "auditor"))

    found = service.get("/v1/me", headers)

    assert [(one["institution"], one["role"]) for one in found["roles"]] == [
        ("TRP", "auditor"),
        ("TSI", "analyst"),
        ("TSI", "receiver"),
    ]
    assert [(one["code"], one["zone"]) for one in found["institutions"]] == [
        ("TRP", "Europe/London"),
        ("TSI", "Asia/Tokyo"),
    ]


def test_only_administrators_add_people(service: Running) -> None:
    """A curator may not, a login is used once whatever its case, and a role needs an institution that is there."""
    curator = service.add("cur", ("TRP", "curator"))
    admin = service.token("first")
    body = {"name": "N", "login": "new", "password": PASSWORD, "roles": []}

    assert service.post("/v1/people", body, curator, status=403)["code"] == "not_your_role"
    assert service.post("/v1/people", {**body, "login": "cur"}, admin, status=409)["code"] == "already_there"
    nowhere = {**body, "roles": [{"institution": "NOWHERE", "role": "clerk"}]}
    refused = service.post("/v1/people", nowhere, admin, status=404)
    assert refused["errors"][0]["pointer"] == "/roles/0/institution"
    assert service.post("/v1/people", {**body, "password": "short"}, admin, status=422)["code"] == "malformed"
    assert service.post("/v1/people", {**body, "logn": "x"}, admin, status=422)["errors"][0]["pointer"] == "/logn"


def test_people_are_seen_by_themselves_their_colleagues_and_auditors(service: Running) -> None:
    """To anybody else a person is as unknown as one who does not exist: the same status and words (rulings 16)."""
    service.institution("TSI")
    service.institution("MRL")
    one = service.add("one", ("TSI", "analyst"))
    colleague = service.add("two", ("TSI", "receiver"))
    stranger = service.add("three", ("MRL", "analyst"))
    auditor = service.add("four", ("TRP", "auditor"))
    path = f"/v1/people/{service.people['one']}"
    unknown = "/v1/people/00000000-0000-0000-0000-000000000000"

    assert {service.get(path, who)["name"] for who in (one, colleague, auditor)} == {"ONE"}
    hidden, absent = service.get(path, stranger, status=404), service.get(unknown, stranger, status=404)
    assert hidden["detail"].replace(service.people["one"], "X") == absent["detail"].replace(unknown[11:], "X")


def test_a_role_holds_from_its_moment_on(service: Running) -> None:
    """Given for next week, it does nothing today, works next week under a new token, and stops when it is ended."""
    service.institution("TSI")
    body = {"code": "TSI-N1", "institution": "TSI", "what": "cabinet", "profile": "N", "because": "New"}
    headers = service.add("ana", ("TSI", "analyst"))
    roles = f"/v1/people/{service.people['ana']}/roles"
    change = {"institution": "TSI", "role": "curator"}
    told = {**change, "change": "grant", "from_at": "2026-03-17T12:00:00Z"}
    service.post(roles, told, service.token("first"))

    service.post("/v1/places", body, headers, status=403)
    service.clock.forward(days=7)
    headers = service.token("ana")
    service.post("/v1/places", body, headers)
    service.post(roles, {**change, "change": "end"}, service.token("first"))
    service.post("/v1/places", {**body, "code": "TSI-N2"}, headers, status=403)


def test_the_word_told_last_decides(service: Running) -> None:
    """An end planned for next week and taken back today does not come; both rows of one instant keep their order."""
    roles = f"/v1/people/{service.people['first']}/roles"
    admin = service.token("first")
    change = {"institution": "TRP", "role": "witness"}
    service.post(roles, {**change, "change": "grant"}, admin)
    service.post(roles, {**change, "change": "end", "from_at": "2026-03-17T12:00:00Z"}, admin)
    service.post(roles, {**change, "change": "grant"}, admin)
    service.clock.forward(days=8)

    held = service.get("/v1/me", service.token("first"))["roles"]

    assert {"institution": "TRP", "role": "witness"} in held


def test_somebody_is_left_to_administer(service: Running) -> None:
    """The last administrator cannot end the role nor close the account, until there is another one."""
    admin = service.token("first")
    path = f"/v1/people/{service.people['first']}"
    end = {"institution": "TRP", "role": "administrator", "change": "end"}

    assert service.post(f"{path}/roles", end, admin, status=409)["code"] == "rule_forbids"
    assert service.post(f"{path}/close", {}, admin, status=409)["code"] == "rule_forbids"
    service.get("/v1/me", admin)
    service.add("second", ("TRP", "administrator"))
    service.post(f"{path}/roles", end, admin)
    service.post("/v1/people", {"name": "N", "login": "n", "password": PASSWORD}, admin, status=403)


def test_a_closed_account_ends_its_tokens_at_once(service: Running) -> None:
    """The next request with a token that has minutes to live gets 401; closing again changes nothing."""
    headers = service.add("ana", ("TRP", "clerk"))
    path = f"/v1/people/{service.people['ana']}/close"
    closed = service.post(path, {}, service.token("first"), status=200)
    service.clock.forward(seconds=1)

    assert service.get("/v1/me", headers, status=401)["code"] == "bad_token"
    assert service.post(path, {}, service.token("first"), status=200)["closed_at"] == closed["closed_at"]


def test_people_and_roles_need_what_is_there(service: Running) -> None:
    """Roles for nobody and roles nowhere are both answered 404, the second with the member at fault."""
    admin = service.token("first")
    change = {"institution": "TRP", "role": "witness", "change": "grant"}

    service.post("/v1/people/00000000-0000-0000-0000-000000000000/roles", change, admin, status=404)
    refused = service.post(
        f"/v1/people/{service.people['first']}/roles", {**change, "institution": "NOWHERE"}, admin, status=404
    )
    assert refused["errors"][0]["pointer"] == "/institution"


def test_retries_keep_neither_password_nor_name(embedded: Running) -> None:
    """What is kept for a retry of POST /v1/people must not stand in the way of erasing the person (rulings 7)."""
    headers = {**embedded.token("first"), "Idempotency-Key": "k-1"}
    body = {"name": "Zaphira Quill", "email": "zq@trp.example", "login": "zq", "password": PASSWORD}
    made = embedded.post("/v1/people", body, headers)

    assert embedded.post("/v1/people", body, headers) == made
    with embedded.service.database.engine.connect() as connection:
        (row,) = connection.execute(sa.text("SELECT * FROM replay")).mappings().all()
    text = " ".join(str(value) for value in row.values())
    assert not [word for word in ("Zaphira", "zq@trp.example", PASSWORD) if word in text]
