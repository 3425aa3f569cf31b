"""Looking people up by name, and by the roles that they have now."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from shipsvc.store.engine import Row, rows
from shipsvc.store.people import ACCOUNT, CHANGE, NAME, PERSON, Roles


@dataclass(frozen=True)
class Sought:
    """Who is looked for: a part of their name, an institution and a role that they have; None stands for any."""

    name: str | None = None
    institution: str | None = None
    role: str | None = None


def page(
    connection: sa.Connection,
    sought: Sought,
    among: Collection[str] | None,
    now: datetime,
    *,
    after: str,
    limit: int,
) -> Sequence[Row]:
    """Up to ``limit`` people in the order of their ids, behind ``after``, with name, email and the end of the account.

    With ``among``, only those who have a role now at one of these institutions.
    """
    wanted = (
        sa.select(PERSON.c.id, PERSON.c.kind, PERSON.c.recorded_at, NAME.c.name, NAME.c.email, ACCOUNT.c.disabled_at)
        .select_from(
            PERSON.outerjoin(NAME, NAME.c.person == PERSON.c.id).outerjoin(ACCOUNT, ACCOUNT.c.person == PERSON.c.id)
        )
        .where(PERSON.c.id > after)
        .order_by(PERSON.c.id)
        .limit(limit)
    )
    if among is not None:
        wanted = wanted.where(_has(now, CHANGE.c.institution.in_(among)))
    if sought.name is not None:
        wanted = wanted.where(_is_called(sought.name))
    asked = ((CHANGE.c.institution, sought.institution), (CHANGE.c.role, sought.role))
    given = [column == value for column, value in asked if value is not None]
    return rows(connection, wanted.where(_has(now, *given)) if given else wanted)


def roles_of(connection: sa.Connection, people: Collection[str], now: datetime) -> dict[str, Roles]:
    """The (institution, role) pairs that each of the people has now."""
    wanted = sa.select(CHANGE.c.person, CHANGE.c.institution, CHANGE.c.role).where(
        CHANGE.c.person.in_(people), _holds(now)
    )
    found: dict[str, set[tuple[str, str]]] = {person: set() for person in people}
    for person, institution, role in connection.execute(wanted):
        found[person].add((institution, role))
    return {person: frozenset(pairs) for person, pairs in found.items()}


def _is_called(part: str) -> sa.ColumnElement[bool]:
    """Both sides are folded by the database, so that what it takes for small letters is the same for both."""
    pattern = "%" + part.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_") + "%"
    return sa.func.lower(NAME.c.name).like(sa.func.lower(pattern), escape="\\")


def _has(now: datetime, *clauses: sa.ColumnElement[bool]) -> sa.ColumnElement[bool]:
    return sa.exists().where(CHANGE.c.person == PERSON.c.id, _holds(now), *clauses)


def _holds(now: datetime) -> sa.ColumnElement[bool]:
    """A clause: the change gives a role that holds now. Of the changes that have begun, the one told last decides."""
    later = CHANGE.alias("later")
    same = [later.c[name] == CHANGE.c[name] for name in ("person", "institution", "role")]
    overtaken = sa.exists().where(*same, later.c.from_at <= now, later.c.recorded_at > CHANGE.c.recorded_at)
    return sa.and_(CHANGE.c.granted, CHANGE.c.from_at <= now, ~overtaken)
