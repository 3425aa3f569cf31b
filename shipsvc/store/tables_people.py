"""People, their roles, their ways of signing in, and the keys that tokens are signed with."""

from datetime import datetime

from sqlmodel import Field, SQLModel

from shipsvc.domain.clients import KINDS
from shipsvc.store.tables import ROLES, one_of


class Person(SQLModel, table=True):
    """Somebody who acts, or a client that does; all that names them lives in ``person_name`` and can be erased."""

    __tablename__ = "person"
    id: str = Field(primary_key=True)
    recorded_at: datetime
    kind: str
    __table_args__ = (one_of("kind", KINDS),)


class PersonName(SQLModel, table=True):
    """The erasable half of a person."""

    __tablename__ = "person_name"
    person: str = Field(primary_key=True)
    name: str
    email: str = ""


class Account(SQLModel, table=True):
    """How a person signs in."""

    __tablename__ = "account"
    person: str = Field(primary_key=True)
    login: str = Field(unique=True)
    password_hash: str
    disabled_at: datetime | None = None


class RoleChange(SQLModel, table=True):
    """A role given or taken at an institution, from a moment on."""

    __tablename__ = "role_change"
    person: str = Field(primary_key=True)
    institution: str = Field(primary_key=True)
    role: str = Field(primary_key=True)
    recorded_at: datetime = Field(primary_key=True)
    from_at: datetime
    granted: bool
    actor: str
    __table_args__ = (one_of("role", ROLES),)


class SigningKeyRow(SQLModel, table=True):
    """A key that access tokens are signed with."""

    __tablename__ = "signing_key"
    kid: str = Field(primary_key=True)
    private_pem: str
    created_at: datetime
    starts_at: datetime


class Secret(SQLModel, table=True):
    """A secret of the service that was made once, such as the key of the tags on labels, in hexadecimal."""

    __tablename__ = "secret"
    name: str = Field(primary_key=True)
    value: str
    created_at: datetime


class Replay(SQLModel, table=True):
    """The answer to a POST that carried an Idempotency-Key."""

    __tablename__ = "replay"
    person: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    request_digest: str
    status: int
    body: str
    recorded_at: datetime
