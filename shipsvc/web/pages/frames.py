"""What stands round a page of somebody who is signed in, and the moments that the page is asked about."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Final

from fastapi import Depends, Query

from shipsvc.app import documents, identity, report_pages
from shipsvc.domain import errors, times
from shipsvc.web.deps import Work
from shipsvc.web.pages.rendering import Frame

_ASKED_MAX = 40


@dataclass(frozen=True)
class Typed:
    """The moments as they stand in the address: a day, which means its end, or a time with its offset; "" for now."""

    as_of: str
    known_on: str


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
    )


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
