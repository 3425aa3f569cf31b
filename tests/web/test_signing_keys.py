"""The keys that tokens are signed with: their names, what is published of them, and how they follow each other."""

from datetime import UTC, datetime, timedelta

import jose.backends
import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from jose.backends.ecdsa_backend import ECDSAECKey
from joserfc import jwk as other_jwk

from shipsvc.web.tokens import KeyRing, SigningKey, require_cryptography_backend, rotated, thumbprint

NOW = datetime(2025, 3, 10, 8, 40, tzinfo=UTC)
WEEK = timedelta(days=7)
KEYS = [SigningKey.generate(NOW - timedelta(days=30 * age)) for age in (1, 0, 2)]
RING = KeyRing(KEYS[0], (KEYS[1], KEYS[2]), issuer="https://shipsvc.example", audience="shipsvc-api")


def test_thumbprint_of_the_rfc() -> None:
    """The worked example of RFC 7638 section 3.1, whose extra members (alg, kid) do not count."""
    n = (
        "0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3oknj"
        "hMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6qMQ"
        "vRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJzK"
        "nqDKgw"
    )
    key = {"kty": "RSA", "n": n, "e": "AQAB", "alg": "RS256", "kid": "2011-04-29"}

    assert thumbprint(key) == "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs"


def test_kid_is_the_thumbprint_a_second_library_finds() -> None:
    """Joserfc computes the same RFC 7638 thumbprint from the private PEM alone."""
    for key in KEYS:
        assert key.kid == other_jwk.ECKey.import_key(key.private_pem).thumbprint()


def test_key_set_holds_public_parts_only() -> None:
    """RFC 7517: every key of the ring, the current one first, and no member of a private key."""
    keys = RING.jwks()["keys"]

    assert [key.kid for key in KEYS] == [key["kid"] for key in keys]
    for key in keys:
        assert {"kty", "crv", "x", "y", "kid", "use", "alg"} == key.keys()
        assert (key["kty"], key["crv"], key["use"], key["alg"]) == ("EC", "P-256", "sig", "ES256")


def test_private_keys_do_not_show() -> None:
    """Neither a key nor a ring prints its secret, as a log line would."""
    assert "PRIVATE" not in repr(RING)


def test_unfit_keys_are_refused() -> None:
    """A wrong kid, a key on another curve, an RSA key, a public key and no key at all are mistakes of the setting."""
    pkcs8 = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    pems = [
        KEYS[1].private_pem,
        ec.generate_private_key(ec.SECP384R1()).private_bytes(*pkcs8).decode(),
        rsa.generate_private_key(public_exponent=65537, key_size=2048).private_bytes(*pkcs8).decode(),
        other_jwk.ECKey.import_key(KEYS[0].private_pem).as_pem(private=False).decode(),
        "no key",
    ]
    for pem in pems:
        with pytest.raises(ValueError, match=r"key|curve"):
            SigningKey(KEYS[0].kid, pem, NOW)
    with pytest.raises(ValueError, match="P-256"):
        SigningKey(other_jwk.ECKey.import_key(pems[1]).thumbprint(), pems[1], NOW)
    with pytest.raises(ValueError, match="twice"):
        KeyRing(KEYS[0], (KEYS[0],), issuer="i", audience="a")


def test_rotation_publishes_a_key_before_it_signs_and_keeps_it_after() -> None:
    """Over nine rotations every token holds to its end, and a key was published for a week before it first signed."""
    ring = KeyRing(SigningKey.generate(NOW), issuer="i", audience="a")
    published: dict[str, datetime] = {}
    signed: set[str] = {ring.current.kid}
    for hour in range(0, 24 * 7 * 10, 6):
        now = NOW + timedelta(hours=hour)
        ring = rotated(ring, now, lifetime=WEEK)
        for key in ring.jwks()["keys"]:
            published.setdefault(key["kid"], now)
        if ring.current.kid not in signed:
            signed.add(ring.current.kid)
            assert now - published[ring.current.kid] >= WEEK
        last = now + timedelta(minutes=14)
        token = ring.issue(sub="p", client_id="c", sid="s", now=now)
        assert rotated(ring, last, lifetime=WEEK).verify(token, last).sub == "p"
        assert len(ring.others) <= 2

    assert len(signed) == 10


def test_the_last_token_before_a_rotation_outlives_it() -> None:
    """A token issued a second before its key is replaced is read by the ring after."""
    first = rotated(KeyRing(SigningKey.generate(NOW), issuer="i", audience="a"), NOW, lifetime=WEEK)
    token = first.issue(sub="p", client_id="c", sid="s", now=NOW + WEEK - timedelta(seconds=1))

    second = rotated(first, NOW + WEEK, lifetime=WEEK)

    assert second.current == first.upcoming
    assert second.verify(token, NOW + WEEK + timedelta(minutes=14)).sub == "p"


def test_rotation_does_nothing_before_its_time() -> None:
    """The same ring comes back, also when the clock goes back: the caller sees that there is nothing to store."""
    alone = KeyRing(SigningKey.generate(NOW), issuer="i", audience="a")
    ring = rotated(alone, NOW, lifetime=WEEK)

    assert rotated(ring, NOW + WEEK - timedelta(seconds=1), lifetime=WEEK) is ring
    assert rotated(alone, NOW - WEEK, lifetime=WEEK) is alone


def test_a_key_must_outlive_its_tokens() -> None:
    """A rotation faster than a token lives would leave tokens without their key."""
    with pytest.raises(ValueError, match="outlive"):
        rotated(RING, NOW, lifetime=timedelta(minutes=15))


def test_the_backend_is_the_compiled_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """The start-up check passes here, and fails on the fallback that python-jose takes silently."""
    require_cryptography_backend()
    monkeypatch.setattr(jose.backends, "ECKey", ECDSAECKey)

    with pytest.raises(RuntimeError, match="ecdsa_backend"):
        require_cryptography_backend()
