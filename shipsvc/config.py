"""Settings, read from ``SHIPSVC_*`` variables or a secrets folder, only when asked."""

from pathlib import Path

from pydantic import Field, SecretStr
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """How one process of the service runs. What decides an *answer* lives in documents, not here (D5)."""

    model_config = SettingsConfigDict(env_prefix="SHIPSVC_", extra="forbid")

    #: An SQLAlchemy address: ``sqlite:///file`` or ``postgresql+psycopg://...``.
    database_url: str = "sqlite:///shipsvc.sqlite3"
    #: The address under which people reach the service; printed into labels and tokens.
    base_url: str = "http://127.0.0.1:8000"
    #: Key of the authenticity tags on labels; made and kept in the database folder when empty.
    label_secret: SecretStr = SecretStr("")
    #: Threads that serve requests; also the size of the connection pool.
    threads: int = 8
    #: Seconds that a request waits for a lock or a connection of the database before it is answered 503; at most 4.
    wait_s: float = Field(default=4.0, gt=0, le=4)
    #: The largest request body taken, in bytes.
    body_bytes_max: int = 4_000_000
    #: Where evidence files are kept; beside the database when empty. Several processes on one database share it.
    files_dir: str = ""
    #: The largest evidence file taken, in bytes.
    file_bytes_max: int = Field(default=25_000_000, ge=1, le=1_000_000_000)
    #: The largest file of readings taken, in bytes: it is read piece by piece, never as a whole.
    readings_bytes_max: int = Field(default=200_000_000, ge=1, le=4_000_000_000)
    #: Seconds an access token lives; 15 minutes at most.
    token_s: int = 900
    #: Days a sign-in can be renewed for in all, and days that may pass without renewing it.
    session_days: int = Field(default=90, ge=1, le=366)
    session_idle_days: int = Field(default=14, ge=1, le=366)
    #: Failed sign-ins that are let pass under one login name and from one network address before each costs a wait;
    #: minutes without one after which they are forgotten; seconds of the longest wait. NIST SP 800-63B allows 100.
    login_failures_max: int = Field(default=10, ge=1, le=100)
    address_failures_max: int = Field(default=50, ge=1)
    failures_window_min: int = Field(default=15, ge=1, le=1440)
    failures_wait_s_max: int = Field(default=3600, ge=30, le=86_400)
    #: Days that a link to choose a password is good for.
    invitation_days: int = Field(default=7, ge=1, le=30)
    #: The server that takes mail: ``smtp://`` (STARTTLS where offered) or ``smtps://`` [user:password@]host[:port];
    #: without it administrators hand over links themselves.
    smtp_url: SecretStr = SecretStr("")
    #: Whom mail comes from.
    mail_from: str = ""
    log_level: str = "INFO"

    @property
    def sqlite_path(self) -> Path | None:
        """The file of the embedded database, or None on PostgreSQL."""
        head, _, path = self.database_url.partition(":///")
        return Path(path) if head.startswith("sqlite") else None

    @property
    def files_path(self) -> Path:
        """The folder of the evidence files: as set, else beside the embedded database, else in the working folder."""
        if self.files_dir:
            return Path(self.files_dir)
        database = self.sqlite_path
        return database.with_name(f"{database.stem}-files") if database else Path("shipsvc-files")
