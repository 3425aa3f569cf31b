"""Evidence files as they are answered and described."""

from collections.abc import Mapping
from typing import Any, Final

from pydantic import ConfigDict, Field

from shipsvc.domain import files
from shipsvc.web.multipart import described
from shipsvc.web.openapi import header
from shipsvc.web.schemas import Instant, InstitutionCode, Strict, Words

#: Of the three letters abc: FIPS 180-4, and the first of its example computations.
EXAMPLE_SHA256: Final = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
EXAMPLE_FILE: Final = "abc"
FILE: Final[dict[str, Any]] = {
    "sha256": EXAMPLE_SHA256,
    "size_bytes": len(EXAMPLE_FILE),
    "media_type": files.TEXT,
    "name": "note.txt",
    "acting_for": "TRP",
    "recorded_at": "2026-03-10T12:00:00Z",
}
UPLOAD: Final = described(
    {
        "file": {
            "type": "string",
            "format": "binary",
            "description": "JPEG, PNG, WebP, PDF, or CSV, JSON and plain text in UTF-8",
        },
        "acting_for": {
            "type": "string",
            "pattern": r"^[A-Z][A-Z0-9]{1,15}$",
            "description": "The institution that it is kept for",
        },
    },
    ["file", "acting_for"],
    {"acting_for": "TRP", "file": EXAMPLE_FILE},
)
#: What a browser must not do with a file of somebody else's making.
GUARDS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "sandbox; default-src 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "private, max-age=0, must-revalidate",
}
_BINARY: Final[dict[str, Any]] = {"type": "string", "format": "binary"}
_ETAG: Final = header("The SHA-256 of the file; then -copy, where metadata were taken out", f'"{EXAMPLE_SHA256}"')
DOWNLOAD: Final[dict[int | str, dict[str, Any]]] = {
    200: {
        "description": "The file, always to be saved and never to be shown",
        "headers": {
            "ETag": _ETAG,
            "Content-Disposition": header("RFC 6266", files.disposition("note.txt")),
            **{name: header("What a browser must not do with it", value) for name, value in GUARDS.items()},
        },
        "content": {
            **{kind: {"schema": _BINARY, "example": ""} for kind in (*sorted(files.IMAGES), files.PDF, files.CBOR)},
            # Any value: JSON is not read as a text.
            files.JSON: {"schema": {}, "example": {"readings": [1.5, 1.6]}},
            files.CSV: {"schema": {"type": "string"}, "example": "at,c\r\n2026-03-10T12:00:00Z,-20.5\r\n"},
            files.TEXT: {"schema": {"type": "string"}, "example": EXAMPLE_FILE},
        },
    },
    304: {"description": "It is the one that you have", "headers": {"ETag": _ETAG}},
}


class FileErasing(Strict):
    """Who has a file erased, and why."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"acting_for": "TRP", "because": "A face is in it"}]})
    acting_for: InstitutionCode
    because: Words


class FileOut(Strict):
    """A file that is kept: the first time that this institution sent these bytes."""

    model_config = ConfigDict(json_schema_extra={"examples": [FILE]})
    sha256: str = Field(
        pattern="^[0-9a-f]{64}$",
        description="SHA-256 of its bytes: what facts name it by, in `files_sha256`",
        examples=[EXAMPLE_SHA256],
    )
    size_bytes: int = Field(description="Its size", examples=[3])
    media_type: str = Field(description="What it is, by its content", examples=[files.TEXT])
    name: str = Field(description="What it was called; empty where that was erased", examples=["note.txt"])
    acting_for: InstitutionCode
    recorded_at: Instant = Field(description="When it was first sent")


def file_out(row: Mapping[str, Any]) -> FileOut:
    """An upload with its name, as it is answered."""
    as_stored = ("sha256", "size_bytes", "media_type", "recorded_at")
    return FileOut(**{name: row[name] for name in as_stored}, name=row["name"] or "", acting_for=row["institution"])
