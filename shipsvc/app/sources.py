"""Loggers and fixed sensors: documents as balances are, and the checks of their clocks.

Whoever may speak for the institution of a source, or for one that its document names as a reader, may send what it
recorded and tell how its clock stood; its document is kept by the curators and registrars of its institution.
"""

import uuid
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import documents
from shipsvc.app.access import READERS, Actor
from shipsvc.app.documents import PLACE, Kind, Told, When, asked
from shipsvc.domain import clocks, errors
from shipsvc.domain.clocks import ClockCheck, Correction
from shipsvc.domain.quantities import units
from shipsvc.domain.times import local_date
from shipsvc.store import documents as stored
from shipsvc.store import locks, readings
from shipsvc.store.engine import Row
from shipsvc.store.tables import FOREVER, table
from shipsvc.store.tables_readings import Layout, Source

RUNS_BACK: Final = "clock_runs_back"


@dataclass(frozen=True)
class SourceKind(Kind):
    """Sources are seen by those who may send what they recorded, too."""

    def visible(self, actor: Actor) -> sa.ColumnElement[bool] | None:
        """A clause: the actor may see a version; None where everybody may."""
        seen = super().visible(actor)
        readers = sa.literal(" ") + self.chain.c.readers + " "
        also = [readers.contains(f" {one} ", autoescape=True) for one in sorted(actor.institutions)]
        return None if seen is None else sa.or_(seen, *also)


SOURCE = SourceKind("source", table(Source), "institution")
LAYOUT = Kind("layout", table(Layout), "institution")


def create(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    kind: SourceKind,
    code: str,
    content: Mapping[str, Any],
    told: Told,
) -> Row:
    """The first version of a source. As ``documents.create``; NotFound too for a place or layout that is not there."""
    _check(connection, now, content, content["institution"])
    return documents.create(connection, actor, now, kind, code, content, told)


def change(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    kind: SourceKind,
    code: str,
    follows: Collection[int] | None,
    content: Mapping[str, Any],
    told: Told,
) -> Row:
    """The next version. As ``documents.change``; a logger hangs nowhere and a sensor somewhere, for good."""
    newest = stored.newest(connection, kind.chain, code, kind.visible(actor))
    if newest is not None:
        _check(connection, now, {**newest, **content}, newest["institution"])
    return documents.change(connection, actor, now, kind, code, follows, content, told)


def _check(connection: sa.Connection, now: datetime, content: Mapping[str, Any], owner: str) -> None:
    if (content["kind"] == "sensor") != (content["place"] is not None):
        why = "a sensor hangs in a place: name it. A logger travels: facts tell where it is, not its document."
        raise errors.Malformed(why=why, pointer="/place")
    for quantity in content["quantities"].split():
        units(quantity)
    when = asked(None, None, now)
    if content["place"] is not None:
        place = stored.in_force(connection, PLACE.chain, content["place"], when)
        if place is None or place["institution"] != owner:
            raise errors.NotFound(what="place", name=content["place"], pointer="/place")
    if content["layout"] is not None and stored.newest(connection, LAYOUT.chain, content["layout"]) is None:
        raise errors.NotFound(what="layout", name=content["layout"], pointer="/layout")
    for reader in content["readers"].split():
        documents.require_institution(connection, reader, "/readers")


def lapsed(row: Mapping[str, Any], at: datetime) -> bool:
    """Whether the calibration of a source is over at an instant, by the days of its own zone. Its values stay as they
    are: this is said beside them."""
    return row["good_until"] is not None and local_date(at, row["zone"]) > row["good_until"]


def found(connection: sa.Connection, actor: Actor, code: str) -> Row:
    """The newest version of a source; NotFound where the actor may not see it."""
    row = stored.newest(connection, SOURCE.chain, code, SOURCE.visible(actor))
    if row is None:
        raise errors.NotFound(what="source", name=code)
    return row


def may_send(connection: sa.Connection, actor: Actor, code: str, *, devices: bool = True) -> Row:
    """The source, if the actor may send what it recorded; NotFound or NotYourInstitution else. A device sends readings
    and nothing else: without ``devices`` it must be somebody who answers for what they tell."""
    row = found(connection, actor, code)
    theirs = {row["institution"], *row["readers"].split()}
    silent = READERS if devices else READERS | {"device"}
    if not any(where in theirs and role not in silent for where, role in actor.roles):
        raise errors.NotYourInstitution(institution=row["institution"], pointer="")
    return row


# ------------------------------------------------------------------------------------------------------- clock checks
@dataclass(frozen=True)
class CheckShown:
    """A check as it stands: its row, how far the clock was fast, and what to look at."""

    row: Row
    offset: timedelta
    marks: tuple[str, ...]


@dataclass(frozen=True)
class ClockShown:
    """All checks of a source in force, and the correction of each of its runs."""

    checks: Sequence[CheckShown]
    corrections: Mapping[str, Correction]


def check_clock(
    connection: sa.Connection, actor: Actor, now: datetime, code: str, said: Mapping[str, Any]
) -> CheckShown:
    """Tell what the logger showed at a true time. NotFound, NotYourInstitution."""
    may_send(connection, actor, code, devices=False)
    locks.hold(connection, f"clock {code}")
    return _tell(connection, actor, now, code, {**said, "id": str(uuid.uuid4()), "amends": None, "withdrawn": False})


def amend_check(
    connection: sa.Connection,
    actor: Actor,
    now: datetime,
    code: str,
    original: str,
    expected: str | None,
    said: Mapping[str, Any],
) -> CheckShown:
    """Tell that a check was otherwise, or withdraw it (``withdrawn``). ``expected`` is the newest amendment seen.

    NotFound for no such check of this source; AmendsAnAmendment; AmendedMeanwhile.
    """
    may_send(connection, actor, code, devices=False)
    locks.hold(connection, f"clock {code}")
    told = readings.clock_checks(connection, code, FOREVER)
    by_id = {row["id"]: row for row in told}
    if original not in by_id:
        raise errors.NotFound(what="clock check", name=original)
    first = by_id[original]
    if first["amends"]:
        raise errors.AmendsAnAmendment(id=original, original=first["amends"])
    newest = next((row["id"] for row in reversed(told) if row["amends"] == original), None)
    if newest != expected:
        raise errors.AmendedMeanwhile(id=original, newest=newest)
    row = {"run": first["run"], "logger_at": first["logger_at"], "true_at": first["true_at"], **said}
    return _tell(connection, actor, now, code, {**row, "id": str(uuid.uuid4()), "amends": original})


def _tell(connection: sa.Connection, actor: Actor, now: datetime, code: str, row: Mapping[str, Any]) -> CheckShown:
    told = readings.clock_checks(connection, code, FOREVER)
    recorded_at = max([now, *(one["recorded_at"] + documents.TICK for one in told)])
    complete = {**row, "source": code, "recorded_at": recorded_at, "actor": actor.person}
    readings.add_clock_check(connection, complete)
    return _shown(complete, readings.in_force([*told, complete]))


def _shown(row: Row, standing: Sequence[Row]) -> CheckShown:
    own = ClockCheck(row["logger_at"], row["true_at"])
    others = [_check_of(one) for one in standing if one["run"] == row["run"] and one["id"] != row["id"]]
    back = not row["withdrawn"] and any(clocks.runs_back([own, other]) for other in others)
    return CheckShown(row, own.offset, (RUNS_BACK,) if back else ())


def _check_of(row: Row) -> ClockCheck:
    return ClockCheck(row["logger_at"], row["true_at"])


def clock(connection: sa.Connection, actor: Actor, code: str, when: When) -> ClockShown:
    """How the clock of a source stood, by what was told by ``known_on``. NotFound."""
    found(connection, actor, code)
    standing = readings.in_force(readings.clock_checks(connection, code, when.known_on))
    fixes = readings.corrections(connection, [code], when.known_on)
    return ClockShown([_shown(row, standing) for row in standing], {run: fix for (_, run), fix in fixes.items()})
