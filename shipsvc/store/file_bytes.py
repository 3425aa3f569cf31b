"""The bytes of evidence files: a folder in which each is found by its SHA-256.

A file is written under a passing name, made durable, and only then given its own name by a rename, which is whole or
not at all. The row that tells of it is committed after that: a crash in between leaves bytes that nobody knows of,
never a row without bytes.
"""

import hashlib
import os
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

from shipsvc.domain import errors

#: Where uploads grow, on the same file system as their places.
INCOMING: Final = "incoming"
#: Beside an image its copy without metadata, for everybody but its uploader.
COPY: Final = ".copy"
CHUNK_BYTES: Final = 1 << 18


class Incoming:
    """A file on its way in. To be used by one thread at a time; ``discard`` it in the end, whatever happens."""

    def __init__(self, path: Path, bytes_max: int) -> None:
        self.path = path
        self.copy_path = path.with_name(f"{path.name}{COPY}")
        self.size_bytes = 0
        self._bytes_max = bytes_max
        self._hash = hashlib.sha256()
        self._file: BinaryIO = os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb", buffering=0)

    @property
    def sha256(self) -> str:
        """The digest of what was written so far, in hexadecimal (FIPS 180-4)."""
        return self._hash.hexdigest()

    def write(self, data: bytes) -> None:
        """Append. TooMuch where the file becomes larger than is taken; nothing of ``data`` is written then."""
        self.size_bytes += len(data)
        if self.size_bytes > self._bytes_max:
            raise errors.TooMuch(what="The file", limit=errors.Text("{bytes} bytes", bytes=self._bytes_max))
        self._hash.update(data)
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) :]

    def seal(self) -> None:
        """Nothing more comes: the bytes are on the disk when this returns."""
        os.fsync(self._file.fileno())
        self._file.close()

    def discard(self) -> None:
        """Remove what is left of it under its passing names; harmless after ``Shelf.keep``."""
        self._file.close()
        self.path.unlink(missing_ok=True)
        self.copy_path.unlink(missing_ok=True)


@dataclass(frozen=True)
class Shelf:
    """The folder of evidence files, and the size of the largest. The folder is made with the first upload."""

    root: Path
    bytes_max: int

    def path(self, sha256: str) -> Path:
        """Where the file with this digest is, if it is there."""
        return self.root / sha256[:2] / sha256[2:4] / sha256

    def copy_path(self, sha256: str) -> Path:
        """Where its copy without metadata is, if there is one."""
        return self.path(sha256).with_name(f"{sha256}{COPY}")

    def begin(self) -> Incoming:
        """An empty file to write into. OSError where the folder cannot be written to."""
        return Incoming(self.scratch(), self.bytes_max)

    def scratch(self) -> Path:
        """A name for something passing, where nothing is yet."""
        folder = self.root / INCOMING
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return folder / secrets.token_hex(16)

    def keep(self, incoming: Incoming) -> None:
        """Put a sealed file and its copy, if one was made, in their places; they are there for good on return.

        Where the same bytes are there already they take their place, which changes nothing, or mends a damaged disk.
        """
        target = self.path(incoming.sha256)
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        if incoming.copy_path.exists():
            self.keep_copy(incoming.sha256, incoming.copy_path)
        incoming.path.replace(target)
        for folder in (target.parent, target.parent.parent, self.root, self.root.parent):
            _sync(folder)

    def keep_copy(self, sha256: str, made: Path) -> None:
        """Put the copy of an image in its place, from a file in the same folder tree."""
        _sync(made)
        made.replace(self.copy_path(sha256))

    def set_aside(self, sha256: str) -> Path | None:
        """Take a file out of its place, and remove its copy; where it is then, or None where it was not there."""
        aside = self.scratch()
        self.copy_path(sha256).unlink(missing_ok=True)
        try:
            return self.path(sha256).rename(aside)
        except FileNotFoundError:
            return None

    def put_back(self, sha256: str, aside: Path) -> None:
        """Undo that; the copy is made again when somebody asks for it."""
        aside.replace(self.path(sha256))

    def digests(self) -> Iterator[str]:
        """Of all files in their places, by their names."""
        for path in sorted(self.root.glob("??/??/*")):
            if path.suffix != COPY:
                yield path.name

    def unfinished(self) -> list[str]:
        """Names of uploads under way, or broken off."""
        return sorted(path.name for path in self.root.glob(f"{INCOMING}/*"))

    def digest(self, sha256: str) -> str | None:
        """The digest of what is really in the place of a file; None where nothing is."""
        try:
            with self.path(sha256).open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        except FileNotFoundError:
            return None


def pieces(path: Path) -> Iterator[bytes]:
    """A file, piece by piece."""
    with path.open("rb") as file:
        while piece := file.read(CHUNK_BYTES):
            yield piece


def _sync(path: Path) -> None:
    """Let what is there, or for a folder which names are there, survive a power cut."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
