"""What requests and answers about one's own sign-ins look like in JSON."""

from typing import Annotated, Any

from pydantic import ConfigDict, Field

from shipsvc.store.engine import Row
from shipsvc.web.schemas import Instant, Strict

SESSION = "b0a7e7a8-3a53-4bd0-9f0a-5d6f4c1f2a11"
_SHOWN: dict[str, Any] = {
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

    model_config = ConfigDict(json_schema_extra={"examples": [_SHOWN]})
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

    model_config = ConfigDict(json_schema_extra={"examples": [{"sessions": [_SHOWN]}]})
    sessions: list[SessionShown] = Field(description="Those that are open")


def session_shown(row: Row, current: str) -> SessionShown:
    """A session as an answer to a question that came in the session ``current``."""
    names = ("client_id", "address", "started_at", "last_used_at", "expires_at", "ended_at")
    return SessionShown(session=row["id"], is_this_one=row["id"] == current, **{name: row[name] for name in names})
