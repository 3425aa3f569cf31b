"""What requests and answers about clients look like in JSON."""

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from shipsvc.app.clients import Shown
from shipsvc.store.engine import Row
from shipsvc.web.document_schemas import Listing
from shipsvc.web.identity_schemas import PERSON, PersonId
from shipsvc.web.schemas import Instant, InstitutionCode, RoleName, Strict, Words

CLIENT = "c11e0f3a-7b52-4d4c-9a4b-2d1f0a9b8c7d"
SECRET = "5ec2e7aa-1d0b-4f7e-8c3d-6b5a4f3e2d1c"  # noqa: S105 - an id
_SECRET: dict[str, Any] = {
    "secret_id": SECRET,
    "label": "autumn 2026",
    "made_at": "2026-03-10T12:00:00Z",
    "made_by": PERSON,
    "expires_at": "2027-03-10T12:00:00Z",
    "revoked_at": None,
    "revoked_by": None,
    "last_used_at": "2026-11-25T11:50:00Z",
}
_SHOWN: dict[str, Any] = {
    "client": CLIENT,
    "institution": "TSI",
    "kind": "service",
    "name": "Weighing room",
    "roles": ["analyst"],
    "made_at": "2026-03-10T12:00:00Z",
    "made_by": PERSON,
    "ended_at": None,
    "secrets": [_SECRET],
}
_ID = r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$"
ClientId = Annotated[
    str,
    Field(pattern=_ID, description="The id that it signs in with; facts name it as who told them", examples=[CLIENT]),
]
SecretId = Annotated[str, Field(pattern=_ID, description="The id of a secret, which is not secret", examples=[SECRET])]
ClientKind = Literal["service", "device"]
KIND = Field(description="`service`: a program; `device`: a logger or a scanner", examples=["service"])


def _examples(*said: dict[str, Any]) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": list(said)})


class ClientNew(Strict):
    """A program or a device that is to act by itself."""

    model_config = _examples({"institution": "TSI", "kind": "service", "name": "Weighing room", "roles": ["analyst"]})
    institution: InstitutionCode
    kind: Annotated[ClientKind, KIND]
    name: Words = Field(description="As others are to read it", examples=["Weighing room"])
    roles: list[RoleName] = Field(
        default_factory=list,
        max_length=20,
        description="What it does at the institution; a device is a device without saying",
        examples=[["analyst"]],
    )


class ClientMade(Strict):
    """The client that was added; it needs a secret to sign in."""

    model_config = _examples({"client": CLIENT, "made_at": "2026-03-10T12:00:00Z"})
    client: ClientId
    made_at: Instant = Field(description="When this was told")


class SecretNew(Strict):
    """A secret that is to be made."""

    model_config = _examples({"label": "autumn 2026", "expires_at": None})
    label: Words = Field(description="What you know it by", examples=["autumn 2026"])
    expires_at: Instant | None = Field(
        None, description="When it ends: 365 days from now unless given, 400 at most", examples=["2027-03-10T12:00:00Z"]
    )


class SecretShown(Strict):
    """A secret, without its words, which are kept nowhere."""

    model_config = _examples(_SECRET)
    secret_id: SecretId
    label: str = Field(description="What it is known by", examples=["autumn 2026"])
    made_at: Instant = Field(description="When it was made")
    made_by: PersonId
    expires_at: Instant = Field(description="When it ends by itself")
    revoked_at: Instant | None = Field(description="When it was revoked", examples=["2026-11-25T12:00:00Z"])
    revoked_by: PersonId | None = Field(description="By whom", examples=[PERSON])
    last_used_at: Instant | None = Field(
        description="When a token was last asked for with it", examples=["2026-11-25T11:50:00Z"]
    )


class SecretMade(SecretShown):
    """A new secret. Its words are told this once."""

    model_config = _examples({**_SECRET, "last_used_at": None, "client_secret": "shc_9mK3vQ..."})
    client_secret: str = Field(description="What the client signs in with; keep it safe", examples=["shc_9mK3vQ..."])


class ClientShown(Strict):
    """A client with its roles and secrets."""

    model_config = _examples(_SHOWN)
    client: ClientId
    institution: InstitutionCode
    kind: Annotated[ClientKind, KIND]
    name: str = Field(description="Empty once erased", examples=["Weighing room"])
    roles: list[RoleName] = Field(description="What it does at the institution now", examples=[["analyst"]])
    made_at: Instant = Field(description="When it was added")
    made_by: PersonId
    ended_at: Instant | None = Field(description="Since when it cannot sign in", examples=["2026-11-25T12:00:00Z"])
    secrets: list[SecretShown] = Field(description="All that it has or had, the oldest first")


class ClientPage(Listing):
    """Clients in the order of their ids."""

    model_config = _examples({"items": [_SHOWN], "next": None})
    items: list[ClientShown] = Field(description="With their roles and secrets")


def secret_fields(row: Row) -> dict[str, Any]:
    """What may be shown of a secret."""
    names = ("label", "made_at", "made_by", "expires_at", "revoked_at", "revoked_by", "last_used_at")
    return {"secret_id": row["id"], **{name: row[name] for name in names}}


def client_shown(found: Shown) -> ClientShown:
    """A client as an answer."""
    row = found.row
    return ClientShown(
        client=row["person"],
        institution=row["institution"],
        kind=row["kind"],
        name=row["name"] or "",
        roles=sorted(role for _, role in found.roles),  # type: ignore[misc]  # the database holds no others
        made_at=row["made_at"],
        made_by=row["made_by"],
        ended_at=row["disabled_at"],
        secrets=[SecretShown(**secret_fields(secret)) for secret in found.secrets],
    )
