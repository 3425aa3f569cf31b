"""Pictures and other files for tests: with a place and a time in them, too large, or two things at once."""

import io
import struct
import zlib
from collections.abc import Iterable
from typing import Any

from PIL import ExifTags, Image, PngImagePlugin

#: Somewhere, as Exif 2.3 (CIPA DC-008) writes places into pictures: degrees, minutes, seconds.
LATITUDE = (51.0, 7.0, 30.25)
#: Words that must not be found in a copy, wherever they stood.
TELLTALE = b"vault door 7"
XMP = b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><place>' + TELLTALE + b"</place></x:xmpmeta>"


def exif(orientation: int = 1) -> Image.Exif:
    """What a telephone writes: make, time, how it was held, and where."""
    found = Image.Exif()
    found[ExifTags.Base.Make] = TELLTALE.decode()
    found[ExifTags.Base.Orientation] = orientation
    found.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = "2026:03:10 12:00:00"
    place = found.get_ifd(ExifTags.IFD.GPSInfo)
    place[ExifTags.GPS.GPSLatitudeRef] = "N"
    place[ExifTags.GPS.GPSLatitude] = LATITUDE
    return found


def picture(kind: str, orientation: int = 1, **saving: Any) -> bytes:
    """40 x 24 points, a corner of them red, with everything beside that the kind can hold."""
    image = Image.new("RGB", (40, 24), "navy")
    image.paste("red", (0, 0, 8, 8))
    beside: dict[str, Any] = {"exif": exif(orientation), "xmp": XMP, "icc_profile": b"\0" * 128 + TELLTALE}
    if kind == "JPEG":
        beside |= {"comment": TELLTALE, "quality": 95}
    if kind == "PNG":
        texts = PngImagePlugin.PngInfo()
        texts.add_text("Comment", TELLTALE.decode())
        texts.add_itxt("XML:com.adobe.xmp", XMP.decode(), zip=False)
        beside = {"exif": beside["exif"], "icc_profile": beside["icc_profile"], "pnginfo": texts}
    if kind == "WEBP":
        beside["lossless"] = True
    file = io.BytesIO()
    image.save(file, kind, **{**beside, **saving})
    return file.getvalue()


def plain(kind: str) -> bytes:
    """A picture with nothing beside it."""
    file = io.BytesIO()
    Image.new("RGB", (12, 8), "teal").save(file, kind)
    return file.getvalue()


def png(width: int, height: int, rows: Iterable[bytes], extra: Iterable[tuple[bytes, bytes]] = ()) -> bytes:
    """A PNG built by hand (W3C PNG section 5): eight bits of grey a point, ``extra`` chunks before the points."""
    packer = zlib.compressobj(9)
    points = b"".join(packer.compress(b"\0" + row) for row in rows) + packer.flush()
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = [(b"IHDR", head), *extra, (b"IDAT", points), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in chunks)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def bomb(side: int = 30_000) -> bytes:
    """A few kilobytes that unpack to ``side`` squared points: 900 MB."""
    row = bytes(side)
    return png(side, side, (row for _ in range(side)))


PDF = b"%PDF-1.7\n1 0 obj <</Type /Catalog>> endobj\ntrailer <</Root 1 0 R>>\nstartxref\n9\n%%EOF\n"
