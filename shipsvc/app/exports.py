"""A way out: facts page by page for whoever may read them, and what the service holds about the person who asks.

Items and loans leave by the page functions of their own modules, so that who may see what is decided there alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial

import sqlalchemy as sa

from shipsvc.app import facts
from shipsvc.app.access import Actor, sees
from shipsvc.app.facts import Wording
from shipsvc.store import facts as log
from shipsvc.store import files, ledger, role_changes, sessions
from shipsvc.store.documents import When
from shipsvc.store.engine import Row
from shipsvc.store.reads import AT_LAST


@dataclass(frozen=True)
class Told:
    """Something that was told: the row of the log with its note, and what it says, as far as may be read."""

    row: Row
    wording: Wording


@dataclass(frozen=True)
class FactPage:
    """Facts that may be read, and the id behind which to go on (None: there are no more). It may hold none at all."""

    facts: Sequence[Told]
    after: str | None


def fact_page(
    connection: sa.Connection, actor: Actor, when: When, now: datetime, *, after: str, limit: int
) -> FactPage:
    """What happened and was recorded by these moments, in the order of ids, as ``facts.read`` shows each."""
    about = partial(sees, actor)
    moments = {"happened_by": when.as_of, "recorded_by": when.known_on}
    ids = log.ids_about(connection, actor.institutions, about, **moments, after=after, limit=limit)
    found = [Told(row, wording) for row, wording in facts.told_among(connection, actor, ids, now)]
    return FactPage(found, ids[-1] if len(ids) == limit else None)


def moves(
    connection: sa.Connection, actor: Actor, when: When, *, after: tuple[str, str, int] | None, limit: int
) -> Sequence[Row]:
    """The ledger behind that key, as it was known: for whom its balances are, the owner's people and who sees all."""
    owners = None if actor.sees_all else actor.institutions
    return ledger.moves_page(connection, when.as_of, min(when.known_on, AT_LAST), owners, after, limit)


def own_facts(connection: sa.Connection, actor: Actor, *, after: str, limit: int) -> list[Told]:
    """What the person who asks told, for whichever institution, in the order of ids (rulings 16: for ever)."""
    return [Told(row, facts.as_told(row)) for row in log.told_by(connection, actor.person, after=after, limit=limit)]


def own_sessions(connection: sa.Connection, actor: Actor) -> Sequence[Row]:
    """Every session of the person who asks that is kept, also those that are over, the newest first."""
    return sessions.kept_of(connection, actor.person)


def own_files(connection: sa.Connection, actor: Actor) -> Sequence[Row]:
    """Every evidence file that the person who asks sent, oldest first, with its name."""
    return files.sent_by(connection, actor.person)


def own_roles(connection: sa.Connection, actor: Actor) -> Sequence[Row]:
    """Every role that the person who asks was given or lost."""
    return role_changes.of_person(connection, actor.person)
