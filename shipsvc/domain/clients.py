"""What signs in without a person: a partner's own program (service), a logger or scanner (device)."""

from datetime import datetime, timedelta

from shipsvc.domain import errors

PERSON, SERVICE, DEVICE = "person", "service", "device"
#: What acts: somebody, or one of the two kinds of client.
KINDS = (PERSON, SERVICE, DEVICE)
#: Roles of those who answer for something themselves, or whose word is good because they are somebody else.
OF_PEOPLE = frozenset({"administrator", "deputy", "responsible", "witness"})
#: How long a secret is good unless said otherwise, and at most.
SECRET_LASTS = timedelta(days=365)
SECRET_LASTS_MAX = timedelta(days=400)


def require_fitting(kind: str, owner: str, institution: str, role: str) -> None:
    """Raise RuleForbids unless a client of this kind and owner may have the role at the institution."""
    if institution != owner:
        raise errors.RuleForbids(why=f"this client acts for {owner} alone. Make another one for {institution}.")
    if (kind == DEVICE) != (role == "device"):
        raise errors.RuleForbids(why="a device has the role of device and no other, a service any but that.")
    if role in OF_PEOPLE:
        raise errors.RuleForbids(why=f"the role of {role} is for people.")


def secret_end(now: datetime, asked: datetime | None) -> datetime:
    """When a secret that is made now ends; RuleForbids if that is past, or too far away."""
    end = asked or now + SECRET_LASTS
    if not now < end <= now + SECRET_LASTS_MAX:
        raise errors.RuleForbids(why=f"a secret ends after now, and within {SECRET_LASTS_MAX.days} days.")
    return end
