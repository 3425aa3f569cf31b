"""Rows of evidence files: uploads with their names, and the facts that name them."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from shipsvc.store.among import among
from shipsvc.store.engine import Row, rows
from shipsvc.store.events import EVENT
from shipsvc.store.tables import table
from shipsvc.store.tables_files import EventFile, EvidenceFile, FileErasure, FileName

FILE = table(EvidenceFile)
NAME = table(FileName)
EVENT_FILE = table(EventFile)
ERASURE = table(FileErasure)
_SAME = sa.and_(NAME.c.sha256 == FILE.c.sha256, NAME.c.institution == FILE.c.institution)
_ADD: Mapping[str, sa.Insert] = {
    "postgresql": postgresql.insert(FILE).on_conflict_do_nothing(),
    "sqlite": sqlite.insert(FILE).on_conflict_do_nothing(),
}
_ADD_NAME: Mapping[str, sa.Insert] = {
    "postgresql": postgresql.insert(NAME).on_conflict_do_nothing(),
    "sqlite": sqlite.insert(NAME).on_conflict_do_nothing(),
}
_UPLOADS = (
    sa.select(FILE, NAME.c.name)
    .select_from(FILE.outerjoin(NAME, _SAME))
    .order_by(FILE.c.recorded_at, FILE.c.institution)
)
_THERE = sa.select(NAME.c.sha256).where(among(NAME.c.sha256), NAME.c.institution == sa.bindparam("institution"))
_NAME_THEM = sa.insert(EVENT_FILE)


def add(connection: sa.Connection, upload: Mapping[str, Any], name: str) -> bool:
    """Note an upload and its name, unless the institution has uploaded the same bytes before; whether it is new, or
    anew what was erased."""
    connection.execute(_ADD[connection.dialect.name], upload)
    key = {"sha256": upload["sha256"], "institution": upload["institution"]}
    added = connection.execute(_ADD_NAME[connection.dialect.name].returning(NAME.c.sha256), {**key, "name": name})
    return added.first() is not None


def erase(connection: sa.Connection, erasure: Mapping[str, Any]) -> None:
    """Remove the name that an institution's file had, and note who had it removed, when and why."""
    mine = (NAME.c.sha256 == erasure["sha256"], NAME.c.institution == erasure["institution"])
    connection.execute(sa.delete(NAME).where(*mine))
    connection.execute(sa.insert(ERASURE), erasure)


def is_named(connection: sa.Connection, sha256: str) -> bool:
    """Whether some institution still keeps this file: a file without any name is erased."""
    return connection.execute(sa.select(NAME.c.sha256).where(NAME.c.sha256 == sha256).limit(1)).first() is not None


def uploads(connection: sa.Connection, sha256: str, institutions: Collection[str] | None = None) -> Sequence[Row]:
    """Uploads of these bytes by the institutions (None: by any), oldest first, with ``name`` (None where erased)."""
    wanted = _UPLOADS.where(FILE.c.sha256 == sha256)
    return rows(connection, wanted if institutions is None else wanted.where(FILE.c.institution.in_(institutions)))


def sent_by(connection: sa.Connection, person: str) -> Sequence[Row]:
    """Uploads of a person, for whichever institution, oldest first, with ``name``."""
    return rows(connection, _UPLOADS.where(FILE.c.actor == person))


def uploaded(connection: sa.Connection, some: Collection[str], institution: str) -> set[str]:
    """Those of the hashes that the institution has uploaded and not erased."""
    found = connection.execute(_THERE, {"some": list(some), "institution": institution})
    return set(found.scalars())


def name_them(connection: sa.Connection, pairs: Iterable[tuple[str, str]]) -> None:
    """Note which facts name which files, as (event id, hash)."""
    found = [{"event_id": event_id, "sha256": sha256} for event_id, sha256 in sorted(set(pairs))]
    if found:
        connection.execute(_NAME_THEM, found)


def named_by(connection: sa.Connection, sha256: str, after: str, limit: int) -> list[str]:
    """Ids, in order and behind ``after``, of facts that name a file which the institution that they were told for has
    uploaded and not erased.

    Others may name any hash that they have heard of: that must not open a file to them, nor tell them that it is there.
    """
    wanted = (
        sa.select(EVENT_FILE.c.event_id)
        .select_from(
            EVENT_FILE.join(EVENT, EVENT.c.id == EVENT_FILE.c.event_id).join(
                NAME, sa.and_(NAME.c.sha256 == EVENT_FILE.c.sha256, NAME.c.institution == EVENT.c.acting_for)
            )
        )
        .where(EVENT_FILE.c.sha256 == sha256, EVENT_FILE.c.event_id > after)
        .order_by(EVENT_FILE.c.event_id)
    )
    return list(connection.execute(wanted.limit(limit)).scalars())
