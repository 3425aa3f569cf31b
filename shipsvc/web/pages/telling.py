"""Facts told by a form: what each kind asks for, and from the fields of a form to a fact as the API takes it."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from shipsvc.app.told import Told
from shipsvc.domain import codes, errors
from shipsvc.web.errors import Problem
from shipsvc.web.fact_schemas import read_fact

Json = dict[str, Any]


@dataclass(frozen=True)
class Asked:
    """A field of a form that becomes a member of the body of a fact."""

    name: str
    label: str
    required: bool = False
    hint: str = ""


@dataclass(frozen=True)
class Kind:
    """A kind of fact as people tell it: the words on its button, what it asks for, which hazards are in that step."""

    button: str
    asks: tuple[Asked, ...] = ()
    hazards: tuple[str, ...] = ()


_SHIPMENT: Final = Asked("shipment", "Shipment", hint="T-01")
_PLACE: Final = Asked("place", "Place", hint="TSI-N1")
_WORDS: Final = Asked("words", "In a few words")
KINDS: Final[Mapping[str, Kind]] = {
    "seen": Kind("Seen here", (_PLACE,)),
    "accepted": Kind("Accept", (Asked("from", "From", hint="CRK"), _SHIPMENT)),
    "released": Kind("Hand over", (Asked("to", "To", True, "CRK"), _SHIPMENT)),
    "stored": Kind("Put in store", (Asked("place", "Place", True, "TSI-N1"),), ("inert_gas", "liquid_nitrogen")),
    "taken_out": Kind("Take out", (_PLACE,), ("inert_gas", "liquid_nitrogen")),
    "packed": Kind("Pack", (Asked("into", "Into", True, "P-001-5"), _SHIPMENT), ("dry_ice", "pressure")),
    "unpacked": Kind("Unpack", (), ("dry_ice", "pressure")),
    "opened": Kind("Open", (_WORDS,), ("inert_gas", "pressure", "fine_dust")),
    "sealed": Kind("Seal", (Asked("seals", "Numbers of the seals", True, "S-1001 S-1002"),), ("dry_ice", "pressure")),
    "condition_noted": Kind("Note its condition", (Asked("words", "As found", True),)),
    "not_seen": Kind("Not there", (_PLACE,)),
    "found": Kind("Found again", (_PLACE,)),
}


def instant_in(typed: str, zone: str) -> str:
    """A local date and time as a form gives it, such as "2026-03-14T09:10:05", as RFC 3339 with the offset that holds
    there then. NotATime."""
    try:
        at = datetime.fromisoformat(typed)
    except ValueError as error:
        raise errors.NotATime(typed=typed, pointer="/time/raw") from error
    if at.tzinfo is not None or "T" not in typed:
        raise errors.NotATime(typed=typed, pointer="/time/raw")
    return at.replace(tzinfo=ZoneInfo(zone)).isoformat(timespec="seconds")


def local(at: datetime, zone: str) -> str:
    """A moment as a field of a form holds it."""
    return at.astimezone(ZoneInfo(zone)).replace(tzinfo=None).isoformat(timespec="seconds")


def body_of(kind: str, fields: Mapping[str, str]) -> Json:
    """The body of a fact by what was typed; empty fields are not said. Malformed for an ``into`` that is no number."""
    body: Json = {}
    for asked in KINDS[kind].asks:
        said = fields.get(asked.name, "").strip()
        if said:
            body[asked.name] = _said(asked.name, said)
    if fields.get("files", "").strip():
        body["files_sha256"] = fields["files"].split()
    return body


def _said(name: str, said: str) -> Any:
    if name == "seals":
        return said.replace(",", " ").split()
    # The outer one is scanned like any other thing, and named by its number alone.
    return codes.display(codes.parse_seen(said).number) if name == "into" else said


def checked(raw: Json) -> Told:
    """A fact, checked as the API checks it. Refused with all that is wrong."""
    found = read_fact(raw)
    if isinstance(found, Problem):
        raise Refused(found)
    return found


class Refused(Exception):
    """A fact does not have the shape that the API asks for."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem.detail)
