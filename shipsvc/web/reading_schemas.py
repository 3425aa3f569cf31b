"""Uploads of readings, and the readings themselves, as JSON has them."""

import json
from collections.abc import Mapping
from typing import Annotated, Any, Final, Literal

from pydantic import Field

from shipsvc.web.document_schemas import Listing, example
from shipsvc.web.file_schemas import EXAMPLE_SHA256
from shipsvc.web.schemas import Count, DocumentCode, Instant, Strict, Words
from shipsvc.web.source_schemas import LayoutBody, Run

EXAMPLE_UPLOAD: Final = "3a7bd3e2360a3d29eea436fcfb7e44c7"
EXAMPLE_TABLE: Final = "time,temperature\n2025-03-24T11:10:00Z,-58.2\n2025-03-24T11:20:00Z,-58.1\n"
EXAMPLE_PACK: Final = [{"n": "urn:dev:ow:10e2073a01080063:temperature", "u": "Cel", "t": 1742814600, "v": -58.2}]
EXAMPLE_LINES: Final = (
    '{"bn":"urn:dev:ow:10e2073a01080063:","bt":1742814600,"bu":"Cel","n":"temperature","v":-58.2}\n'
    '{"n":"temperature","t":600,"v":-58.1}\n'
)
StreamName = Annotated[
    str,
    Field(
        min_length=1,
        max_length=60,
        pattern=r"^[A-Za-z0-9._-]+$",
        description="The name of a stream",
        examples=["GB1-2026-11"],
    ),
]
UploadId = Annotated[str, Field(pattern="^[0-9a-f]{32}$", description="The id of an upload", examples=[EXAMPLE_UPLOAD])]
Format = Literal["csv", "senml_json", "senml_cbor", "senml_lines"]
_UPLOAD: dict[str, Any] = {
    "id": EXAMPLE_UPLOAD,
    "source": "LG-101",
    "run": "T-02",
    "sha256": EXAMPLE_SHA256,
    "size_bytes": 74,
    "format": "csv",
    "name": "LG-101.csv",
    "layout": {
        "columns": [{"column": 2, "quantity": "temperature", "unit": "Cel"}],
        "time_columns": [1],
        "time_format": "iso",
        "zone": None,
        "delimiter": ",",
        "decimal": ".",
        "heading_rows": 1,
        "no_reading": [],
    },
    "state": "read",
    "bytes_read": 74,
    "rows_read": 2,
    "rows_stored": 2,
    "rows_bad": 0,
    "bad": [],
    "marks": [],
    "begin_at": "2025-03-24T11:10:00Z",
    "end_at": "2025-03-24T11:20:00Z",
    "recorded_at": "2025-04-01T01:10:00Z",
    "actor": "6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10",
}


class BadLine(Strict):
    """A line that could not be read; it stays in the file."""

    line: Count = Field(description="Counted from 1, headings included", examples=[17])
    why: str = Field(description="What is wrong with it", examples=["'-5x' in column 2 is not a figure of temperature"])


class UploadOut(Strict):
    """What came of bytes that were sent: good rows are stored, bad ones are listed, all are kept as they came."""

    model_config = example(_UPLOAD)
    id: UploadId
    source: DocumentCode
    run: Run
    sha256: str = Field(
        pattern="^[0-9a-f]{64}$", description="SHA-256 of the bytes: GET /v1/files/{sha256}", examples=[EXAMPLE_SHA256]
    )
    size_bytes: Count = Field(description="Their size", examples=[74])
    format: Format = Field(description="How they are written", examples=["csv"])
    name: str = Field(description="What the sender called the file", examples=["LG-101.csv"])
    layout: LayoutBody | None = Field(description="How the table was read; null for SenML")
    state: Literal["reading", "read", "withdrawn"] = Field(description="`read`: its readings count", examples=["read"])
    bytes_read: Count = Field(description="How far the reading is, in bytes", examples=[74])
    rows_read: Count = Field(description="Rows so far, good or bad; blank lines are none", examples=[2])
    rows_stored: Count = Field(description="Rows whose time and figures could be read", examples=[2])
    rows_bad: Count = Field(description="Rows that could not be read", examples=[0])
    bad: list[BadLine] = Field(description="The first 200 of them")
    marks: list[str] = Field(
        description="`ambiguous_hour`, `skipped_hour`: local times that come twice or never, told apart by order; "
        "`calibration_lapsed`; `ahead_of_time`: its clock is a day or more ahead of ours",
        examples=[[]],
    )
    begin_at: Instant | None = Field(description="Its first time, as the logger wrote it; null without one")
    end_at: Instant | None = Field(description="Its last time, as the logger wrote it; null without one")
    recorded_at: Instant = Field(description="When it was first sent")
    actor: str = Field(description="Id of who sent it", examples=["6f1d3a52-0c3e-4b52-9d7e-0f3a2b6c1d10"])


class UploadPage(Listing):
    """Uploads of a source in the order of their ids."""

    model_config = example({"items": [_UPLOAD], "next": None})
    items: list[UploadOut] = Field(description="With how each ended, or how far it is")


class Withdrawing(Strict):
    """Why an upload is to count no longer."""

    model_config = example({"because": "Read by the wrong layout"})
    because: Words


def upload_out(row: Mapping[str, Any]) -> UploadOut:
    """An upload as it is answered."""
    as_stored = "id source run sha256 size_bytes format name rows_read rows_stored begin_at end_at recorded_at actor"
    over = row["ended_at"] is not None
    state = "withdrawn" if row["withdrawn_at"] is not None else "read" if over else "reading"
    return UploadOut(
        **{name: row[name] for name in as_stored.split()},
        layout=json.loads(row["layout"]) if row["format"] == "csv" else None,
        state=state,  # type: ignore[arg-type]  # one of the three
        bytes_read=row["size_bytes"] if over else row["bytes_read"],
        rows_bad=row["rows_bad"] or 0,
        bad=json.loads(row["bad"] or "[]"),
        marks=json.loads(row["marks"] or "[]"),
    )


class StreamState(Strict):
    """How far a stream is committed."""

    model_config = example({"stream": "GB1-2026-11", "next_line": 1000})
    stream: StreamName
    next_line: Count = Field(description="The first line that is not committed", examples=[1000])


class StreamOut(StreamState):
    """What came of a stream, or of the part of it that came."""

    model_config = example({"stream": "GB1-2026-11", "next_line": 2, "rows_stored": 2, "rows_bad": 0, "bad": []})
    rows_stored: Count = Field(description="Readings stored by this request", examples=[2])
    rows_bad: Count = Field(description="Lines that were not readings", examples=[0])
    bad: list[BadLine] = Field(description="The first 200 of them, by their number in the stream, from 0 on")
