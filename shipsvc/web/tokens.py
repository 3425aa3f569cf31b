"""Access tokens: issue, verify, publish the public keys, rotate.

The profile is RFC 9068 (JWT access tokens), hardened as RFC 8725 asks. This is the only module that
imports python-jose, because that library must be held on a short lead: left to itself it ignores ``kid`` and
``crit``, accepts a token without ``exp``, and reads base64 that says the same in more than one way. So the
header is read strictly here, the library only checks one signature with one key and one algorithm, and times
are checked here against the clock that the caller passes: asking the library to *require* ``exp`` would make
it compare with its own.
"""

import base64
import binascii
import hashlib
import json
import re
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import jose.backends
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from jose import jwk, jwt
from jose.backends.base import Key
from jose.exceptions import JOSEError, JWTError

from shipsvc.domain import errors

ALGORITHMS: Final = ("ES256",)
TOKEN_TYPE: Final = "at+jwt"  # noqa: S105 - RFC 9068 section 2.1, a media type and no secret
LIFETIME_MAX: Final = timedelta(minutes=15)
LEEWAY_S: Final = 30
TOKEN_BYTES_MAX: Final = 8192
#: All that our own tokens carry; a header with anything else (crit, jku, jwk, x5u, x5c ...) is not ours.
HEADER_MEMBERS: Final = frozenset({"alg", "typ", "kid"})
#: RFC 7638 section 3.2: the members that make up a key, by its type, in the order they are hashed in.
THUMBPRINT_MEMBERS: Final = {"EC": ("crv", "kty", "x", "y"), "RSA": ("e", "kty", "n")}
LIBRARY_OPTIONS: Final = {
    "verify_exp": False,
    "verify_iat": False,
    "verify_nbf": False,
    "require_aud": True,
    "require_iss": True,
    "require_sub": True,
    "require_jti": True,
}
_BASE64URL = re.compile(r"[A-Za-z0-9_-]+")


def require_cryptography_backend() -> None:
    """Refuse to start on python-jose's slow and leaky pure Python fallback; RuntimeError says so.

    The fallback comes silently when python-jose was installed without its extra ``cryptography``.
    """
    module = jose.backends.ECKey.__module__
    if module != "jose.backends.cryptography_backend":
        raise RuntimeError(f"python-jose signs with {module}: install python-jose[cryptography]")


def thumbprint(public_jwk: Mapping[str, str]) -> str:
    """The RFC 7638 SHA-256 thumbprint of a public EC or RSA key, in base64url without padding."""
    members = {name: public_jwk[name] for name in THUMBPRINT_MEMBERS[public_jwk["kty"]]}
    canonical = json.dumps(members, separators=(",", ":")).encode()
    return _base64url(hashlib.sha256(canonical).digest())


@dataclass(frozen=True)
class SigningKey:
    """A P-256 private key (PEM, PKCS 8), its thumbprint as ``kid`` and the aware time it was made.

    ValueError if the key is not one on P-256 or ``kid`` is not its thumbprint.
    """

    kid: str
    private_pem: str = field(repr=False)
    created_at: datetime

    def __post_init__(self) -> None:
        _aware(self.created_at)
        if self.kid != thumbprint(_public_jwk(_key(self.private_pem))):
            raise ValueError("kid is not the thumbprint of the key")

    @classmethod
    def generate(cls, now: datetime) -> "SigningKey":
        """A fresh random key, dated ``now``."""
        pem = (
            ec.generate_private_key(ec.SECP256R1())
            .private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
            .decode()
        )
        return cls(thumbprint(_public_jwk(_key(pem))), pem, now)


@dataclass(frozen=True)
class Claims:
    """What a verified token says: who (person id), through which client and session, from when until when."""

    sub: str
    client_id: str
    sid: str
    jti: str
    issued_at: datetime
    expires_at: datetime


@dataclass(frozen=True)
class KeyRing:
    """The key that signs now, and the others whose signatures still hold or will hold.

    ``others`` are the next key, published ahead of its use so that nobody meets it unprepared, and the
    previous one, kept while its tokens live. ValueError if two keys are the same.
    """

    current: SigningKey
    others: tuple[SigningKey, ...] = ()
    issuer: str = field(kw_only=True)
    audience: str = field(kw_only=True)
    #: python-jose's own objects, made once: making them for every token costs more than the signature.
    _private: Key = field(init=False, repr=False, compare=False)
    _public: dict[str, Key] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        keys = (self.current, *self.others)
        public = {key.kid: _key(key.private_pem).public_key() for key in keys}
        if len(public) != len(keys):
            raise ValueError("a key is on the ring twice")
        object.__setattr__(self, "_private", _key(self.current.private_pem))
        object.__setattr__(self, "_public", public)

    @property
    def upcoming(self) -> SigningKey | None:
        """The youngest key that is no older than the current one: the next to sign."""
        younger = [key for key in self.others if key.created_at >= self.current.created_at]
        return max(younger, key=lambda key: key.created_at, default=None)

    def issue(
        self,
        *,
        sub: str,
        client_id: str,
        sid: str,
        now: datetime,
        lifetime: timedelta = LIFETIME_MAX,
        jti: str | None = None,
    ) -> str:
        """A signed token for person ``sub`` from ``now`` on (whole seconds), at most 15 minutes long.

        ``jti`` is a random UUID unless given. ValueError for an empty claim or an unfit lifetime.
        """
        if not timedelta(seconds=1) <= lifetime <= LIFETIME_MAX:
            raise ValueError("a token lives from one second to fifteen minutes")
        names = {"sub": sub, "client_id": client_id, "sid": sid, "jti": str(uuid.uuid4()) if jti is None else jti}
        if not all(names.values()):
            raise ValueError("no claim of a token may be empty")
        issued_s = int(_aware(now).timestamp())
        times = {"iat": issued_s, "nbf": issued_s, "exp": issued_s + int(lifetime.total_seconds())}
        claims = {"iss": self.issuer, "aud": self.audience, **names, **times}
        return jwt.encode(claims, self._private, ALGORITHMS[0], {"typ": TOKEN_TYPE, "kid": self.current.kid})

    def verify(self, token: str, now: datetime) -> Claims:
        """What the token says, if one of our keys signed it for us and it holds at ``now``; else BadToken."""
        key = self._key_for(_header(token))
        try:
            claims = jwt.decode(token, key, ALGORITHMS, LIBRARY_OPTIONS, self.audience, self.issuer)
        except JWTError as error:
            raise errors.BadToken(why="its signature, issuer or audience does not hold") from error
        issued_at, expires_at = _times(claims, _aware(now).timestamp())
        sub, client_id, sid, jti = (_text(claims, name) for name in ("sub", "client_id", "sid", "jti"))
        return Claims(sub, client_id, sid, jti, issued_at, expires_at)

    def jwks(self) -> dict[str, list[dict[str, str]]]:
        """The public keys as a JWK set (RFC 7517), the current one first."""
        return {
            "keys": [{**_public_jwk(key), "kid": kid, "use": "sig"} for kid, key in self._public.items()],
        }

    def _key_for(self, header: Mapping[str, Any]) -> Key:
        kid = header["kid"]
        if not isinstance(kid, str) or kid not in self._public:
            raise errors.BadToken(why="it is signed with a key that is not ours or no longer in use")
        return self._public[kid]


def rotated(
    ring: KeyRing,
    now: datetime,
    *,
    lifetime: timedelta,
    make: Callable[[datetime], SigningKey] = SigningKey.generate,
) -> KeyRing:
    """The ring as it should be at ``now``: the same one, or a new one for the caller to store.

    A next key is made when there is none; once it has been published for ``lifetime`` it signs, the one
    it follows becomes the previous one, and older ones, retired for a whole ``lifetime``, go. ValueError
    if ``lifetime`` is shorter than that of a token, whose key would then be gone too soon.
    """
    if lifetime <= LIFETIME_MAX + timedelta(seconds=LEEWAY_S):
        raise ValueError("a key must outlive the tokens it signed")
    upcoming = ring.upcoming
    if upcoming is None:
        # A clock set back makes keys that look older than the current one: wait, or they would pile up.
        return ring if now < ring.current.created_at else replace(ring, others=(make(now), *ring.others))
    if now - upcoming.created_at < lifetime:
        return ring
    return replace(ring, current=upcoming, others=(make(now), ring.current))


def _header(token: str) -> dict[str, Any]:
    """The header of a token that is written as ours are, or BadToken. Nothing is verified yet."""
    if len(token) > TOKEN_BYTES_MAX:
        raise errors.BadToken(why="it is too long")
    parts = token.split(".")
    if len(parts) != 3:
        raise errors.BadToken(why="it does not have three parts")
    raw_header, _, _ = (_decoded(part) for part in parts)
    header = _json_object(raw_header)
    if header.keys() != HEADER_MEMBERS:
        raise errors.BadToken(why="its header is not one of ours")
    if header["alg"] not in ALGORITHMS or header["typ"] != TOKEN_TYPE:
        raise errors.BadToken(why="it is of another kind")
    return header


def _decoded(part: str) -> bytes:
    """RFC 4648 base64url in its one canonical form: python-jose skips foreign characters and loose bits."""
    try:
        raw = base64.urlsafe_b64decode(part + "=" * (-len(part) % 4)) if _BASE64URL.fullmatch(part) else None
    except binascii.Error:
        raw = None
    if raw is None or _base64url(raw) != part:
        raise errors.BadToken(why="it is not written in base64url")
    return raw


def _json_object(raw: bytes) -> dict[str, Any]:
    # RecursionError: eight thousand opening brackets fit into a header.
    try:
        value = json.loads(raw.decode("utf-8"), object_pairs_hook=_without_duplicates)
    except (ValueError, RecursionError) as error:
        raise errors.BadToken(why="its header is not JSON") from error
    if not isinstance(value, dict):
        raise errors.BadToken(why="its header is not a JSON object")
    return value


def _without_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """RFC 8725 section 2.4 warns of readers that disagree: of two members of one name, which one counts?"""
    members = dict(pairs)
    if len(members) != len(pairs):
        raise ValueError("a member stands there twice")
    return members


def _times(claims: Mapping[str, Any], now_s: float) -> tuple[datetime, datetime]:
    """Issue and expiry of a token that holds at ``now_s`` (seconds since 1970), else BadToken."""
    issued_s, not_before_s, expires_s = (_seconds(claims, name) for name in ("iat", "nbf", "exp"))
    if now_s >= expires_s + LEEWAY_S:
        raise errors.BadToken(why="it has expired")
    if max(issued_s, not_before_s) > now_s + LEEWAY_S:
        raise errors.BadToken(why="it is not valid yet")
    if not 0 < expires_s - issued_s <= LIFETIME_MAX.total_seconds():
        raise errors.BadToken(why="it lives too long")
    return datetime.fromtimestamp(issued_s, UTC), datetime.fromtimestamp(expires_s, UTC)


def _seconds(claims: Mapping[str, Any], name: str) -> int:
    value = claims.get(name)
    if type(value) is not int:  # a bool is an int to isinstance
        raise errors.BadToken(why=f"its {name} is not a whole number of seconds")
    return value


def _text(claims: Mapping[str, Any], name: str) -> str:
    value = claims.get(name)
    if not isinstance(value, str) or not value:
        raise errors.BadToken(why=f"it has no {name}")
    return value


def _key(private_pem: str) -> Key:
    try:
        key = jwk.construct(private_pem, ALGORITHMS[0])
        fits = key.to_dict()["crv"] == "P-256" and "d" in key.to_dict()
    except (JOSEError, AttributeError) as error:  # AttributeError: the PEM holds a key of another type
        raise ValueError("not an elliptic curve key in PEM") from error
    if not fits:
        raise ValueError("ES256 needs a private key on the curve P-256")
    return key


def _public_jwk(key: Key) -> dict[str, str]:
    return {name: str(value) for name, value in key.public_key().to_dict().items()}


def _base64url(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")


def _aware(instant: datetime) -> datetime:
    if instant.tzinfo is None:
        raise ValueError("a time needs its offset")
    return instant
