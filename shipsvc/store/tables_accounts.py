"""What sign-ins leave behind: sessions, the tokens that renew them, and tries that failed.

Secrets are random and long; of each only the SHA-256 digest is kept, in hexadecimal.
"""

from datetime import datetime

from sqlmodel import Field, SQLModel


class SignInFailures(SQLModel, table=True):
    """Failed tries under one name or from one address, of which a digest is kept: people type passwords as names."""

    __tablename__ = "sign_in_failures"
    subject: str = Field(primary_key=True)
    failures: int
    last_at: datetime = Field(index=True)
    locked_until: datetime


class Session(SQLModel, table=True):
    """One sign-in, for as long as its tokens are good; ``address`` is where it came from, ``secret`` the id of the
    client's secret that opened it.
    """

    __tablename__ = "session"
    id: str = Field(primary_key=True)
    person: str = Field(index=True)
    client_id: str
    address: str
    started_at: datetime
    last_used_at: datetime
    expires_at: datetime = Field(index=True)
    ended_at: datetime | None = None
    secret: str | None = None
    #: Of what a browser keeps for the pages.
    cookie_digest: str | None = Field(default=None, unique=True)


class Client(SQLModel, table=True):
    """What signs in without a person: whose it is. It is a row of ``person`` and ``account`` too, and acts like one."""

    __tablename__ = "client"
    person: str = Field(primary_key=True)
    institution: str = Field(index=True)
    made_by: str


class ClientSecret(SQLModel, table=True):
    """What a client signs in with; several hold at once, so that one can take the place of another."""

    __tablename__ = "client_secret"
    id: str = Field(primary_key=True)
    client: str = Field(index=True)
    digest: str = Field(unique=True)
    label: str
    made_at: datetime
    made_by: str
    expires_at: datetime
    revoked_at: datetime | None = None
    revoked_by: str | None = None
    last_used_at: datetime | None = None


class Invitation(SQLModel, table=True):
    """Leave to choose a password, once; the row goes when it was used or replaced."""

    __tablename__ = "invitation"
    digest: str = Field(primary_key=True)
    person: str = Field(index=True)
    made_at: datetime
    expires_at: datetime
    made_by: str


class DevicePin(SQLModel, table=True):
    """What a person signs in with on one shared tablet, which the id of its client secret names."""

    __tablename__ = "device_pin"
    secret: str = Field(primary_key=True)
    person: str = Field(primary_key=True)
    hash: str
    made_at: datetime


class HandoverLink(SQLModel, table=True):
    """Leave to sign, once and without an account, for what one release handed over; ``person`` showed the link."""

    __tablename__ = "handover_link"
    digest: str = Field(primary_key=True)
    release: str = Field(index=True)
    person: str
    made_at: datetime
    expires_at: datetime
    used_at: datetime | None = None


class RefreshToken(SQLModel, table=True):
    """A token that renews a session, once."""

    __tablename__ = "refresh_token"
    digest: str = Field(primary_key=True)
    session: str = Field(index=True)
    issued_at: datetime
    expires_at: datetime
    spent_at: datetime | None = None
