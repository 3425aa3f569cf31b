"""What a file is, by reading it; and what is refused: pages, programs, things that are two at once, bombs."""

import io
import math
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import Image

from shipsvc.app import file_types, images
from shipsvc.domain import errors, files
from tests.pictures import PDF, TELLTALE, bomb, picture, plain, png

SCRIPT = b"<script>alert(1)</script>"
TABLE = b"at,c\r\n2026-03-10T12:00:00Z,-20.5\r\n2026-03-10T12:10:00Z,-20.4\r\n"


@pytest.fixture
def file(tmp_path: Path) -> Callable[[bytes], Path]:
    """Writes a file; its path."""

    def write(content: bytes) -> Path:
        path = tmp_path / "incoming"
        path.write_bytes(content)
        return path

    return write


KNOWN: dict[str, tuple[bytes, str]] = {
    "jpeg": (picture("JPEG"), files.JPEG),
    "progressive jpeg": (picture("JPEG", progressive=True), files.JPEG),
    "jpeg with restarts": (picture("JPEG", restart_marker_blocks=1), files.JPEG),
    # Telephones put a second image, a film or notes of their own behind the end.
    "jpeg with a film": (plain("JPEG") + b"\0\0\0\x18ftypmp42" + bytes(5000), files.JPEG),
    "two jpegs": (plain("JPEG") + picture("JPEG"), files.JPEG),
    "png": (picture("PNG"), files.PNG),
    "webp": (picture("WEBP"), files.WEBP),
    "lossy webp": (picture("WEBP", lossless=False), files.WEBP),
    "pdf": (PDF, files.PDF),
    "csv": (TABLE, files.CSV),
    "csv with semicolons": (b'"a";"b;c"\n1,5;2,5\n', files.CSV),
    "csv with tabs and a mark": (b"\xef\xbb\xbfa\tb\n1\t2\n", files.CSV),
    "csv with lines in cells": (b'a,b\r\n"two\r\nlines",2\r\n', files.CSV),
    "json": (b'{"readings": [1.5, null]}', files.JSON),
    "json lines": (b'{"a": 1}\n{"a": 2}\n', files.TEXT),
    "almost json": (b"[1, 2", files.TEXT),
    "python's own numbers": (b"[NaN]", files.TEXT),
    "deep": (b"[" * 100_000 + b"]" * 100_000, files.TEXT),
    "a long number": (b"[" + b"9" * 10_000 + b"]", files.TEXT),
    "text": ("Öffnung: 12 °C, μg, 试样\n".encode(), files.TEXT),
    "one line": (b"a,b\n", files.TEXT),
    "an uneven table": (b"a,b\n1\n2,3\n", files.TEXT),
    "a line without end": (b"x," * 2_000_000, files.TEXT),
    "a quotation without end": (b'a,"b' + b"x" * 1_000_000, files.TEXT),
}


@pytest.mark.parametrize("name", KNOWN)
def test_kinds_are_told_by_content(name: str, file: Callable[[bytes], Path]) -> None:
    """Each is what it is, whatever it may be called."""
    content, expected = KNOWN[name]
    assert file_types.media_type(file(content)) == expected


REFUSED: dict[str, bytes] = {
    "nothing": b"",
    "html": b"<!DOCTYPE html><html></html>",
    "svg": b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
    "a table with a page in it": TABLE + SCRIPT,
    "a program": b"#!/bin/sh\nrm -rf /\n",
    "a windows program": b"MZ\x90\0\3\0\0\0",
    "an elf": b"\x7fELF\2\1\1\0",
    "an archive": b"PK\3\4\x14\0\0\0",
    "gif": b"GIF89a\1\0\1\0\0\0\0;",
    "gif and html": b"GIF89a/*<html>*/=1;" + SCRIPT,
    "bmp": b"BM\x1a\0\0\0\0\0\0\0",
    "tiff": b"II*\0\x08\0\0\0",
    "latin 1": "Öffnung".encode("latin-1"),
    "utf-16": "a;b\n1;2\n".encode("utf-16"),
    "half a character": "Ö".encode()[:1],
    "a nul in a text": b"a,b\n1,\0\n",
    "an escape in the middle": b"x" * 300_000 + b"\x07",
    "a pdf behind a script": b"/*" + SCRIPT + b"*/" + PDF,
    "a pdf behind javascript": b"alert(1)//\0\n" + PDF,
    "a pdf that goes on": PDF + SCRIPT,
    "a pdf without an end": PDF[:-8],
    "an archive in a pdf": PDF + b"PK\5\6" + bytes(18),
    "a jpeg that goes on as html": plain("JPEG") + b"<html><body>" + SCRIPT,
    "a jpeg that goes on as svg": plain("JPEG") + b"<svg onload=alert(1)>",
    "a jpeg without an end": plain("JPEG")[:-2],
    "a png that goes on": plain("PNG") + b"<html>",
    "a png that goes on with nothing": plain("PNG") + b"\0",
    "a png without an end": plain("PNG")[:-12],
    "a png in two": plain("PNG")[:60],
    "a chunk that is too long": b"\x89PNG\r\n\x1a\n" + b"\xff\xff\xff\xffIHDR",
    "chunks without end": b"\x89PNG\r\n\x1a\n" + (bytes(4) + b"teXt" + bytes(4)) * 30_000,
    "markers without end": b"\xff\xd8" + b"\xff\xe0\0\2" * 30_000 + b"\xff\xd9",
    "a webp that goes on": plain("WEBP") + SCRIPT,
    "a webp in two": plain("WEBP")[:30],
    "only a signature": b"\xff\xd8\xff",
}


@pytest.mark.parametrize("name", REFUSED)
def test_other_kinds_are_refused(name: str, file: Callable[[bytes], Path]) -> None:
    """With words that say what to send instead."""
    with pytest.raises(errors.WrongType, match="Send a JPEG, PNG or WebP image, a PDF, or CSV, JSON or plain text"):
        file_types.media_type(file(REFUSED[name]))


# -------------------------------------------------------------------------------------------------------- images
def huge(kind: str, pixels_max: int) -> bytes:
    """An image of a few points too many, that takes little room."""
    side = math.isqrt(pixels_max) + 1
    made = io.BytesIO()
    Image.new("L", (side, side)).save(made, kind)
    return made.getvalue()


BOMBS: dict[str, tuple[Callable[[], bytes], str]] = {
    "900 MB of zeros": (bomb, files.PNG),
    "a jpeg of too many points": (lambda: huge("JPEG", 50_000_000), files.JPEG),
    "a webp of too many points": (lambda: huge("WEBP", 16_000_000), files.WEBP),
    "a header that lies": (lambda: png(2**31 - 1, 2**31 - 1, [b"\0"]), files.PNG),
    "words that unpack": (
        lambda: png(1, 1, [b"\0"], [(b"zTXt", b"x\0\0" + zlib.compress(bytes(90_000_000)))]),
        files.PNG,
    ),
    "a profile that unpacks": (
        lambda: png(1, 1, [b"\0"], [(b"iCCP", b"x\0\0" + zlib.compress(bytes(90_000_000)))]),
        files.PNG,
    ),
}


@pytest.mark.parametrize("name", BOMBS)
def test_bombs_do_not_go_off(name: str, file: Callable[[bytes], Path], tmp_path: Path) -> None:
    """From outside each is sound; nothing of it is unpacked beyond what its header owes, and nothing stays."""
    make, kind = BOMBS[name]
    source, target = file(make()), tmp_path / "copy"
    assert file_types.media_type(source) == kind
    assert source.stat().st_size < 2_000_000

    with pytest.raises(errors.WrongType):
        images.copy_without_metadata(source, target, kind)
    assert not target.exists()


@pytest.mark.parametrize(
    ("content", "kind"),
    [
        (plain("JPEG")[:2] + plain("JPEG")[-2:], files.JPEG),
        (plain("JPEG").replace(b"\xff\xc0", b"\xff\xcb"), files.JPEG),
        (plain("PNG").replace(b"IDAT", b"IDAX"), files.PNG),
        (plain("WEBP")[:12] + b"VP8 " + bytes(len(plain("WEBP")) - 16), files.WEBP),
    ],
)
def test_damaged_images_are_refused(content: bytes, kind: str, file: Callable[[bytes], Path], tmp_path: Path) -> None:
    """Their outside is sound, their inside is not: what cannot be drawn is no evidence, and says so."""
    source = file(content)
    assert file_types.media_type(source) == kind
    with pytest.raises(errors.WrongType, match="cannot be drawn"):
        images.copy_without_metadata(source, tmp_path / "copy", kind)
    assert not (tmp_path / "copy").exists()


def test_a_disk_that_fails_is_no_fault_of_the_image(file: Callable[[bytes], Path], tmp_path: Path) -> None:
    """Where the copy cannot be written, it is the disk that is said to be wrong."""
    with pytest.raises(OSError, match="No such file"):
        images.copy_without_metadata(file(plain("PNG")), tmp_path / "no-such-folder" / "copy", files.PNG)


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "I;16", "CMYK"])
def test_every_sort_of_colour_can_be_copied(mode: str, file: Callable[[bytes], Path], tmp_path: Path) -> None:
    """Black and white to sixteen bits; the copy is of the same kind and size, and shows the same."""
    kind = "JPEG" if mode == "CMYK" else "PNG"
    image = Image.new("RGBA", (9, 7), (200, 30, 30, 255))
    image = image.convert("L").convert(mode) if mode == "I;16" else image.convert("RGB" if kind == "JPEG" else mode)
    made = io.BytesIO()
    image.convert("CMYK").save(made, kind) if kind == "JPEG" else image.save(made, kind)
    media_type = files.JPEG if kind == "JPEG" else files.PNG

    images.copy_without_metadata(file(made.getvalue()), tmp_path / "copy", media_type)
    with Image.open(tmp_path / "copy") as copy:
        assert (copy.format, copy.size) == (kind, (9, 7))
        if mode not in {"1", "I;16"}:
            wanted, found = image.convert("RGB").getpixel((4, 4)), copy.convert("RGB").getpixel((4, 4))
            assert isinstance(wanted, tuple)
            assert isinstance(found, tuple)
            assert max(abs(a - b) for a, b in zip(wanted, found, strict=True)) < 12


def test_what_stands_behind_a_picture_is_not_copied(file: Callable[[bytes], Path], tmp_path: Path) -> None:
    """A second image or a film of a telephone has the place in it as well."""
    images.copy_without_metadata(file(picture("JPEG") + TELLTALE + picture("JPEG")), tmp_path / "copy", files.JPEG)
    copy = (tmp_path / "copy").read_bytes()

    assert TELLTALE not in copy
    assert copy.endswith(b"\xff\xd9")
    assert b"Exif" not in copy
    assert b"ICC_PROFILE" not in copy
