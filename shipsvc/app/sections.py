"""The account of a section, for whoever may see how it stands."""

import sqlalchemy as sa

from shipsvc.app import items
from shipsvc.app.access import Actor
from shipsvc.domain import codes, errors
from shipsvc.domain.sections import BEGINS, CHANGES, Act, Section, account
from shipsvc.store import events, sections
from shipsvc.store.documents import When


def of(connection: sa.Connection, actor: Actor, typed: str, when: When) -> tuple[str, Section]:
    """The number of a section and its account at a moment. Nothing of it is stored: it follows from what was told.

    Raises as ``items.find`` does; NotFound where it is not theirs to see then, or is no section.
    """
    found = items.find(connection, actor, typed)
    items.require_state(connection, actor, found, when.as_of)
    acts = []
    for row in sections.told(connection, found.number, BEGINS | CHANGES, when):
        kind, _, body = events.content(row)
        acts.append(Act(row["original_id"], kind, row["happened_at"], body))
    section = account(found.number, acts)
    if section is None:
        raise errors.NotFound(what="account of area and thickness of", name=codes.display(found.number))
    return found.number, section
