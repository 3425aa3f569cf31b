"""What stands round a page of somebody who is signed in, and the moments that the page is asked about."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Final

from fastapi import Depends, Query

from shipsvc.app import documents, identity, report_pages
from shipsvc.app.access import Actor
from shipsvc.domain import errors, times
from shipsvc.web.deps import Work
from shipsvc.web.pages.rendering import Frame

_ASKED_MAX = 40


@dataclass(frozen=True)
class Typed:
    """The moments as they stand in the address: a day, which means its end, or a time with its offset; "" for now."""

    as_of: str
    known_on: str


#: All that stands at the top of a page, and what of it is for roles that have one step of the way.
ALL_STEPS: Final = frozenset("desk scan arriving loans shipments cases holdings things find".split())
STEPS: Final[Mapping[str, frozenset[str]]] = {
    "driver": frozenset({"scan", "shipments"}),
    "mail_room": frozenset({"scan", "arriving"}),
    "preparator": frozenset({"scan", "things", "find"}),
    "registrar": frozenset({"desk", "loans", "shipments", "cases", "things", "find"}),
    "witness": frozenset({"scan", "desk"}),
}
#: Nothing is asked about but now.
NOW: Final = Typed("", "")


def _typed(
    as_of: Annotated[str, Query(max_length=_ASKED_MAX)] = "",
    known_on: Annotated[str, Query(max_length=_ASKED_MAX)] = "",
) -> Typed:
    return Typed(as_of, known_on)


TypedDep = Annotated[Typed, Depends(_typed)]


def of(work: Work, typed: Typed) -> Frame:
    """The frame for whoever asks; NotATime for moments that are none."""
    now, actor = work.now(), work.actor
    who = identity.profile(work.connection, actor, now, actor.person)
    rows = documents.names(work.connection, actor.institutions, now)
    zone = str(rows[0]["zone"]) if rows else "UTC"
    return Frame(
        who.name,
        tuple(str(row["code"]) for row in rows),
        zone,
        _moment(typed.as_of, zone, "/as_of"),
        _moment(typed.known_on, zone, "/known_on"),
        actor.sees_all,
        now,
        steps_of(actor),
    )


def steps_of(actor: Actor) -> frozenset[str]:
    """The pages that stand at the top for somebody; those whose step is one of many find no others there."""
    held = {role for _, role in actor.roles}
    return frozenset(step for role in held for step in STEPS.get(role, ALL_STEPS)) or ALL_STEPS


def asked(work: Work, frame: Frame) -> report_pages.Asked:
    """The moments as reports take them."""
    return report_pages.asked(frame.as_of, frame.known_on, work.now())


def _moment(typed: str, zone: str, pointer: str) -> datetime | None:
    if not typed:
        return None
    try:
        if times.is_date(typed):
            return times.due_end(date.fromisoformat(typed), zone)
        return times.parse_instant(typed)
    except (errors.Malformed, ValueError) as error:
        raise errors.NotATime(typed=typed, pointer=pointer) from error
