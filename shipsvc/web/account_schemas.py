"""What requests and answers about one's own sign-ins look like in JSON."""

from typing import Annotated, Any

from pydantic import ConfigDict, Field, SecretStr

from shipsvc.store.engine import Row
from shipsvc.web.identity_schemas import PERSON, Email, Login, NewPassword, PersonId, RoleAt
from shipsvc.web.schemas import Instant, Strict, Words

SESSION = "b0a7e7a8-3a53-4bd0-9f0a-5d6f4c1f2a11"
SESSION_SHOWN: dict[str, Any] = {
    "session": SESSION,
    "client_id": "scanner",
    "address": "192.0.2.7",
    "started_at": "2026-11-20T08:00:00Z",
    "last_used_at": "2026-11-25T11:50:00Z",
    "expires_at": "2027-02-18T08:00:00Z",
    "ended_at": None,
    "is_this_one": True,
}

SessionId = Annotated[
    str,
    Field(
        pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$",
        description="The id of a session: `sid` in its access tokens",
        examples=[SESSION],
    ),
]


class SessionShown(Strict):
    """A session: one sign-in with all the tokens that came of it."""

    model_config = ConfigDict(json_schema_extra={"examples": [SESSION_SHOWN]})
    session: SessionId
    client_id: str = Field(description="The program that signed in", examples=["scanner"])
    address: str = Field(description="Where it signed in from; of IPv6 the network", examples=["192.0.2.7"])
    started_at: Instant = Field(description="When it signed in")
    last_used_at: Instant = Field(description="When it was last renewed")
    expires_at: Instant = Field(description="When it ends by itself")
    ended_at: Instant | None = Field(description="When it was ended", examples=["2026-11-25T12:00:00Z"])
    is_this_one: bool = Field(description="Whether the question came in it", examples=[True])


class SessionList(Strict):
    """Sessions, the newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"sessions": [SESSION_SHOWN]}]})
    sessions: list[SessionShown] = Field(description="Those that are open")


def session_shown(row: Row, current: str) -> SessionShown:
    """A session as an answer to a question that came in the session ``current``."""
    names = ("client_id", "address", "started_at", "last_used_at", "expires_at", "ended_at")
    return SessionShown(session=row["id"], is_this_one=row["id"] == current, **{name: row[name] for name in names})


def _examples(*said: dict[str, Any]) -> ConfigDict:
    return ConfigDict(json_schema_extra={"examples": list(said)})


class PasswordChange(Strict):
    """One's own new password."""

    model_config = _examples({"old_password": "the phrase until now", "new_password": "a phrase nobody guesses"})
    old_password: SecretStr = Field(
        max_length=1024, description="The password until now", examples=["the phrase until now"]
    )
    new_password: NewPassword


class PasswordChanged(Strict):
    """The password was changed, and every session has ended."""

    model_config = _examples({"changed_at": "2026-11-25T12:00:00Z"})
    changed_at: Instant = Field(description="When")


class PersonInvited(Strict):
    """Somebody who is to act through the service, and chooses the password themselves."""

    model_config = _examples(
        {
            "name": "M. Example",
            "email": "m.example@trp.example",
            "login": "m.example",
            "roles": [{"institution": "TRP", "role": "curator"}],
        }
    )
    name: Words = Field(description="As others are to read it; can be erased later", examples=["M. Example"])
    email: Email = ""
    login: Login
    roles: list[RoleAt] = Field(default_factory=list, max_length=100, description="Roles they have from now on")


class InvitationMade(Strict):
    """A link by which somebody chooses a password. It is told this once."""

    model_config = _examples(
        {
            "person": PERSON,
            "login": "m.example",
            "expires_at": "2026-12-02T12:00:00Z",
            "mailed": False,
            "link": "https://samples.trp.example/invitation#shi_9mK3vQ...",
        }
    )
    person: PersonId
    login: Login
    expires_at: Instant = Field(description="Until when it is good")
    mailed: bool = Field(description="Whether the mail server took it", examples=[False])
    link: str | None = Field(
        description="To be handed over, where it was not mailed",
        examples=["https://samples.trp.example/invitation#shi_9mK3vQ..."],
    )


class InvitationTaken(Strict):
    """The secret of a link, and the password that was chosen."""

    model_config = _examples({"token": "shi_9mK3vQ...", "password": "a phrase nobody guesses"})
    token: SecretStr = Field(
        min_length=1, max_length=200, description="What stands behind # in the link", examples=["shi_9mK3vQ..."]
    )
    password: NewPassword


class Accepted(Strict):
    """The password was chosen."""

    model_config = _examples({"login": "m.example"})
    login: Login
