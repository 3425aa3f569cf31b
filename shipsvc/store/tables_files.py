"""Evidence files: what was uploaded, under which names, and which facts name it. The bytes are in a folder."""

from datetime import datetime

from sqlmodel import Field, SQLModel

from shipsvc.store.tables import big


class EvidenceFile(SQLModel, table=True):
    """That an institution uploaded these bytes: a log. The same bytes from another institution are another row, so
    that nobody learns who else has them."""

    __tablename__ = "evidence_file"
    sha256: str = Field(primary_key=True)
    institution: str = Field(primary_key=True)
    size_bytes: int = big()
    media_type: str
    recorded_at: datetime
    actor: str = Field(index=True)


class FileName(SQLModel, table=True):
    """What the sender called the file: people put names and places into that, so it can be erased."""

    __tablename__ = "file_name"
    sha256: str = Field(primary_key=True)
    institution: str = Field(primary_key=True)
    name: str


class FileErasure(SQLModel, table=True):
    """That an institution had its file erased: a log of who did so and why, not of what it was."""

    __tablename__ = "file_erasure"
    sha256: str = Field(primary_key=True)
    institution: str = Field(primary_key=True)
    recorded_at: datetime = Field(primary_key=True)
    actor: str
    because: str


class EventFile(SQLModel, table=True):
    """Which facts name which files: a finding aid, as ``event_item`` is; the bodies of the facts say it."""

    __tablename__ = "event_file"
    sha256: str = Field(primary_key=True)
    event_id: str = Field(primary_key=True)
