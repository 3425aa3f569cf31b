"""RFC 8725 (JSON Web Token Best Current Practices), section 3: one test for each recommendation.

Every forgery is tried on the keys alone; what is left of it with the whole service around, where that is another thing.
Joserfc, which shares no code with python-jose, gives a second opinion on every token that the service issues.
"""

import base64
import json
import socket
from collections.abc import Iterator
from typing import Any, NoReturn

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from joserfc import jwk as other_jwk
from joserfc import jwt as other_jwt

from shipsvc.domain.errors import BadToken
from shipsvc.web.tokens import ALGORITHMS, KeyRing, SigningKey
from tests.web.forgery import ATTACKS, KEYS, NOW, RING, issued
from tests.web.service import PASSWORD, Running, running

Json = dict[str, Any]
SECTIONS = [f"3.{n}" for n in range(1, 13)]
#: Those that no forgery tries: 3.5 is about the making of keys, 3.12 about tokens of other kinds.
WITHOUT_FORGERY = {"3.5", "3.12"}


@pytest.fixture
def service(database_url: str) -> Iterator[Running]:
    """The whole service, once on each database."""
    with running(database_url) as found:
        yield found


def refuse(section: str) -> None:
    """Each forgery of a section ends in BadToken and in no other error."""
    assert ATTACKS[section]
    for name, forge in ATTACKS[section].items():
        try:
            RING.verify(forge(), NOW)
        except BadToken:
            continue
        pytest.fail(f"{section} {name}: taken")


def is_taken(service: Running, token: str) -> bool:
    """Whether the service takes a bearer token."""
    answer = service.client.get("/v1/me", headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code in {200, 401}
    return answer.status_code == 200


def pair(service: Running, login: str = "first") -> Json:
    """What a sign-in answers."""
    form = {"grant_type": "password", "username": login, "password": PASSWORD}
    found: Json = service.client.post("/v1/token", data=form).json()
    return found


def client_pair(service: Running) -> tuple[str, str]:
    """A new client with its secret."""
    admin = {"Authorization": f"Bearer {pair(service)['access_token']}"}
    body = {"institution": "TRP", "kind": "service", "name": "N", "roles": ["analyst"]}
    client = service.post("/v1/clients", body, admin)["client"]
    secret = service.post(f"/v1/clients/{client}/secrets", {"label": "one"}, admin)["client_secret"]
    return client, secret


def test_every_section_is_tried() -> None:
    """No forgery stands under a section that has no test here."""
    assert set(ATTACKS) - {"other"} == set(SECTIONS) - WITHOUT_FORGERY
    for section in SECTIONS:
        names = [name for name in globals() if name.startswith(f"test_{section.replace('.', '_')}_")]
        assert names, section


def test_3_1_algorithm_verification() -> None:
    """Section 3.1: the caller says which algorithms are supported, and each key is used with exactly one of them."""
    refuse("3.1")
    assert ALGORITHMS == ("ES256",)
    assert {key["alg"] for key in RING.jwks()["keys"]} == {"ES256"}


def test_3_2_appropriate_algorithms() -> None:
    """Section 3.2: "none" is not used, and what a token asks for beyond our own is not done."""
    refuse("3.2")


def test_3_3_all_cryptographic_operations_are_validated() -> None:
    """Section 3.3: a signature that does not hold, for whichever part, refuses the whole token; nothing is nested."""
    refuse("3.3")


def test_3_4_cryptographic_inputs_are_validated() -> None:
    """Section 3.4: points are on the curve, r and s are within its order, and a token is written in one way alone."""
    refuse("3.4")
    for key in RING.jwks()["keys"]:
        x, y = (int.from_bytes(base64.urlsafe_b64decode(f"{key[name]}="), "big") for name in ("x", "y"))
        # It raises ValueError for a point that is not on the curve.
        assert ec.EllipticCurvePublicNumbers(x, y, ec.SECP256R1()).public_key().key_size == 256
        with pytest.raises(ValueError, match=r"curve|[Ii]nvalid"):
            ec.EllipticCurvePublicNumbers(x, y ^ 1, ec.SECP256R1()).public_key()


def test_3_5_keys_have_entropy() -> None:
    """Section 3.5: no word that a person chose is a key; each is random, with 256 bits, and none comes twice."""
    made = [SigningKey.generate(NOW) for _ in range(20)]
    scalars = {other_jwk.ECKey.import_key(key.private_pem).as_dict(private=True)["d"] for key in made}

    assert len(scalars) == len({key.kid for key in made}) == 20
    with pytest.raises(ValueError, match="not an elliptic curve key"):
        SigningKey("kid", "a phrase nobody guesses", NOW)


def test_3_6_nothing_is_compressed() -> None:
    """Section 3.6: no compressed and no encrypted token is read, so none can tell by its length what it holds."""
    refuse("3.6")


def test_3_7_utf8() -> None:
    """Section 3.7: UTF-8 and no other encoding; what people are called in any script comes back."""
    refuse("3.7")
    assert RING.verify(issued(sub="p\u00e9rson \u8a66\u6599"), NOW).sub == "p\u00e9rson \u8a66\u6599"


def test_3_8_issuer_and_subject(service: Running) -> None:
    """Section 3.8: the keys belong to the issuer, and the subject is somebody of ours, in a session of their own."""
    refuse("3.8")
    with pytest.raises(BadToken):
        KeyRing(KEYS[0], issuer="https://elsewhere.example", audience=RING.audience).verify(issued(), NOW)
    ring, now = service.service.keys(), service.clock()
    service.add("ana", ("TRP", "clerk"))
    claims = ring.verify(pair(service, "ana")["access_token"], now)
    mine = ring.issue(sub=claims.sub, client_id="web", sid=claims.sid, now=now)
    assert is_taken(service, mine)
    for sub, sid in ((service.people["first"], claims.sid), ("nobody", claims.sid), (claims.sub, "none")):
        assert not is_taken(service, ring.issue(sub=sub, client_id="web", sid=sid, now=now)), (sub, sid)


def test_3_9_audience() -> None:
    """Section 3.9: a token for another API of the same issuer is not for us."""
    refuse("3.9")
    with pytest.raises(BadToken):
        KeyRing(KEYS[0], issuer=RING.issuer, audience="another-api").verify(issued(), NOW)


def test_3_10_received_claims_are_not_trusted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Section 3.10: ``kid`` is only looked up among our own, and nothing is fetched from where a header says."""

    def _no_network(*_args: object, **_more: object) -> NoReturn:
        pytest.fail("a token made the service ask elsewhere")

    monkeypatch.setattr(socket, "getaddrinfo", _no_network)
    monkeypatch.setattr(socket.socket, "connect", _no_network)
    refuse("3.10")


def test_3_11_explicit_typing() -> None:
    """Section 3.11: ``typ`` says at+jwt (RFC 9068 section 2.1) in each, and nothing else is taken."""
    refuse("3.11")


def test_3_12_exclusive_rules_for_each_kind(service: Running) -> None:
    """Section 3.12: each of our secrets is good for its own purpose alone."""
    signed_in = pair(service)
    client, secret = client_pair(service)
    invited = {"name": "N", "login": "new", "roles": []}
    head = {"Authorization": f"Bearer {signed_in['access_token']}"}
    link = service.post("/v1/invitations", invited, head)["link"].partition("#")[2]

    for other in (signed_in["refresh_token"], secret, link):
        assert not is_taken(service, other)
    for other in (signed_in["access_token"], secret, link):
        form = {"grant_type": "refresh_token", "refresh_token": other}
        assert service.client.post("/v1/token", data=form).json()["error"] == "invalid_grant"
    for other in (signed_in["access_token"], signed_in["refresh_token"], link):
        form = {"grant_type": "client_credentials", "client_id": client, "client_secret": other}
        # An access token is longer than any secret, and is not looked up at all.
        expected = "invalid_request" if other == signed_in["access_token"] else "invalid_client"
        assert service.client.post("/v1/token", data=form).json()["error"] == expected
    for other in (signed_in["refresh_token"], secret):
        body = {"token": other, "password": "another phrase"}
        assert service.post("/v1/invitations/accept", body, {}, status=404)["code"] == "invitation_over"


@pytest.mark.parametrize("grant", ["password", "refresh_token", "client_credentials"])
def test_a_second_library_reads_what_the_service_issues(service: Running, grant: str) -> None:
    """RFC 9068 sections 2.1 and 2.2, read by joserfc with nothing but the key set that the service publishes."""
    first, (client, secret) = pair(service), client_pair(service)
    form = {
        "password": {"username": "first", "password": PASSWORD, "client_id": "scanner"},
        "refresh_token": {"refresh_token": first["refresh_token"]},
        "client_credentials": {"client_id": client, "client_secret": secret},
    }[grant]
    answer = service.client.post("/v1/token", data={"grant_type": grant, **form}).json()
    key_set = service.client.get("/.well-known/jwks.json").json()

    told = other_jwt.decode(
        answer["access_token"], other_jwk.KeySet.import_key_set(json.loads(json.dumps(key_set))), algorithms=["ES256"]
    )

    assert told.header == {"alg": "ES256", "typ": "at+jwt", "kid": key_set["keys"][0]["kid"]}
    claims, now_s = told.claims, int(service.clock().timestamp())
    assert claims.keys() == {"iss", "aud", "sub", "client_id", "sid", "jti", "iat", "nbf", "exp"}
    person, program = {
        "password": (service.people["first"], "scanner"),
        "refresh_token": (service.people["first"], "shipsvc"),
        "client_credentials": (client, client),  # section 2.2: no person is involved, the subject is the client
    }[grant]
    assert (claims["sub"], claims["client_id"]) == (person, program)
    assert (claims["iat"], claims["nbf"], claims["exp"]) == (now_s, now_s, now_s + answer["expires_in"])
    ring = service.service.keys()
    assert (claims["iss"], claims["aud"]) == (ring.issuer, ring.audience)
    assert ("refresh_token" in answer) == (grant != "client_credentials")
