"""What loggers and sensors are, what they sent, and how their clocks stood. All of it is logs but the progress."""

from datetime import date, datetime

import sqlalchemy as sa
from sqlmodel import Field, SQLModel

from shipsvc.store.tables import Chain, big, one_of, partial

SOURCE_KINDS = ("logger", "sensor")
FORMATS = ("csv", "senml_json", "senml_cbor", "senml_lines")


class Source(Chain, table=True):
    """A logger, or the fixed sensor of a place. ``quantities`` and ``readers`` are words with spaces between:
    what it measures, and which institutions beside its own may send what it recorded."""

    __tablename__ = "source"
    institution: str
    kind: str
    place: str | None = Field(default=None, index=True)
    what: str
    serial: str = ""
    interval_s: int
    max_gap_s: int | None = None
    quantities: str
    zone: str
    good_until: date | None = None
    layout: str | None = None
    readers: str = ""
    __table_args__ = (
        one_of("kind", SOURCE_KINDS),
        sa.CheckConstraint("(kind = 'sensor') = (place IS NOT NULL)", name="sensors_hang"),
        sa.CheckConstraint("interval_s > 0 AND (max_gap_s IS NULL OR max_gap_s > 0)", name="positive"),
    )


class Layout(Chain, table=True):
    """How the columns of a table are to be read; ``content`` is JSON."""

    __tablename__ = "layout"
    institution: str
    what: str
    content: str


class ClockCheckRow(SQLModel, table=True):
    """What a logger showed at a true time, as told; one that amends another takes its place, or withdraws it.

    ``run`` names one time out of a logger whose clock is set anew for each; its checks count for its readings alone.
    """

    __tablename__ = "clock_check"
    id: str = Field(primary_key=True)
    source: str = Field(index=True)
    run: str = ""
    logger_at: datetime
    true_at: datetime
    amends: str | None = None
    withdrawn: bool = False
    recorded_at: datetime
    actor: str
    because: str = ""


class Upload(SQLModel, table=True):
    """That somebody sent bytes of a source: which, and how they are to be read."""

    __tablename__ = "upload"
    id: str = Field(primary_key=True)
    source: str
    run: str = ""
    sha256: str
    attempt: int = 1
    size_bytes: int = big()
    format: str
    name: str = ""
    layout: str = ""
    stream: str = ""
    first_line: int = big(default=0)
    lines: int = big(default=0)
    recorded_at: datetime
    actor: str
    __table_args__ = (
        one_of("format", FORMATS),
        sa.UniqueConstraint("source", "sha256", "stream", "first_line", "attempt"),
        sa.Index("ix_upload_source", "source", "recorded_at"),
    )


class UploadEnd(SQLModel, table=True):
    """That an upload was read to its end: from now on its readings count."""

    __tablename__ = "upload_end"
    upload: str = Field(primary_key=True)
    rows_read: int = big()
    rows_stored: int = big()
    rows_bad: int = big()
    bad: str = "[]"
    marks: str = "[]"
    begin_at: datetime | None = None
    end_at: datetime | None = None
    recorded_at: datetime
    actor: str


class UploadWithdrawal(SQLModel, table=True):
    """That an upload was wrong, such as read by the wrong layout: from now on its readings count no longer."""

    __tablename__ = "upload_withdrawal"
    upload: str = Field(primary_key=True)
    recorded_at: datetime
    actor: str
    because: str


class UploadProgress(SQLModel, table=True):
    """How far a long upload is: no record of anything, and written over as it goes."""

    __tablename__ = "upload_progress"
    upload: str = Field(primary_key=True)
    bytes_read: int = big()
    rows_read: int = big()
    rows_stored: int = big()
    touched_at: datetime


class ReadingChunk(SQLModel, table=True):
    """Some thousand readings of one quantity (``domain.chunks``); times as the logger wrote them, values in ``unit``;
    ``lowest`` and ``highest`` in the canonical unit."""

    __tablename__ = "reading_chunk"
    upload: str = Field(primary_key=True)
    quantity: str = Field(primary_key=True)
    sequence: int = Field(primary_key=True)
    source: str
    run: str = ""
    unit: str
    begin_at: datetime
    end_at: datetime
    readings: int
    lowest: float | None
    highest: float | None
    widest_gap_s: float
    data: bytes = Field(sa_type=sa.LargeBinary)
    recorded_at: datetime
    actor: str
    __table_args__ = (sa.Index("ix_reading_chunk_source", "source", "quantity", "begin_at"),)


class ReadingSpan(SQLModel, table=True):
    """Readings as they count: a chunk of an upload (level 0) or several merged, and as known from when to when.

    Derived of what was sent, so that it may be written over; at any moment that is asked about, each chunk of an upload
    that counts stands in one row, itself or merged. ``chunk`` is the upload, or the ``MergedChunk``; ``part_of`` is
    the merged one that took its place, where the row ended for that.
    """

    __tablename__ = "reading_span"
    chunk: str = Field(primary_key=True)
    quantity: str = Field(primary_key=True)
    sequence: int = Field(primary_key=True)
    known_from: datetime = Field(primary_key=True)
    known_to: datetime
    level: int
    part_of: str | None = None
    source: str
    run: str
    unit: str
    begin_at: datetime
    end_at: datetime
    readings: int
    lowest: float | None
    highest: float | None
    widest_gap_s: float
    __table_args__ = (
        sa.Index("ix_reading_span_source", "source", "quantity", "known_to", "begin_at"),
        partial("ix_reading_span_part_of", "part_of IS NOT NULL", "part_of"),
    )


class MergedChunk(SQLModel, table=True):
    """The readings of many small chunks as one (``domain.chunks``), beside the chunks themselves."""

    __tablename__ = "merged_chunk"
    id: str = Field(primary_key=True)
    data: bytes = Field(sa_type=sa.LargeBinary)
