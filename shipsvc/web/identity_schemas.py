"""What identity requests and answers look like in JSON."""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, SecretStr

from shipsvc.app import passwords
from shipsvc.app.identity import Profile
from shipsvc.web.errors import Problem
from shipsvc.web.schemas import Instant, InstitutionCode, RoleName, Strict, Words, ZoneName

PERSON = "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"
PROFILE: dict[str, Any] = {
    "person": PERSON,
    "name": "M. Example",
    "email": "m.example@trp.example",
    "recorded_at": "2025-01-20T09:00:00Z",
    "kind": "person",
    "roles": [{"institution": "TRP", "role": "curator"}],
}
#: Clients are people to everybody who reads: who told it, for whom, in which role.
ActorKind = Literal["person", "service", "device"]

PersonId = Annotated[
    str,
    Field(
        pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$",
        description="An opaque id; it stays when the name is erased",
        examples=[PERSON],
    ),
]
LOGIN = r"^[a-z0-9][a-z0-9._@+-]{0,63}$"
Login = Annotated[
    str,
    Field(
        pattern=LOGIN,
        description="The name to sign in with, in small letters",
        examples=["m.example"],
    ),
]
Email = Annotated[
    str,
    Field(
        max_length=254,
        pattern=r"^([^\x00-\x20\x7f@]{1,64}@[^\x00-\x20\x7f@]{1,189})?$",
        description="Where reminders go; may be empty",
        examples=["m.example@trp.example"],
    ),
]

NewPassword = Annotated[
    SecretStr,
    Field(
        min_length=passwords.LENGTH_MIN,
        max_length=passwords.LENGTH_MAX,
        description="Any characters; a phrase is easier to keep than a puzzle",
        examples=["a phrase nobody guesses"],
    ),
]


class RoleAt(Strict):
    """A role at an institution."""

    institution: InstitutionCode
    role: RoleName = Field(description="What they do there", examples=["curator"])


class PersonNew(Strict):
    """Somebody who is to act through the service."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "name": "M. Example",
                    "email": "m.example@trp.example",
                    "login": "m.example",
                    "password": "a phrase nobody guesses",
                    "roles": [{"institution": "TRP", "role": "curator"}],
                }
            ]
        }
    )
    name: Words = Field(description="As others are to read it; can be erased later", examples=["M. Example"])
    email: Email = ""
    login: Login
    password: NewPassword
    roles: list[RoleAt] = Field(default_factory=list, max_length=100, description="Roles they have from now on")


class PersonMade(Strict):
    """The person that was added: only the id, since this answer is kept for retries and a name may have to go."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"person": PERSON, "recorded_at": "2025-01-20T09:00:00Z"}]}
    )
    person: PersonId
    recorded_at: Instant = Field(description="When this was told")


class PersonShown(Strict):
    """A person as others see them."""

    model_config = ConfigDict(json_schema_extra={"examples": [PROFILE]})
    person: PersonId
    name: str = Field(description="Empty once erased", examples=["M. Example"])
    email: str = Field(description="Empty once erased, or never given", examples=["m.example@trp.example"])
    recorded_at: Instant = Field(description="When they were added")
    kind: ActorKind = Field(description="A person, or a client that acts by itself", examples=["person"])
    closed_at: Instant | None = Field(
        None, description="Since when they cannot sign in", examples=["2026-06-15T00:00:00Z"]
    )
    roles: list[RoleAt] = Field(description="The roles in force now")


class LeavingNew(Strict):
    """Somebody left."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"from_at": "2026-06-15T04:00:00Z"}]})
    from_at: Instant | None = Field(
        None, description="From when on, which may be told late; now, if left out", examples=["2026-06-15T04:00:00Z"]
    )


class InstitutionNamed(Strict):
    """An institution of one's own, with the zone that its days are counted in."""

    code: InstitutionCode
    name: str = Field(description="Its name now", examples=["Tarnhythe Repository"])
    zone: ZoneName


class Me(PersonShown):
    """The person who asks, and where they act."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                PROFILE | {"institutions": [{"code": "TRP", "name": "Tarnhythe Repository", "zone": "Europe/London"}]}
            ]
        }
    )
    institutions: list[InstitutionNamed] = Field(description="Every institution they act for")


class _RoleChange(RoleAt):
    change: Literal["grant", "end"] = Field(description="Whether it is given or ended", examples=["grant"])


class RoleTold(_RoleChange):
    """A role given or ended."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"institution": "TRP", "role": "witness", "change": "grant"}]}
    )
    from_at: Instant | None = Field(
        None, description="From when on; now, if left out", examples=["2026-07-01T00:00:00Z"]
    )


class RoleChanged(_RoleChange):
    """The change of a role as it was recorded."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "person": PERSON,
                    "institution": "TRP",
                    "role": "witness",
                    "change": "grant",
                    "from_at": "2026-07-01T00:00:00Z",
                    "recorded_at": "2026-06-20T08:00:00Z",
                    "actor": PERSON,
                }
            ]
        }
    )
    person: PersonId
    from_at: Instant = Field(description="From when on")
    recorded_at: Instant = Field(description="When this was told")
    actor: PersonId = Field(description="Who told it")


class Token(Strict):
    """A token and how long it lives (RFC 6749 section 5.1)."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "access_token": "eyJhbGciOiJFUzI1NiIs...",
                    "token_type": "Bearer",
                    "expires_in": 900,
                    "refresh_token": "shr_9mK3vQ...",
                }
            ]
        }
    )
    access_token: str = Field(description="To be sent as Authorization: Bearer ...", examples=["eyJhbGciOi..."])
    token_type: Literal["Bearer"] = Field(description="Always Bearer (RFC 6750)", examples=["Bearer"])
    expires_in: int = Field(description="Seconds from now", examples=[900])
    refresh_token: str | None = Field(
        None, description="Good once, for the next pair of tokens; not given to programs", examples=["shr_9mK3vQ..."]
    )


TokenError = Literal["invalid_request", "invalid_client", "invalid_grant", "unsupported_grant_type", "invalid_scope"]


class TokenProblem(Problem):
    """Why there is no token: a problem that also carries ``error`` as RFC 6749 section 5.2 names it."""

    error: TokenError = Field(description="For OAuth clients", examples=["invalid_grant"])


class PublicKey(Strict):
    """One public key (RFC 7517, RFC 7518 section 6.2)."""

    kty: str = Field(description="Key type", examples=["EC"])
    crv: str = Field(description="Curve", examples=["P-256"])
    x: str = Field(description="x coordinate, base64url", examples=["f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU"])
    y: str = Field(description="y coordinate, base64url", examples=["x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0"])
    alg: str = Field(description="Algorithm", examples=["ES256"])
    kid: str = Field(description="RFC 7638 thumbprint", examples=["oKIywvGUpTVTyxMQ3bwIIeQUudfr_CkLMjCE19ECD-U"])
    use: str = Field(description="What for", examples=["sig"])


class KeySet(Strict):
    """The public keys of this service's tokens."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "keys": [
                        {
                            "kty": "EC",
                            "crv": "P-256",
                            "x": "f83OJ3D2xF1Bg8vub9tLe1gHMzV76e8Tus9uPHvRVEU",
                            "y": "x_FEzRu9m36HLN_tue659LNpXW6pCyStikYjKIWI5a0",
                            "alg": "ES256",
                            "kid": "oKIywvGUpTVTyxMQ3bwIIeQUudfr_CkLMjCE19ECD-U",
                            "use": "sig",
                        }
                    ]
                }
            ]
        }
    )
    keys: list[PublicKey] = Field(description="The current key first, then the next and the previous one")


def shown(found: Profile) -> PersonShown:
    """A profile as an answer."""
    return PersonShown(**_fields(found))


def me(found: Profile, institutions: list[InstitutionNamed]) -> Me:
    """One's own profile as an answer."""
    return Me(**_fields(found), institutions=institutions)


def _fields(found: Profile) -> dict[str, Any]:
    roles = [{"institution": institution, "role": role} for institution, role in sorted(found.roles)]
    return {
        "person": found.person,
        "name": found.name,
        "email": found.email,
        "recorded_at": found.recorded_at,
        "kind": found.kind,
        "closed_at": found.closed_at,
        "roles": roles,
    }
