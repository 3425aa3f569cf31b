"""Evidence files: whether the bytes of each are there and are what was sent, and which facts name which."""

import json
import re
from collections.abc import Iterator
from itertools import groupby

import sqlalchemy as sa

from shipsvc.app.fsck_log import Finding
from shipsvc.store import fsck_reads
from shipsvc.store.file_bytes import Shelf

_NAMED = re.compile(r'"files_sha256":\[([^\]]*)\]')


def check(connection: sa.Connection, shelf: Shelf) -> Iterator[Finding]:
    """All that is not as the rows say; every file is read. A file whose names are all erased is to be gone."""
    for sha256, uploads in groupby(fsck_reads.evidence(connection), key=lambda row: str(row["sha256"])):
        rows = list(uploads)
        found, erased = shelf.digest(sha256), all(row["name"] is None for row in rows)
        if erased and found is not None:
            yield Finding("the file was erased and is still there; erase it again", f"file {sha256}")
        elif erased:
            continue
        elif found is None:
            yield Finding("the file is not there", f"file {sha256}", "its bytes", None)
        elif found != sha256:
            yield Finding("the file is not the one that was sent", f"file {sha256}", sha256, found)
        elif {row["size_bytes"] for row in rows} != {shelf.path(sha256).stat().st_size}:
            yield Finding("the size is not that of the file", f"file {sha256}", shelf.path(sha256).stat().st_size)
    yield from _names(connection)


def leftovers(connection: sa.Connection, shelf: Shelf) -> list[str]:
    """Bytes that no row tells of: of uploads that are under way, or broke off. They do no harm, and may be removed."""
    known = {str(row["sha256"]) for row in fsck_reads.evidence(connection)}
    return [*(digest for digest in shelf.digests() if digest not in known), *shelf.unfinished()]


def _names(connection: sa.Connection) -> Iterator[Finding]:
    expected = {
        (str(row["id"]), sha256)
        for row in fsck_reads.naming(connection)
        # Canonical JSON has nothing between, and no text in it has an unescaped quotation mark.
        for said in _NAMED.findall(row["body"])
        for sha256 in json.loads(f"[{said}]")
    }
    written = fsck_reads.named_files(connection)
    for event_id, sha256 in sorted(expected ^ written):
        missing = (event_id, sha256) in expected
        yield Finding(
            "what event_file notes is not what the fact says",
            f"fact {event_id}",
            sha256 if missing else None,
            None if missing else sha256,
        )
