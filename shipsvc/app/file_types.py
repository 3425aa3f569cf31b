"""What a file is, found by reading it: image, PDF, JSON, CSV or plain text, or none that is kept."""

import codecs
import csv
import json
import mmap
import re
from collections.abc import Callable, Iterator, Mapping
from itertools import islice
from pathlib import Path
from typing import Any, Final

from shipsvc.domain import errors, files
from shipsvc.store.file_bytes import pieces

#: JSON that is larger counts as plain text: to read it takes twenty times the memory.
JSON_BYTES_MAX: Final = 1_000_000
#: Rows that are looked at; a table whose first thousand rows are even is one.
CSV_ROWS: Final = 1000
CSV_LINE_MAX: Final = 1 << 16
#: Of an image, each some kilobytes long; more are there to keep the reader busy.
CHUNKS_MAX: Final = 20_000
#: ISO 32000-1 annex H.3.18: readers look for the end-of-file marker in the last 1 024 bytes.
PDF_TAIL_BYTES: Final = 1024
#: ITU-T T.81 annex B: a marker that is neither a stuffed byte, a restart within a scan, nor filling.
_JPEG_MARKER: Final = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
#: Markers without a length behind them: TEM, SOI, EOI.
_JPEG_BARE: Final = frozenset(b"\x01\xd8")


def media_type(path: Path) -> str:
    """The media type of a file, by its content. WrongType where it is none that is kept, or is more than one.

    An image is looked at from outside only: whether it can be drawn, ``app.images`` finds.
    """
    with path.open("rb") as file:
        head = file.read(files.HEAD_BYTES)
    if not head:
        raise errors.WrongType(why="it is empty.")
    found = files.signature(head)
    if found is None:
        return _text(path, head)
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        _ENDS[found](content)
    return found


# ------------------------------------------------------------------------------------------------- images and PDF
def _png(content: mmap.mmap) -> None:
    """W3C PNG section 5: chunks up to IEND, and nothing behind it."""
    at = 8
    for _ in range(CHUNKS_MAX):
        length, kind = int.from_bytes(content[at : at + 4]), content[at + 4 : at + 8]
        at += 12 + length
        if kind == b"IEND" or at > len(content):
            break
    if at != len(content) or kind != b"IEND":
        raise errors.WrongType(why="it begins as a PNG image, but does not end as one.")


def _webp(content: mmap.mmap) -> None:
    """RFC 9649 section 2.4: the size in the header is that of the rest."""
    if int.from_bytes(content[4:8], "little") + 8 != len(content):
        raise errors.WrongType(why="it begins as a WebP image, but is longer or shorter than it says.")


def _jpeg(content: mmap.mmap) -> None:
    """Behind the end of the image telephones put a second image or a film, which is let pass; no markup is."""
    if files.MARKUP.search(content, _jpeg_end(content)):
        raise errors.WrongType(why="it begins as a JPEG image, and goes on as a page for browsers.")


def _jpeg_end(content: mmap.mmap) -> int:
    """Where the image ends: ITU-T T.81 annex B, from marker to marker up to EOI."""
    at = 2
    for _ in range(CHUNKS_MAX):
        found = _JPEG_MARKER.search(content, at)
        if found is None:
            break
        marker, at = content[found.start() + 1], found.end()
        if marker == 0xD9:
            return at
        if marker not in _JPEG_BARE:
            at += max(2, int.from_bytes(content[at : at + 2]))
    raise errors.WrongType(why="it begins as a JPEG image, but does not end as one.")


def _pdf(content: mmap.mmap) -> None:
    start = max(0, len(content) - PDF_TAIL_BYTES)
    end = content.rfind(b"%%EOF", start)
    if end < 0 or content[end + 5 :].strip(b"\0\t\n\x0c\r "):
        raise errors.WrongType(why="it begins as a PDF, but does not end as one.")


_ENDS: Final[Mapping[str, Callable[[mmap.mmap], None]]] = {
    files.PNG: _png,
    files.WEBP: _webp,
    files.JPEG: _jpeg,
    files.PDF: _pdf,
}


# ---------------------------------------------------------------------------------------------------------- texts
def _text(path: Path, head: bytes) -> str:
    if files.is_markup(head):
        raise errors.WrongType(why="it is markup such as HTML or SVG.")
    if files.is_script(head):
        raise errors.WrongType(why="it is a program.")
    decoder = codecs.getincrementaldecoder("utf-8")()
    for piece in pieces(path):
        if files.BINARY.search(piece):
            raise errors.WrongType(why="it is none of the kinds that are kept.")
        _decode(decoder, piece)
    _decode(decoder, b"", final=True)
    if _is_json(path, head):
        return files.JSON
    return files.CSV if _is_csv(path) else files.TEXT


def _decode(decoder: codecs.IncrementalDecoder, piece: bytes, *, final: bool = False) -> None:
    try:
        decoder.decode(piece, final)
    except UnicodeDecodeError:
        raise errors.WrongType(why="it is no text in UTF-8; save it as such.") from None


def _is_json(path: Path, head: bytes) -> bool:
    """RFC 8259, an object or an array; other values are as good as plain text."""
    if not head.lstrip().startswith((b"{", b"[")) or path.stat().st_size > JSON_BYTES_MAX:
        return False
    try:
        json.loads(path.read_bytes(), parse_constant=_no_json)
    except (ValueError, RecursionError):
        return False
    return True


def _no_json(name: str) -> Any:
    raise ValueError(name)  # NaN and Infinity, which only Python reads


def _is_csv(path: Path) -> bool:
    """Two rows at least, each with as many cells as the others, and two at least (RFC 4180 section 2; or with
    semicolons or tabs between, as spreadsheets write them)."""
    return any(_is_even(path, between) for between in ",;\t")


def _is_even(path: Path, between: str) -> bool:
    widths: set[int] = set()
    rows = 0
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for row in islice(csv.reader(_lines(file), delimiter=between, strict=True), CSV_ROWS):
                if row:
                    widths.add(len(row))
                    rows += 1
    except csv.Error:
        return False
    return rows > 1 and len(widths) == 1 and min(widths) > 1


def _lines(file: Any) -> Iterator[str]:
    while line := file.readline(CSV_LINE_MAX):
        if len(line) == CSV_LINE_MAX:
            raise csv.Error("a line too long for a table")
        yield line
