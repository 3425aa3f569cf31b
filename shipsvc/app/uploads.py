"""What was sent of a logger or sensor: kept as it came, read once, stored in chunks that count together.

The rows that can be read are stored, the others are listed with their lines, and all of them stay in the file: a
logger that wrote one torn line has still recorded the rest. An upload counts from the moment that it was read to its
end; one that broke off is gone on with when the same file comes again.
"""

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final, TypeVar

import sqlalchemy as sa

from shipsvc.app import documents, sources
from shipsvc.app.access import Actor
from shipsvc.app.documents import asked
from shipsvc.app.reading_tables import Bad, Block
from shipsvc.domain import chunks, errors, layouts
from shipsvc.domain.layouts import Layout
from shipsvc.domain.walls import instant
from shipsvc.store import documents as stored
from shipsvc.store import locks, uploads
from shipsvc.store.engine import Row

Result = TypeVar("Result")
#: Calls what it is given with a connection, inside a transaction that is committed when it returns.
InTransaction = Callable[[Callable[[sa.Connection], Result]], Result]
#: The clock, once there is a connection.
Now = Callable[[sa.Connection], datetime]
#: Bad lines that an answer lists; all of them are counted, and stay in the file.
LISTED_MAX: Final = 200
#: A reader that has not been heard of for so long has died, and another may go on.
SILENT_S: Final = 120
#: A logger's clock may be ahead of ours by less than this without anybody asking why.
AHEAD: Final = timedelta(days=1)
TABLE: Final = "csv"
LINES: Final = "senml_lines"
MEDIA_TYPES: Final[Mapping[str, str]] = {
    TABLE: "text/csv",
    "senml_json": "application/json",
    "senml_cbor": "application/cbor",
    LINES: "text/plain",
}


@dataclass(frozen=True)
class Sent:
    """Bytes of a source: their hash and size, how they are written, for which time out, by which layout."""

    sha256: str
    size_bytes: int
    format: str
    run: str = ""
    name: str = ""
    layout: str | None = None
    stream: str = ""
    first_line: int = 0
    #: Of a piece of a SenML stream: the base fields that the pieces before it left in force, as JSON.
    base: str = ""
    lines: int = 0


@dataclass(frozen=True)
class Begun:
    """An upload that is to be read now, or (``over``) one that was read before."""

    row: Row
    source: Row
    over: bool

    @property
    def layout(self) -> Layout:
        """The layout that a table of it is read by."""
        return layouts.read(json.loads(self.row["layout"]))


@dataclass
class Tally:
    """What came of an upload so far."""

    rows: int = 0
    stored: int = 0
    bad: int = 0
    listed: list[Bad] = field(default_factory=list)
    begin_us: int | None = None
    end_us: int | None = None

    def add(self, block: Block) -> None:
        """Count one block."""
        self.rows += block.rows
        self.stored += int(block.times_us.size)
        self.bad += len(block.bad)
        self.listed += block.bad[: max(0, LISTED_MAX - len(self.listed))]
        if block.times_us.size:
            first, last = int(block.times_us.min()), int(block.times_us.max())
            self.begin_us = first if self.begin_us is None else min(first, self.begin_us)
            self.end_us = last if self.end_us is None else max(last, self.end_us)


def begin(connection: sa.Connection, actor: Actor, now: datetime, code: str, sent: Sent) -> Begun:
    """Write down that bytes were sent, or find that they were sent before.

    NotFound, NotYourInstitution; Malformed for a table without a layout; RuleForbids for the same file under another
    layout; Away while somebody else is reading the very same.
    """
    source = sources.may_send(connection, actor, code)
    locks.hold(connection, f"upload {code}")
    layout = _layout(connection, actor, now, source, sent)
    before = uploads.newest_of(connection, code, sent.sha256, sent.stream, sent.first_line)
    if before is not None and before["withdrawn_at"] is None and not _in_vain(before):
        return _again(connection, now, source, before, layout, sent)
    attempt = 1 if before is None else before["attempt"] + 1
    row = {
        "id": _id(code, sent, attempt),
        "source": code,
        "run": sent.run,
        "sha256": sent.sha256,
        "attempt": attempt,
        "size_bytes": sent.size_bytes,
        "format": sent.format,
        "name": sent.name,
        "layout": layout,
        "stream": sent.stream,
        "first_line": sent.first_line,
        "lines": sent.lines,
        "recorded_at": now,
        "actor": actor.person,
    }
    uploads.add_upload(connection, row)
    return Begun(row, source, over=False)


def _id(code: str, sent: Sent, attempt: int) -> str:
    """Of all that tells uploads apart: the same bytes may be of two sensors, or be two pieces of one stream."""
    said = f"{code} {sent.sha256} {sent.stream} {sent.first_line} {attempt}"
    return hashlib.sha256(said.encode()).hexdigest()[:32]


def _in_vain(before: Row) -> bool:
    """Whether an earlier attempt read nothing at all, so that another layout may be tried without ado."""
    return before["ended_at"] is not None and before["rows_stored"] == 0


def _again(connection: sa.Connection, now: datetime, source: Row, before: Row, layout: str, sent: Sent) -> Begun:
    if (before["layout"], before["run"], before["format"]) != (layout, sent.run, sent.format):
        otherwise = "the same file was read otherwise, as upload {upload}. Withdraw that one, then send it again."
        raise errors.RuleForbids(why=errors.Text(otherwise, upload=before["id"]))
    if before["ended_at"] is None:
        touched = uploads.touched_at(connection, before["id"])
        if touched is not None and now - touched < timedelta(seconds=SILENT_S):
            raise errors.Away(what="The same file is being read at this moment; it")
    return Begun(before, source, over=before["ended_at"] is not None)


def _layout(connection: sa.Connection, actor: Actor, now: datetime, source: Row, sent: Sent) -> str:
    if sent.format != TABLE:
        return sent.base
    code = sent.layout or source["layout"]
    if code is None:
        why = "say in layout how the table is to be read. POST .../readings/preview guesses it from the file."
        raise errors.Malformed(why=why, pointer="/layout")
    kind = sources.LAYOUT
    # The layout that the source's document names is read by whoever may send for it.
    visible = kind.visible(actor) if code == sent.layout else None
    row = stored.in_force(connection, kind.chain, code, asked(None, None, now), visible)
    if row is None:
        raise errors.NotFound(what="layout", name=code, pointer="/layout")
    layout = layouts.read(json.loads(row["content"]))
    strange = {column.quantity for column in layout.columns} - set(source["quantities"].split())
    if strange:
        not_said = "the document of this source does not say that it measures {measured}"
        raise errors.Malformed(why=errors.Text(not_said, measured=", ".join(sorted(strange))), pointer="/layout")
    return json.dumps(layouts.written(layout), sort_keys=True)


def read(
    in_transaction: InTransaction[Any],
    now: Now,
    begun: Begun,
    blocks: Iterator[Block],
    marks: Mapping[str, int],
) -> None:
    """Store an upload block by block, each in a transaction of its own, and end it. ``marks`` are read at the end."""
    tally = Tally()
    for sequence, block in enumerate(blocks):
        tally.add(block)
        rows = [
            uploads.chunk_row(begun.row, quantity, sequence, unit, (block.times_us, values), _digits(values, digits))
            for quantity, (unit, values, digits) in block.series.items()
            if block.times_us.size
        ]
        progress = (block.at_bytes, tally.rows, tally.stored)
        in_transaction(partial(_store, now=now, begun=begun, rows=rows, progress=progress))
    in_transaction(partial(_finish, now=now, begun=begun, tally=tally, marks=marks))


def _digits(values: chunks.Floats, written: int) -> int:
    needed = chunks.digits_of(values)
    return needed if needed == chunks.FLOATS else max(needed, written)


def _store(
    connection: sa.Connection, now: Now, begun: Begun, rows: Sequence[Row], progress: tuple[int, int, int]
) -> None:
    uploads.add_missing_chunks(connection, rows)
    uploads.note_progress(connection, begun.row["id"], progress, now(connection))


def _finish(connection: sa.Connection, now: Now, begun: Begun, tally: Tally, marks: Mapping[str, int]) -> None:
    # Before the clock is read: whoever withdraws it, or merges chunks of the source, comes before or behind.
    locks.hold(connection, f"upload {begun.row['source']}")
    at = now(connection)
    end = {
        "upload": begun.row["id"],
        "rows_read": tally.rows,
        "rows_stored": tally.stored,
        "rows_bad": tally.bad,
        "bad": [{"line": one.line, "why": one.why} for one in tally.listed],
        "marks": _marks(begun, at, tally, marks),
        "begin_at": None if tally.begin_us is None else instant(tally.begin_us),
        "end_at": None if tally.end_us is None else instant(tally.end_us),
        "recorded_at": at,
        "actor": begun.row["actor"],
    }
    uploads.end_upload(connection, end)


def _marks(begun: Begun, now: datetime, tally: Tally, marks: Mapping[str, int]) -> list[str]:
    found = sorted(marks)
    if tally.end_us is not None:
        end_at = instant(tally.end_us)
        found += ["calibration_lapsed"] if sources.lapsed(begun.source, end_at) else []
        found += ["ahead_of_time"] if end_at > now + AHEAD else []
    return found


# ------------------------------------------------------------------------------------------------------- asked about
def show(connection: sa.Connection, actor: Actor, code: str, upload: str) -> Row:
    """An upload and how far it is. NotFound, also where the source is not the actor's to see."""
    sources.found(connection, actor, code)
    row = uploads.by_id(connection, code, upload)
    if row is None:
        raise errors.NotFound(what="upload", name=upload)
    return row


def page(connection: sa.Connection, actor: Actor, code: str, *, after: str, limit: int) -> Sequence[Row]:
    """Up to ``limit`` uploads of a source in the order of their ids, behind ``after``. NotFound."""
    sources.found(connection, actor, code)
    return uploads.page(connection, code, after=after, limit=limit)


def withdraw(connection: sa.Connection, actor: Actor, now: datetime, code: str, upload: str, because: str) -> Row:
    """Its readings count no longer, from now on; as known before they stay. Again is harmless. For curators and
    registrars of the source's institution, and whoever sent it."""
    source = sources.may_send(connection, actor, code, devices=False)
    row = show(connection, actor, code, upload)
    if row["actor"] != actor.person:
        actor.must_be(source["institution"], *documents.KEEPERS)
    locks.hold(connection, f"upload {code}")
    if uploads.by_id(connection, code, upload)["withdrawn_at"] is None:  # type: ignore[index]  # it is there: see above
        uploads.withdraw(connection, {"upload": upload, "recorded_at": now, "actor": actor.person, "because": because})
    return show(connection, actor, code, upload)
