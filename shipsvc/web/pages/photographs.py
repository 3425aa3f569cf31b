"""Photographs on the page of a thing: copies made of the points alone, whoever sent them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice

from fastapi import APIRouter
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import FileResponse

from shipsvc.app import files
from shipsvc.domain import errors
from shipsvc.domain.files import IMAGES
from shipsvc.web import api_files
from shipsvc.web.deps import Work
from shipsvc.web.file_schemas import GUARDS
from shipsvc.web.history_schemas import HistoryEntry
from shipsvc.web.pages.session import Visit, VisitDep

router = APIRouter(include_in_schema=False)
#: The newest that stand on a page, and files that are looked at for them: papers are files, too.
SHOWN, LOOKED_AT = 6, 24


@dataclass(frozen=True)
class Photograph:
    """A photograph, and the newest fact that names it."""

    sha256: str
    fact: str
    kind: str
    happened_at: datetime
    by: str


def of(work: Work, told: Sequence[HistoryEntry]) -> list[Photograph]:
    """Those that the facts name and the reader may see, the newest first."""
    named: dict[str, Photograph] = {}
    for fact in sorted(told, key=lambda one: one.happened_at, reverse=True):
        for sha256 in sorted(files.hashes(fact.body) if fact.stands else ()):
            photograph = Photograph(sha256, fact.event_id, fact.kind, fact.happened_at, fact.acting_for)
            named.setdefault(sha256, photograph)
    return list(islice(_seen(work, list(named.values())[:LOOKED_AT]), SHOWN))


def _seen(work: Work, photographs: Sequence[Photograph]) -> Iterator[Photograph]:
    for one in photographs:
        try:
            found = files.find(work.connection, work.actor, one.sha256, work.now())
        except errors.NotFound:
            # Erased, not sent yet, or of somebody whose papers are not shown to this reader.
            continue
        if found.media_type in IMAGES:
            yield one


@router.get("/photographs/{sha256}")
async def photograph(visit: VisitDep, sha256: api_files.Digest) -> FileResponse:
    """The copy, to be shown: it holds no place, no camera, and nothing that a browser could run."""
    found = await run_in_threadpool(_find, visit, sha256)
    with api_files.folder():
        path = await api_files.path_of(visit.service, found)
    return FileResponse(path, media_type=found.media_type, headers=GUARDS)


def _find(visit: Visit, sha256: str) -> files.Readable:
    with visit.reading() as work:
        found = files.find(work.connection, work.actor, sha256, work.now())
    if found.media_type not in IMAGES or not visit.service.shelf.path(sha256).is_file():
        raise errors.NotFound(what="file", name=sha256)
    return replace(found, whole=False)
