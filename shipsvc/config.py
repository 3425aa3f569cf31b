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
    #: Seconds an access token lives; 15 minutes at most.
    token_s: int = 900
    log_level: str = "INFO"

    @property
    def sqlite_path(self) -> Path | None:
        """The file of the embedded database, or None on PostgreSQL."""
        head, _, path = self.database_url.partition(":///")
        return Path(path) if head.startswith("sqlite") else None
