"""SenML as it is measured: lines come in one by one and are committed in pieces, so that whatever breaks off goes on.

A stream has a name, and its lines are counted from 0. Each piece of it is an upload of its own: kept, hashed, read and
counted as a file is. What was committed before is passed over when it comes again.
"""

import contextlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import sqlalchemy as sa

from shipsvc.app import sources
from shipsvc.app.access import Actor
from shipsvc.app.reading_senml import record
from shipsvc.app.uploads import LINES, Sent
from shipsvc.domain import errors
from shipsvc.domain.senml import Resolver
from shipsvc.store import uploads

#: Lines of a piece, and seconds after which a smaller one is committed all the same.
PIECE_LINES: Final = 1000
PIECE_S: Final = 5.0
LINE_BYTES_MAX: Final = 1 << 16


@dataclass(frozen=True)
class Piece:
    """Lines that are to be committed together: their bytes, the number of the first, the base fields in force there."""

    content: bytes
    first_line: int
    lines: int
    base: Mapping[str, Any]

    def sent(self, sha256: str, stream: str, run: str) -> Sent:
        """The piece as an upload."""
        base = json.dumps(self.base, sort_keys=True) if self.base else ""
        named = f"{stream} from line {self.first_line}"
        return Sent(sha256, len(self.content), LINES, run, named, None, stream, self.first_line, base, self.lines)


@dataclass
class Cutter:
    """Cuts a stream into pieces. ``at_line`` is the number of the next line, ``next_line`` of the first that is not
    committed yet: lines before it are passed over, but for their base fields."""

    at_line: int
    next_line: int
    _torn: bytes = b""
    _lines: list[bytes] = field(default_factory=list)
    _resolver: Resolver = field(default_factory=lambda: Resolver(0.0))
    _base: dict[str, Any] = field(default_factory=dict)

    def feed(self, data: bytes) -> list[Piece]:
        """The pieces that are full with these bytes. TooMuch for a line that is too long."""
        *whole, self._torn = (self._torn + data).split(b"\n")
        if len(self._torn) > LINE_BYTES_MAX or any(len(line) > LINE_BYTES_MAX for line in whole):
            raise errors.TooMuch(what="A line of the stream", limit=f"{LINE_BYTES_MAX} bytes")
        found = []
        for line in whole:
            self._take(line)
            if len(self._lines) >= PIECE_LINES:
                found += self.cut()
        return found

    def finish(self) -> list[Piece]:
        """The last piece; a line without an end is one if it is whole JSON, and else is to come again."""
        if self._torn.strip() and not isinstance(record(self._torn.decode("utf-8", "replace")), str):
            self._take(self._torn)
        self._torn = b""
        return self.cut()

    def cut(self) -> list[Piece]:
        """What is there by now, as one piece, or none."""
        if not self._lines:
            return []
        piece = Piece(b"\n".join([*self._lines, b""]), self.next_line, len(self._lines), self._base)
        self.next_line += len(self._lines)
        self._lines, self._base = [], dict(self._resolver.base)
        return [piece]

    def _take(self, line: bytes) -> None:
        self.at_line += 1
        if self.at_line > self.next_line:
            self._lines.append(line)
        # Base fields hold from line to line, also those of lines that came before.
        with contextlib.suppress(errors.Malformed):
            self._resolver.take(record(line.decode("utf-8", "replace")))
        if not self._lines:
            self._base = dict(self._resolver.base)


def next_line(connection: sa.Connection, actor: Actor, code: str, stream: str) -> int:
    """The number of the first line of a stream that is not committed. NotFound where the source is not to be seen."""
    sources.found(connection, actor, code)
    return uploads.next_line(connection, code, stream)


def begin(connection: sa.Connection, actor: Actor, code: str, stream: str, from_line: int) -> Cutter:
    """Ready to take a stream from a line on. NotFound, NotYourInstitution; RuleForbids where lines are missing."""
    sources.may_send(connection, actor, code)
    known = uploads.next_line(connection, code, stream)
    if from_line > known:
        raise errors.RuleForbids(
            why=f"lines {known} to {from_line - 1} of this stream were not told. Send from {known}."
        )
    return Cutter(from_line, known)
