"""Access tokens, against joserfc as a second opinion and against the attacks of RFC 8725.

Forgeries are written by hand with ``cryptography`` and ``hmac``, so that no JOSE library can refuse to make them.
"""

import base64
import hashlib
import hmac
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.asymmetric.padding import PKCS1v15
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from hypothesis import given, settings
from hypothesis import strategies as st
from joserfc import jwk as other_jwk
from joserfc import jwt as other_jwt

from shipsvc.domain.errors import BadToken
from shipsvc.web.tokens import Claims, KeyRing, SigningKey

#: Far from today on purpose: whatever reads the machine's clock fails here.
NOW = datetime(2025, 3, 10, 8, 40, tzinfo=UTC)
NOW_S = 1_741_596_000  # date -u -d 2025-03-10T08:40:00Z +%s
KEYS = [SigningKey.generate(NOW - timedelta(days=30 * age)) for age in (1, 0, 2)]
RING = KeyRing(KEYS[0], (KEYS[1], KEYS[2]), issuer="https://shipsvc.example", audience="shipsvc-api")
CLAIMS = {
    "iss": "https://shipsvc.example",
    "aud": "shipsvc-api",
    "sub": "person-1",
    "client_id": "web",
    "sid": "session-1",
    "jti": "token-1",
    "iat": NOW_S,
    "nbf": NOW_S,
    "exp": NOW_S + 900,
}
HEADER = {"alg": "ES256", "typ": "at+jwt", "kid": RING.current.kid}

Signer = Callable[[bytes], bytes]


def issued(now: datetime = NOW, **claims: Any) -> str:
    """A token of the ring, as the sign-in would issue it."""
    told = {"sub": "person-1", "client_id": "web", "sid": "session-1", "jti": "token-1"} | claims
    return RING.issue(now=now, **told)


def private(key: SigningKey) -> ec.EllipticCurvePrivateKey:
    """The private key itself, as a thief would have it."""
    loaded = serialization.load_pem_private_key(key.private_pem.encode(), None)
    assert isinstance(loaded, ec.EllipticCurvePrivateKey)
    return loaded


def public_bytes(encoding: serialization.Encoding) -> bytes:
    """Our public key, which anyone may have."""
    return private(RING.current).public_key().public_bytes(encoding, serialization.PublicFormat.SubjectPublicKeyInfo)


def es256(key: SigningKey) -> Signer:
    """RFC 7518 section 3.4: r and s, 32 bytes each, one after the other."""

    def sign(message: bytes) -> bytes:
        r, s = decode_dss_signature(private(key).sign(message, ec.ECDSA(hashes.SHA256())))
        return r.to_bytes(32, "big") + s.to_bytes(32, "big")

    return sign


def hs256(secret: bytes) -> Signer:
    """RFC 7518 section 3.2."""
    return lambda message: hmac.digest(secret, message, hashlib.sha256)


def rs256(message: bytes) -> bytes:
    """RFC 7518 section 3.3, with a key of the attacker's own."""
    key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
    return key.sign(message, PKCS1v15(), hashes.SHA256())


def unsigned(message: bytes) -> bytes:
    """No signature at all."""
    return b""


def base64url(raw: bytes) -> str:
    """RFC 7515 appendix C."""
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def written(part: object) -> str:
    """One part of a token: bytes as they are, anything else as JSON."""
    return base64url(part if isinstance(part, bytes) else json.dumps(part).encode())


def forged(sign: Signer | None = None, *, header: object = HEADER, claims: object = CLAIMS) -> str:
    """A token of our own form; signed with our own key unless told otherwise."""
    message = f"{written(header)}.{written(claims)}"
    return f"{message}.{base64url((sign or es256(RING.current))(message.encode()))}"


def without(name: str) -> dict[str, object]:
    """The claims of a good token but one."""
    return {other: value for other, value in CLAIMS.items() if other != name}


def with_header(**members: object) -> str:
    """A token that is right and rightly signed but for these members of its header."""
    return forged(header=HEADER | members)


def with_claims(**members: object) -> str:
    """A token that is right and rightly signed but for these claims."""
    return forged(claims=CLAIMS | members)


def tampered(part: int, **members: object) -> str:
    """A good token with members of one part changed and the signature left as it was."""
    parts = issued().split(".")
    raw = base64.urlsafe_b64decode(parts[part] + "==")
    parts[part] = written(json.loads(raw) | members)
    return ".".join(parts)


STRANGER = SigningKey.generate(NOW)
STRANGER_JWK = other_jwk.ECKey.import_key(STRANGER.private_pem).as_dict(private=False)

#: Name, forgery. The sections are those of RFC 8725, from which the attack is taken; where none is named the case is
#: one of RFC 9068 section 4 or our own.
ATTACKS: dict[str, Callable[[], str]] = {
    "2.1 alg none": lambda: forged(unsigned, header=HEADER | {"alg": "none"}),
    "2.1 alg None": lambda: forged(unsigned, header=HEADER | {"alg": "None"}),
    "2.1 signature left out": lambda: forged(unsigned),
    "2.1 HS256, our PEM as secret": lambda: forged(
        hs256(public_bytes(serialization.Encoding.PEM)), header=HEADER | {"alg": "HS256"}
    ),
    "2.1 HS256, our DER as secret": lambda: forged(
        hs256(public_bytes(serialization.Encoding.DER)), header=HEADER | {"alg": "HS256"}
    ),
    "2.1 RS256 named, ES256 signed": lambda: with_header(alg="RS256"),
    "2.1 RS256 of their own": lambda: forged(rs256, header=HEADER | {"alg": "RS256"}),
    "2.1 alg as a list": lambda: with_header(alg=["ES256"]),
    "2.3 a token within a token, five parts": lambda: f"{issued()}.{issued()}".rsplit(".", 1)[0],
    "2.4 header that names alg twice": lambda: forged(header=json.dumps(HEADER)[:-1].encode() + b',"alg":"ES256"}'),
    "2.6 header in UTF-16": lambda: forged(header=json.dumps(HEADER).encode("utf-16")),
    "2.6 header in Latin-1": lambda: forged(header=b'{"alg":"ES256","typ":"at+jwt","kid":"\xe9"}'),
    "2.6 claims in UTF-16": lambda: forged(claims=json.dumps(CLAIMS).encode("utf-16")),
    "2.7 wrong audience": lambda: with_claims(aud="another-api"),
    "2.7 no audience": lambda: forged(claims=without("aud")),
    "2.8 wrong issuer": lambda: with_claims(iss="https://elsewhere.example"),
    "2.8 no issuer": lambda: forged(claims=without("iss")),
    "2.8 an ID token (typ JWT)": lambda: with_header(typ="JWT"),
    "2.8 no typ": lambda: forged(header={"alg": "ES256", "kid": RING.current.kid}),
    "2.9 unknown kid": lambda: forged(es256(STRANGER), header=HEADER | {"kid": STRANGER.kid}),
    "2.9 no kid": lambda: forged(header={"alg": "ES256", "typ": "at+jwt"}),
    "2.9 kid as a list": lambda: with_header(kid=[RING.current.kid]),
    "2.9 stranger's key under our kid": lambda: forged(es256(STRANGER)),
    "2.9 another of our keys under this kid": lambda: forged(es256(KEYS[1])),
    "2.9 stranger's key brought along": lambda: forged(es256(STRANGER), header=HEADER | {"jwk": STRANGER_JWK}),
    "2.9 jku": lambda: with_header(jku="https://elsewhere.example/keys"),
    "2.9 x5u": lambda: with_header(x5u="https://elsewhere.example/chain"),
    "2.9 x5c": lambda: with_header(x5c=["MIIB"]),
    "crit (RFC 7515 4.1.11)": lambda: with_header(crit=["exp"]),
    "expired": lambda: with_claims(iat=NOW_S - 930, nbf=NOW_S - 930, exp=NOW_S - 30),
    "not yet valid": lambda: with_claims(nbf=NOW_S + 31),
    "issued in the future": lambda: with_claims(iat=NOW_S + 31),
    "too long a life": lambda: with_claims(exp=NOW_S + 901),
    "ends before it begins": lambda: with_claims(exp=NOW_S),
    "no exp": lambda: forged(claims=without("exp")),
    "no iat": lambda: forged(claims=without("iat")),
    "no nbf": lambda: forged(claims=without("nbf")),
    "no sub": lambda: forged(claims=without("sub")),
    "no jti": lambda: forged(claims=without("jti")),
    "no client_id": lambda: forged(claims=without("client_id")),
    "no sid": lambda: forged(claims=without("sid")),
    "empty sub": lambda: with_claims(sub=""),
    "sub that is a number": lambda: with_claims(sub=7),
    "exp as text": lambda: with_claims(exp=str(NOW_S + 900)),
    "exp infinite": lambda: forged(claims=json.dumps(CLAIMS | {"exp": float("inf")}).encode()),
    "nbf that is true": lambda: with_claims(nbf=True),
    "claims that are a list": lambda: forged(claims=[CLAIMS]),
    "header that is a list": lambda: forged(header=[HEADER]),
    "header that is no JSON": lambda: forged(header=b"alg=ES256"),
    "header of brackets": lambda: forged(header=b"[" * 4000),
    "payload changed": lambda: tampered(1, sub="person-2"),
    "header changed to another of our keys": lambda: tampered(0, kid=KEYS[1].kid),
    "four parts": lambda: issued() + ".e30",
    "two parts": lambda: issued().rsplit(".", 1)[0],
    "empty": lambda: "",
    "over 8 KiB": lambda: issued(sid="s" * 8192),
    "padded": lambda: issued() + "==",
    "line break at the end": lambda: issued() + "\n",
    "not ASCII": lambda: issued() + "é",
    "surrogate": lambda: issued() + "\ud800",
}


@pytest.mark.parametrize("attack", ATTACKS)
def test_attacks_are_refused(attack: str) -> None:
    """Each forgery ends in BadToken and in no other error."""
    with pytest.raises(BadToken):
        RING.verify(ATTACKS[attack](), NOW)


def test_the_forger_can_write_a_good_token() -> None:
    """The attacks fail for what they change and not for how this file writes tokens."""
    assert RING.verify(forged(), NOW) == RING.verify(issued(), NOW)


def test_what_was_issued_is_what_is_read() -> None:
    """Every claim comes back, times as aware instants on whole seconds."""
    token = issued(NOW + timedelta(microseconds=999_999), lifetime=timedelta(minutes=5))

    expected = Claims("person-1", "web", "session-1", "token-1", NOW, NOW + timedelta(minutes=5))
    assert expected == RING.verify(token, NOW)


@given(st.text(min_size=1, max_size=40), st.integers(0, 4_000_000_000))
@settings(deadline=None, max_examples=50)
def test_a_second_library_reads_every_token(sub: str, begin_s: int) -> None:
    """Joserfc, given our published key set and nothing else, finds the claims that RFC 9068 section 2.2 requires."""
    published = other_jwk.KeySet.import_key_set(json.loads(json.dumps(RING.jwks())))

    told = other_jwt.decode(issued(datetime.fromtimestamp(begin_s, UTC), sub=sub), published, algorithms=["ES256"])

    assert {"alg": "ES256", "typ": "at+jwt", "kid": RING.current.kid} == told.header
    assert CLAIMS | {"sub": sub, "iat": begin_s, "nbf": begin_s, "exp": begin_s + 900} == told.claims


def test_a_token_of_a_second_library_is_read() -> None:
    """What joserfc signs with our private key is a token of ours: nothing depends on python-jose's own habits."""
    key = other_jwk.ECKey.import_key(RING.current.private_pem)

    assert RING.verify(other_jwt.encode(HEADER, dict(CLAIMS), key), NOW) == RING.verify(issued(), NOW)


@given(st.data())
@settings(deadline=None, max_examples=200)
def test_any_changed_character_is_noticed(data: st.DataObject) -> None:
    """A token with one character replaced, put in or left out is refused."""
    token = issued()
    place = data.draw(st.integers(0, len(token) - 1))
    new = data.draw(st.characters() | st.sampled_from("ABCXYZabcxyz0189-_.=+/ "))
    tail = data.draw(st.sampled_from([token[place:], token[place + 1 :]]))
    changed = token[:place] + data.draw(st.sampled_from([new, ""])) + tail
    if changed != token:
        with pytest.raises(BadToken):
            RING.verify(changed, NOW)


def test_loose_bits_of_base64_are_noticed() -> None:
    """The last character of a signature has four bits to spare: none of the 63 others is taken (RFC 4648 3.5)."""
    token = issued()
    for last in set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") - {token[-1]}:
        with pytest.raises(BadToken):
            RING.verify(token[:-1] + last, NOW)


@pytest.mark.parametrize("offset_s", [-30, 0, 899, 900, 929.999])
def test_times_within_the_leeway_hold(offset_s: float) -> None:
    """A token holds from 30 s before its issue until just before 30 s after its end, by the clock passed in."""
    assert RING.verify(issued(), NOW + timedelta(seconds=offset_s)).expires_at == NOW + timedelta(minutes=15)


@pytest.mark.parametrize("offset_s", [-30.001, 930, 10**9])
def test_times_beyond_the_leeway_do_not_hold(offset_s: float) -> None:
    """Outside of it, it does not, whatever the machine's clock says."""
    with pytest.raises(BadToken):
        RING.verify(issued(), NOW + timedelta(seconds=offset_s))


@pytest.mark.parametrize("year", [1980, 2090])
def test_no_clock_but_the_one_passed_in_counts(year: int) -> None:
    """A token issued long before or after today by the machine's clock holds at its own time."""
    then = NOW.replace(year=year)

    assert RING.verify(issued(then), then).issued_at == then


def test_another_ring_and_another_service_refuse_our_tokens() -> None:
    """A token is good for one issuer, one audience and one set of keys."""
    for other in (
        KeyRing(STRANGER, issuer=RING.issuer, audience=RING.audience),
        KeyRing(KEYS[0], issuer="https://elsewhere.example", audience=RING.audience),
        KeyRing(KEYS[0], issuer=RING.issuer, audience="another-api"),
    ):
        with pytest.raises(BadToken):
            other.verify(issued(), NOW)


@pytest.mark.parametrize("lifetime_s", [0, -60, 901])
def test_no_token_is_issued_for_longer_than_a_quarter_of_an_hour(lifetime_s: int) -> None:
    """Nor for no time at all."""
    with pytest.raises(ValueError, match="lives"):
        issued(lifetime=timedelta(seconds=lifetime_s))


def test_issuing_needs_claims_and_an_offset() -> None:
    """An empty claim or a naive time is a mistake of ours and is said at once."""
    with pytest.raises(ValueError, match="empty"):
        issued(sub="")
    with pytest.raises(ValueError, match="offset"):
        issued(NOW.replace(tzinfo=None))


def test_each_token_has_its_own_name() -> None:
    """Without one given, jti is new each time."""
    named = {RING.verify(issued(jti=None), NOW).jti for _ in range(20)}

    assert len(named) == 20
