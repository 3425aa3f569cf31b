"""Tokens that are not what they seem, written by hand with ``cryptography`` and ``hmac``: no JOSE library can refuse to
make them. They are grouped by the recommendation of RFC 8725 section 3 that each of them tries.
"""

import base64
import hashlib
import hmac
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, rsa
from cryptography.hazmat.primitives.asymmetric.padding import PKCS1v15
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature
from joserfc import jwk as other_jwk

from shipsvc.web.tokens import KeyRing, SigningKey

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

#: The order of P-256 (NIST SP 800-186 section 3.2.1.3): as r or s it is as good as zero.
ORDER = int("FFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551", 16)
FORGED_HS256 = HEADER | {"alg": "HS256"}


def fixed(signature: bytes) -> Signer:
    """The same signature, whatever is signed."""
    return lambda _message: signature


def in_der(message: bytes) -> bytes:
    """A right signature, in the form that X.509 has and JWS has not (RFC 7518 section 3.4)."""
    return private(RING.current).sign(message, ec.ECDSA(hashes.SHA256()))


Forge = Callable[[], str]
#: By the section of RFC 8725 that asks for the defence; under "other" stand those of RFC 9068 section 4 and our own.
ATTACKS: dict[str, dict[str, Forge]] = {
    "3.1": {
        "HS256, our PEM as secret": lambda: forged(
            hs256(public_bytes(serialization.Encoding.PEM)), header=FORGED_HS256
        ),
        "HS256, our DER as secret": lambda: forged(
            hs256(public_bytes(serialization.Encoding.DER)), header=FORGED_HS256
        ),
        "RS256 named, ES256 signed": lambda: with_header(alg="RS256"),
        "RS256 of their own": lambda: forged(rs256, header=HEADER | {"alg": "RS256"}),
        "ES384 named": lambda: with_header(alg="ES384"),
        "alg as a list": lambda: with_header(alg=["ES256"]),
        "alg in small letters": lambda: with_header(alg="es256"),
        "no alg": lambda: forged(header={"typ": "at+jwt", "kid": RING.current.kid}),
        "header that names alg twice": lambda: forged(header=json.dumps(HEADER)[:-1].encode() + b',"alg":"ES256"}'),
    },
    "3.2": {
        "alg none": lambda: forged(unsigned, header=HEADER | {"alg": "none"}),
        "alg None": lambda: forged(unsigned, header=HEADER | {"alg": "None"}),
        "alg none, rightly signed": lambda: with_header(alg="none"),
        "crit (RFC 7515 4.1.11)": lambda: with_header(crit=["exp"]),
    },
    "3.3": {
        "signature left out": lambda: forged(unsigned),
        "a token within a token, five parts": lambda: f"{issued()}.{issued()}".rsplit(".", 1)[0],
        "stranger's key under our kid": lambda: forged(es256(STRANGER)),
        "another of our keys under this kid": lambda: forged(es256(KEYS[1])),
        "payload changed": lambda: tampered(1, sub="person-2"),
        "header changed to another of our keys": lambda: tampered(0, kid=KEYS[1].kid),
        "four parts": lambda: issued() + ".e30",
        "two parts": lambda: issued().rsplit(".", 1)[0],
    },
    "3.4": {
        "r and s of zero": lambda: forged(fixed(bytes(64))),
        "r and s of the order": lambda: forged(fixed(2 * ORDER.to_bytes(32, "big"))),
        "a signature of 63 bytes": lambda: forged(fixed(bytes(63))),
        "a signature in DER": lambda: forged(in_der),
        "padded": lambda: issued() + "==",
        "line break at the end": lambda: issued() + "\n",
        "over 8 KiB": lambda: issued(sid="s" * 8192),
        "empty": lambda: "",
        "header of brackets": lambda: forged(header=b"[" * 4000),
        "header that is a list": lambda: forged(header=[HEADER]),
        "header that is no JSON": lambda: forged(header=b"alg=ES256"),
        "claims that are a list": lambda: forged(claims=[CLAIMS]),
    },
    "3.6": {
        "claims said to be compressed": lambda: with_header(zip="DEF"),
        "an encrypted token": lambda: ".".join(
            (written({"alg": "ECDH-ES", "enc": "A256GCM", "zip": "DEF"}), "", "aXY", "Y3Q", "dGFn")
        ),
    },
    "3.7": {
        "header in UTF-16": lambda: forged(header=json.dumps(HEADER).encode("utf-16")),
        "header in Latin-1": lambda: forged(header=b'{"alg":"ES256","typ":"at+jwt","kid":"\xe9"}'),
        "claims in UTF-16": lambda: forged(claims=json.dumps(CLAIMS).encode("utf-16")),
        "not ASCII": lambda: issued() + "\u00e9",
        "surrogate": lambda: issued() + "\ud800",
    },
    "3.8": {
        "wrong issuer": lambda: with_claims(iss="https://elsewhere.example"),
        "issuer with a slash more": lambda: with_claims(iss=f"{CLAIMS['iss']}/"),
        "no issuer": lambda: forged(claims=without("iss")),
        "no sub": lambda: forged(claims=without("sub")),
        "empty sub": lambda: with_claims(sub=""),
        "sub that is a number": lambda: with_claims(sub=7),
    },
    "3.9": {
        "wrong audience": lambda: with_claims(aud="another-api"),
        "a list of others": lambda: with_claims(aud=["another-api", "a-third"]),
        "no audience": lambda: forged(claims=without("aud")),
    },
    "3.10": {
        "unknown kid": lambda: forged(es256(STRANGER), header=HEADER | {"kid": STRANGER.kid}),
        "kid that ends a query": lambda: with_header(kid="' OR 1=1 --"),
        "kid that is a path": lambda: with_header(kid="../../../../dev/null"),
        "no kid": lambda: forged(header={"alg": "ES256", "typ": "at+jwt"}),
        "kid as a list": lambda: with_header(kid=[RING.current.kid]),
        "stranger's key brought along": lambda: forged(es256(STRANGER), header=HEADER | {"jwk": STRANGER_JWK}),
        "jku": lambda: with_header(jku="https://elsewhere.example/keys"),
        "x5u": lambda: with_header(x5u="https://elsewhere.example/chain"),
        "x5c": lambda: with_header(x5c=["MIIB"]),
    },
    "3.11": {
        "an ID token (typ JWT)": lambda: with_header(typ="JWT"),
        "typ of another profile": lambda: with_header(typ="secevent+jwt"),
        "typ as a list": lambda: with_header(typ=["at+jwt"]),
        "no typ": lambda: forged(header={"alg": "ES256", "kid": RING.current.kid}),
    },
    "other": {
        "expired": lambda: with_claims(iat=NOW_S - 930, nbf=NOW_S - 930, exp=NOW_S - 30),
        "not yet valid": lambda: with_claims(nbf=NOW_S + 31),
        "issued in the future": lambda: with_claims(iat=NOW_S + 31),
        "too long a life": lambda: with_claims(exp=NOW_S + 901),
        "ends before it begins": lambda: with_claims(exp=NOW_S),
        "no exp": lambda: forged(claims=without("exp")),
        "no iat": lambda: forged(claims=without("iat")),
        "no nbf": lambda: forged(claims=without("nbf")),
        "no jti": lambda: forged(claims=without("jti")),
        "no client_id": lambda: forged(claims=without("client_id")),
        "no sid": lambda: forged(claims=without("sid")),
        "exp as text": lambda: with_claims(exp=str(NOW_S + 900)),
        "exp infinite": lambda: forged(claims=json.dumps(CLAIMS | {"exp": float("inf")}).encode()),
        "nbf that is true": lambda: with_claims(nbf=True),
    },
}
