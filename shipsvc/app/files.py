"""Evidence: who may keep a file, who may read it, and which facts name one that is not there.

The institution that uploaded a file reads what it sent, byte by byte. So may read it, as a copy without what the camera
wrote into it, whoever reads its hash in a fact of that institution, and whoever sees all.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import case_access, facts, file_types, images
from shipsvc.app.access import READERS, Actor
from shipsvc.domain import errors
from shipsvc.domain.files import IMAGES, served_name
from shipsvc.domain.files import safe_name as safe_name
from shipsvc.store import files
from shipsvc.store.engine import Row
from shipsvc.store.file_bytes import Incoming as Incoming
from shipsvc.store.file_bytes import Shelf as Shelf  # the edge asks by it
from shipsvc.store.file_bytes import pieces as pieces

#: Facts that are looked through at a time for one that the reader may read.
FACTS_AT_ONCE: Final = 50


@dataclass(frozen=True)
class Kept:
    """The first upload of these bytes by the institution, with ``name``; ``is_new``: it is this one."""

    row: Row
    is_new: bool


@dataclass(frozen=True)
class Readable:
    """A file that may be read: as it was sent (``whole``), or as a copy where it is an image; and under which name."""

    sha256: str
    media_type: str
    whole: bool
    name: str

    @property
    def as_copy(self) -> bool:
        """Whether the copy without metadata is to be handed out."""
        return not self.whole and self.media_type in IMAGES


def may_upload(actor: Actor) -> None:
    """Raise unless there is an institution that the actor may tell facts for; asked before anything is read."""
    if all(role in READERS for _, role in actor.roles):
        raise errors.NotAllowed


def inspect(incoming: Incoming) -> str:
    """The media type of a sealed file, by its content; of an image the copy without metadata is made beside it.

    WrongType where it is none that is kept, or cannot be drawn. It may take seconds and half a GB for a large image.
    """
    found = file_types.media_type(incoming.path)
    if found in IMAGES:
        images.copy_without_metadata(incoming.path, incoming.copy_path, found)
    return found


def keep(
    connection: sa.Connection, actor: Actor, now: datetime, incoming: Incoming, media_type: str, name: str, for_: str
) -> Kept:
    """Tell that the institution has uploaded a file, whose bytes are in their place; again is harmless."""
    actor.may_speak_for(for_)
    upload = {
        "sha256": incoming.sha256,
        "institution": for_,
        "size_bytes": incoming.size_bytes,
        "media_type": media_type,
        "recorded_at": now,
        "actor": actor.person,
    }
    is_new = files.add(connection, upload, safe_name(name))
    (row,) = files.uploads(connection, incoming.sha256, [for_])
    return Kept(row, is_new)


def erase(
    connection: sa.Connection, actor: Actor, now: datetime, sha256: str, for_: str, because: str
) -> Mapping[str, Any]:
    """The institution keeps its file no longer; its upload, without the name. Again is harmless.

    The bytes are taken away after the commit, by ``take_away``. NotFound where the institution has sent no such file.
    """
    actor.must_be(for_, "curator", "registrar", "responsible")
    own = files.uploads(connection, sha256, [for_])
    if not own:
        raise errors.NotFound(what="file", name=sha256)
    if own[0]["name"] is not None:
        told = {"recorded_at": now, "actor": actor.person, "because": because}
        files.erase(connection, {"sha256": sha256, "institution": for_, **told})
    return {**own[0], "name": None}


def take_away(still_kept: Callable[[], bool], shelf: Shelf, sha256: str) -> None:
    """Remove the bytes of a file that nobody keeps any longer, as ``still_kept`` says each time that it is asked.

    Asked again once they are set aside: somebody may be sending the same file at this moment. Whoever does looks for
    them after the commit.
    """
    if still_kept():
        return
    aside = shelf.set_aside(sha256)
    if aside is not None and still_kept():
        shelf.put_back(sha256, aside)
    elif aside is not None:
        aside.unlink()


def is_kept(connection: sa.Connection, sha256: str) -> bool:
    """Whether some institution keeps this file."""
    return files.is_named(connection, sha256)


def find(connection: sa.Connection, actor: Actor, sha256: str, now: datetime) -> Readable:
    """The file with this hash. NotFound where there is none, or none that the actor may read: the two look alike."""
    own = files.uploads(connection, sha256, actor.institutions)
    named = [row for row in own if row["name"] is not None]
    if named:
        row = named[0]
        return Readable(sha256, row["media_type"], whole=True, name=served_name(row["name"], row["media_type"]))
    if not (actor.sees_all or _reads_its_hash(connection, actor, sha256, now)):
        raise errors.NotFound(what="file", name=sha256)
    anybodys = [row for row in files.uploads(connection, sha256) if row["name"] is not None]
    if not anybodys:
        raise errors.NotFound(what="file", name=sha256)
    # What the sender called it may say where it was taken, too.
    media_type = anybodys[0]["media_type"]
    return Readable(sha256, media_type, whole=False, name=served_name(sha256[:12], media_type))


def _reads_its_hash(connection: sa.Connection, actor: Actor, sha256: str, now: datetime) -> bool:
    """Whether a fact, or an entry of a case, that its uploader told shows the actor this hash (rulings 16: others'
    papers are not shown)."""
    if case_access.shows_file(connection, actor, sha256, now):
        return True
    after = ""
    while ids := files.named_by(connection, sha256, after, FACTS_AT_ONCE):
        told = facts.told_among(connection, actor, ids, now)
        if any(sha256 in hashes(wording.body) for _, wording in told):
            return True
        after = ids[-1]
    return False


# --------------------------------------------------------------------------------------------------- facts with files
def hashes(body: Mapping[str, Any]) -> set[str]:
    """Of the files that the body of a fact names, or of what an amendment puts in the place of another."""
    own = body.get("files_sha256") or ()
    inner = (body.get("replacement") or {}).get("body") or {}
    return {*own, *hashes(inner)} if inner else set(own)


def missing(connection: sa.Connection, body: Mapping[str, Any], acting_for: str) -> str | None:
    """Which of the named files the institution has not uploaded yet, in words; None where all are there.

    What others have uploaded does not count: nobody is to learn of that.
    """
    named = hashes(body)
    absent = named - files.uploaded(connection, named, acting_for) if named else named
    return ", ".join(sorted(absent)) or None


def note_names(connection: sa.Connection, rows: Sequence[Mapping[str, Any]]) -> None:
    """Note which files new rows of the log name."""
    naming = [row for row in rows if "files_sha256" in row["body"]]
    files.name_them(connection, [(row["id"], one) for row in naming for one in hashes(json.loads(row["body"]))])
